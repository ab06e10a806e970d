"""What is known of RF: the rig writes it down, everybody reads it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from benchd.engine.rfwatch import RfWatch

START = datetime(2026, 3, 1, 22, 0, tzinfo=UTC)


def watch() -> tuple[RfWatch, list[datetime], list[str]]:
    """A watch, its clock (the last entry is now), and the states that a listener saw."""
    times, heard = [START], list[str]()
    found = RfWatch(lambda: times[-1])
    found.listen(lambda: heard.append(found.now.state))
    return found, times, heard


def test_nothing_is_verified_before_the_sources_have_answered() -> None:
    found, _, _ = watch()
    assert (found.now.state, found.now.asking) == ("not-verified", True)


def test_a_source_that_does_not_answer_is_named_with_what_to_do_since_the_first_time() -> None:
    found, times, heard = watch()
    for minute in range(3):
        times.append(START + timedelta(minutes=minute))
        found.not_verified(["generator"], "generator: no answer")
    now = found.now
    assert (now.state, now.since, now.at, now.asking) == (
        "not-verified", START, START + timedelta(minutes=2), False,
    )  # fmt: skip
    assert now.message == "RF is NOT verified off: generator: no answer"
    assert "Switch generator off by hand, or pull the mains plug." in now.advice
    assert heard == ["not-verified"], "told once, since nothing changed"


def test_every_change_is_told_and_begins_a_new_time() -> None:
    found, times, heard = watch()
    for number, change in enumerate(
        [found.off_verified, found.on, found.off_verified, found.off_verified]
    ):
        times.append(START + timedelta(seconds=number))
        change(["generator"])
    assert heard == ["off-verified", "on", "off-verified"]
    assert found.now.since == START + timedelta(seconds=2)
    assert found.now.at == START + timedelta(seconds=3)


def test_who_has_ended_listening_hears_no_more() -> None:
    found = RfWatch()
    heard: list[str] = []
    end = found.listen(lambda: heard.append("heard"))
    end()
    found.off_verified([])
    assert heard == []


def test_sources_left_on_record_are_named_with_the_files_that_hold_them() -> None:
    found = RfWatch()
    data, state = Path("data/rf-sources.a.json"), Path("state/rf-sources.a.json")
    found.leave_over(["generator at A", "generator at B"], [data, state])
    found.off_verified(["generator"])
    assert found.now.message.endswith("nobody knows of: generator at A, generator at B.")
    assert found.now.advice.endswith(f"stop benchd and remove {data} and {state}.")
    # Many files are told by their folders.
    found.leave_over(["generator at A"], [data, state, Path("state/rf-sources.b.json")])
    found.off_verified(["generator"])
    assert found.now.advice.endswith("remove the rf-sources.*.json that name it in data and state.")
    found.leave_over([])
    found.off_verified(["generator"])
    assert found.now.advice == ""
