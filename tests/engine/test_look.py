"""Until when a live look may go on, by a clock that the test moves."""

from __future__ import annotations

from typing import Any

import pytest

from benchd.engine.livelook.look import Look
from benchd.engine.livelook.viewers import MOST_VIEWERS, SILENT_AFTER_S, Viewers
from benchd.errors import Busy, Cancelled, LinkLost, OrderRefused, UnknownId


class Clock:
    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def look(clock: Clock, for_s: float = 300.0) -> tuple[Look, str]:
    plan: Any = None  # nothing of the plan decides when it ends
    found = Look(plan, for_s, clock=clock)
    return found, found.viewers.join()


def reason(one: Look) -> str:
    assert one.ending is not None
    return one.ending.reason


def test_it_goes_on_while_somebody_says_here() -> None:
    clock = Clock()
    found, viewer = look(clock)
    for _ in range(20):
        clock.now_s += 9.0
        found.viewers.here(viewer)
        assert found.goes_on()
    assert found.left_s() == pytest.approx(120.0)


def test_ten_seconds_after_the_last_here_it_is_over_and_stays_over() -> None:
    clock = Clock()
    found, viewer = look(clock)
    clock.now_s += SILENT_AFTER_S - 1.0
    assert found.goes_on()
    clock.now_s += 1.0
    assert not found.goes_on()
    assert reason(found) == "nobody-looks"
    with pytest.raises(UnknownId, match="silent"):
        found.viewers.here(viewer)
    found.viewers.join()
    assert not found.goes_on()


def test_the_last_viewer_to_leave_ends_it_at_once() -> None:
    clock = Clock()
    found, first = look(clock)
    second = found.viewers.join()
    found.leave(first)
    found.leave(first)
    assert found.ending is None
    found.leave(second)
    assert reason(found) == "nobody-looks"


def test_an_unknown_id_neither_keeps_it_on_nor_takes_anybody_away() -> None:
    clock = Clock()
    found, _ = look(clock)
    for _ in range(3):
        clock.now_s += 3.0
        with pytest.raises(UnknownId):
            found.viewers.here("viewer-" + "0" * 32)
    found.leave("viewer-" + "0" * 32)
    assert found.goes_on()
    clock.now_s += 1.0
    assert not found.goes_on()


def test_its_time_is_up_unless_a_person_renews_it() -> None:
    clock = Clock()
    found, viewer = look(clock, for_s=12.0)
    clock.now_s += 6.0
    found.viewers.here(viewer)
    found.renew()
    clock.now_s += 8.0
    found.viewers.here(viewer)
    assert found.goes_on()
    clock.now_s += 4.0
    assert not found.goes_on()
    assert reason(found) == "time-over"
    with pytest.raises(OrderRefused, match="has ended: its time of 12 s is over"):
        found.renew()


def test_how_long_it_is_overdue_counts_from_its_end() -> None:
    clock = Clock()
    found, viewer = look(clock)
    assert found.overdue_s() == 0.0
    found.leave(viewer)
    clock.now_s += 0.7
    assert found.overdue_s() == pytest.approx(0.7)


def test_the_first_reason_stands_but_an_error_is_told_instead() -> None:
    found, _ = look(Clock())
    found.end("job", "a job's turn has come")
    found.end("by-order", "somebody ended it")
    assert reason(found) == "job"
    found.fail(Cancelled("stopped"))
    assert reason(found) == "job"
    found.fail(LinkLost("does not answer", where="generator"))
    assert found.ending is not None
    assert (reason(found), found.ending.family, found.ending.where) == (
        "failed", "link-lost", "generator",
    )  # fmt: skip


def test_there_is_room_for_a_bounded_number_of_viewers_and_the_silent_make_room() -> None:
    clock = Clock()
    viewers = Viewers(clock)
    ids = {viewers.join() for _ in range(MOST_VIEWERS)}
    assert len(ids) == MOST_VIEWERS
    with pytest.raises(Busy, match="20 viewers look already"):
        viewers.join()
    clock.now_s += SILENT_AFTER_S
    assert viewers.count() == 0
    viewers.join()
