"""A few runs of the fault campaign (`make faults`), and its own way of judging.

How long RF was on decides nothing here, since the machine may be busy: that it goes off at last,
that nothing is lost, nothing passes wrongly and no order is forgotten does.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.faults import registry
from tests.faults.campaign import perform, shown, staged, tasks
from tests.faults.rf import Tape
from tests.faults.scene import Outcome
from tests.faults.stage import Stage
from tests.faults.table import markdown, meanings
from tests.system.rigging import REPOSITORY

KINDS = registry.load()
QUICK = (
    "kill 9 of the daemon",
    "bench file with a typing error",
    "kill 9 of the broker",
    "will of a guest with an order",
    "source half closed",
    "lid opened",
    "lid opened and told late",
    "lid contact silent",
    "sense cable pulled in a sweep",
    "source lies about off",
    "withdrawn then killed",
    "flood of connections",
    "backup restored",
)


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with staged(tmp_path_factory.mktemp("faults")) as found:
        yield found


@pytest.mark.needs("mosquitto")
@pytest.mark.parametrize("name", QUICK)
def test_nothing_is_lost_and_nothing_passes_wrongly(stage: Stage, name: str) -> None:
    outcome = perform(stage, (name, 1))
    assert outcome.trouble == ""
    found = (outcome.lost, outcome.wrong_passes, outcome.forgotten, outcome.hands_s)
    assert found == (0, 0, 0, 0.0), shown(outcome)


def test_every_kind_says_what_it_does_and_has_its_turn() -> None:
    assert len(KINDS) >= 20
    assert [name for name, act in KINDS.items() if not act.__doc__] == []
    assert {kind for kind, _ in tasks(KINDS, 400, 7000)} == set(KINDS)
    assert tasks(KINDS, 3, 7) == [(name, 7 + n) for n, name in enumerate(list(KINDS)[:3])]


ON, OFF, DEAF, HEARS = ("rf", True), ("rf", False), ("hears", False), ("hears", True)


def tape(*changes: tuple[float, tuple[str, bool]], end_s: float = 100.0) -> Tape:
    return Tape.of([(at, "generator", *change) for at, change in changes], end_s)


FOR_EVER = float("inf")


@pytest.mark.parametrize(
    ("record", "attended", "after_s", "overdue_s"),
    [
        (tape((1, ON), (12, OFF)), [(0, FOR_EVER)], 2.0, 2.0),
        (tape((1, ON), (9, OFF)), [(0, FOR_EVER)], 0.0, 0.0),
        (tape((1, ON), (9, OFF), (11, ON), (30, OFF)), [(0, FOR_EVER)], 0.0, 0.0),
        (tape((1, ON), (15, OFF)), [(0, 10), (12, FOR_EVER)], 5.0, 3.0),
        (tape((1, ON), (15, OFF)), [(0, 10), (11, 13), (14.5, FOR_EVER)], 5.0, 2.0),
        (tape((1, ON), (9, DEAF), (14, HEARS), (14.5, OFF)), [(0, FOR_EVER)], 4.5, 0.5),
        (tape((1, ON), (11, DEAF), (14, HEARS), (14.5, OFF)), [(0, FOR_EVER)], 4.5, 1.0),
        (tape((1, ON)), [(0, FOR_EVER)], 90.0, 90.0),
        (tape((1, ON), (9, DEAF)), [(0, FOR_EVER)], 90.0, 0.0),
    ],
    ids=[
        "on for two seconds", "off before", "on again later", "nobody there at first",
        "three daemons", "deaf at first", "deaf a little later", "for ever", "for ever deaf",
    ],
)  # fmt: skip
def test_rf_is_overdue_only_while_the_source_hears_and_somebody_is_there(
    record: Tape, attended: list[tuple[float, float]], after_s: float, overdue_s: float
) -> None:
    assert record.after(10.0) == pytest.approx(after_s)
    assert record.overdue(10.0, attended) == pytest.approx(overdue_s)


def test_rf_while_hands_are_in_the_box_is_counted() -> None:
    record = tape((1, ON), (5, OFF), (8, ON), (9, OFF))
    assert record.on_during([(4, 6), (8.5, 20)]) == pytest.approx(1.5)


@pytest.mark.parametrize(
    "spoiled",
    [{"lost": 1}, {"wrong_passes": 1}, {"forgotten": 1}, {"hands_s": 0.1}, {"overdue_s": 1.1},
     {"trouble": "it hangs"}],
)  # fmt: skip
def test_a_run_with_any_fault_did_not_hold(spoiled: dict[str, object]) -> None:
    good = Outcome("lid opened", 1, after_fault_s=5.0, overdue_s=0.9)
    assert good.held
    bad = Outcome("lid opened", 1, **spoiled)  # type: ignore[arg-type]
    assert not bad.held
    assert "DID NOT HOLD" in shown(bad)


def test_the_table_adds_up_losses_and_shows_the_longest_time() -> None:
    some = [
        Outcome("lid opened", 1, lost=1, after_fault_s=0.2, overdue_s=0.2),
        Outcome("lid opened", 2, lost=2, after_fault_s=0.4, overdue_s=0.1, trouble="it hangs"),
        Outcome("source silent", 3, wrong_passes=1),
    ]
    assert markdown(some, KINDS).splitlines()[2:] == [
        "| source silent | 1 | 0 | 1 | 0 | 0 | 0 | 0 | 0 |",
        "| lid opened | 2 | 3 | 0 | 0 | 0 | 0.40 s | 0.20 s | 1 |",
        "| **all** | 3 | 3 | 1 | 0 | 0 | 0.40 s | 0.20 s | 1 |",
    ]


def test_the_documented_campaign_tells_of_every_kind() -> None:
    """Both tables of `docs/faults.md`; a kind that is new, or has another name, needs a new one."""
    text = (REPOSITORY / "docs" / "faults.md").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line.startswith("| ")]
    told = [line.split("|")[1].strip() for line in lines]
    counted, explained = told.index("kind of fault"), len(told) - len(KINDS)
    assert told[counted + 2 : explained - 2] == [*KINDS, "**all**"]
    assert told[explained:] == list(KINDS)
    assert meanings(KINDS) in text
