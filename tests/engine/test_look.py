"""Until when a live look may go on, by a clock that the test moves."""

from __future__ import annotations

from typing import Any

import pytest

from benchd.engine.livelook.look import Look
from benchd.engine.livelook.ticks import Ticks
from benchd.engine.livelook.viewers import MOST_VIEWERS, SILENT_AFTER_S, Viewers
from benchd.errors import Busy, Cancelled, LinkLost, OrderRefused, UnknownId, UserError


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
        found.viewers.here(viewer, clock.now_s)
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


def test_a_here_that_lay_about_counts_from_when_its_viewer_was_there() -> None:
    """Read after 9 s, it keeps RF on for one more second and not for ten."""
    clock = Clock()
    found, viewer = look(clock)
    said_at = clock.now_s
    clock.now_s += SILENT_AFTER_S - 1.0
    found.viewers.here(viewer, said_at)
    assert found.goes_on()
    clock.now_s += 1.0
    assert not found.goes_on()


def test_a_here_without_a_tick_counts_from_the_answer_before() -> None:
    """Who waits for each answer cannot have said it before that."""
    clock = Clock()
    found, viewer = look(clock)
    for _ in range(5):
        clock.now_s += 4.0
        found.viewers.here(viewer)
        assert found.goes_on()
    clock.now_s += SILENT_AFTER_S - 4.0
    assert not found.goes_on()


def test_one_that_joins_by_an_order_that_lay_about_is_turned_away() -> None:
    clock = Clock()
    viewers = Viewers(clock)
    viewers.join(clock.now_s - SILENT_AFTER_S + 1.0)
    assert viewers.count() == 1
    with pytest.raises(OrderRefused, match="came 12 s after it can have been sent"):
        viewers.join(clock.now_s - 12.0)
    clock.now_s += 1.0
    assert viewers.count() == 0


def test_a_tick_is_never_ahead_of_the_clock_and_none_of_the_future_is_taken() -> None:
    clock = Clock()
    ticks = Ticks(clock)
    clock.now_s += 1.2345
    assert ticks.now() == 1_001_234
    assert ticks.told_at_s(1_001_234) == pytest.approx(1001.234)
    assert ticks.told_at_s(None) is None
    with pytest.raises(UserError, match="tick 1001235 was never told"):
        ticks.told_at_s(1_001_235)


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
    found.viewers.here(viewer, clock.now_s)
    found.renew()
    clock.now_s += 8.0
    found.viewers.here(viewer, clock.now_s)
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
