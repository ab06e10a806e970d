"""What one reduction asks twice is looked up once."""

from typing import Any

from benchd.known.archive import AskedOnce


class Counted:
    """An archive that counts its questions."""

    def __init__(self) -> None:
        self.asked: list[Any] = []

    def _told(self, *question: Any) -> list[Any]:
        self.asked.append(question)
        return [question]

    def captures(self, **asked: Any) -> list[Any]:
        return self._told("captures", asked)

    def capture(self, capture_id: str) -> Any:
        return self._told("capture", capture_id)

    def results(self, **asked: Any) -> list[Any]:
        return self._told("results", asked)


def test_each_question_is_asked_once_and_told_from_the_others() -> None:
    counted = Counted()
    archive = AskedOnce(counted)
    for _ in range(2):
        assert archive.results(quantity="directivity", bench="a", limit=5) == [
            ("results", {"quantity": "directivity", "bench": "a", "limit": 5})
        ]
        assert archive.results(quantity="joint", bench="a", limit=5)[0][1]["quantity"] == "joint"
        assert archive.captures(bench="a") == [("captures", {"bench": "a"})]
        assert archive.capture("cap-1") == [("capture", "cap-1")]
        assert archive.capture("cap-2") == [("capture", "cap-2")]
    assert len(counted.asked) == 5
