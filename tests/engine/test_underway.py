"""What a watcher is told of a running sweep, and what it costs nobody where none watches."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from benchd.engine.events import Event, EventHub
from benchd.engine.underway import SweepNews, Underway
from benchd.sweeps import SweepPlan
from benchd.worksheet import CaptureStep, WaitStep, Worksheet
from drivers.exchange import Progress, Taken

PLAN = SweepPlan(
    method="stepped", start_hz=1.6e9, stop_hz=1.8e9, points=5, level_dbm=-10.0,
    resolution_bandwidth_hz=1e4,
)  # fmt: skip


def capture(index: int = 1, expected_s: float = 8.0) -> CaptureStep:
    return CaptureStep(
        index=index, label="capture test", expected_s=expected_s, name="test", role="test",
        route="middle", position=None, antenna="dipole r3", sweep=PLAN, switching=(),
        source="generator", analyzer="analyzer", fixtures={}, levels=(),
    )  # fmt: skip


def worksheet() -> Worksheet:
    wait = WaitStep(index=0, label="wait", expected_s=100.0, duration_s=100.0)
    last = WaitStep(index=2, label="wait", expected_s=30.0, duration_s=30.0)
    return Worksheet(
        recipe="one", title="One", recipe_hash="a", bench="workshop", bench_hash="b",
        parameters={}, on_interrupt="resume", steps=(wait, capture(), last), cautions=(),
    )  # fmt: skip


@pytest.fixture
def ticking(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """A clock that a test sets."""
    now = [1000.0]
    monkeypatch.setattr("benchd.engine.underway.monotonic", lambda: now[0])
    return now


class Watcher:
    """Keeps the events that it is told."""

    def __init__(self, hub: EventHub) -> None:
        self.events: list[Event] = []
        self.task = asyncio.create_task(self._watch(hub))

    async def _watch(self, hub: EventHub) -> None:
        async for event in hub.watch():
            self.events.append(event)

    async def points(self) -> list[dict[str, Any]]:
        await asyncio.sleep(0.01)
        return [event.data for event in self.events if event.kind == "points"]


async def test_points_are_told_some_at_a_time_and_five_times_a_second_at_most(
    ticking: list[float],
) -> None:
    hub = EventHub()
    watcher = Watcher(hub)
    await asyncio.sleep(0.01)
    news = SweepNews(hub, "job-1", capture())
    news.begin()
    for number in range(1000):  # one second
        ticking[0] += 0.001
        news(Progress(number, 1001, taken=Taken([1.6e9 + number], [-30.0])))
    news(Progress(1001, 1001))
    points = await watcher.points()
    assert len(points) <= 7
    assert [one["first"] for one in points] == [
        sum(len(before["level_dbm"]) for before in points[:place]) for place in range(len(points))
    ]
    assert [f for one in points for f in one["frequency_hz"]] == [1.6e9 + n for n in range(1000)]
    assert {one["job"] for one in points} == {"job-1"}
    document = news.document()
    assert document["frequency_hz"] == [1.6e9 + n for n in range(1000)]
    assert (document["done"], document["total"], document["antenna"]) == (1001, 1001, "dipole r3")
    watcher.task.cancel()


async def test_points_are_not_kept_among_the_events_and_not_made_where_nobody_watches(
    ticking: list[float],
) -> None:
    hub = EventHub()
    news = SweepNews(hub, "job-1", capture())
    for number in range(10):
        ticking[0] += 1.0
        news(Progress(number, 10, taken=Taken([1.6e9 + number], [-30.0])))
    await asyncio.sleep(0.01)
    assert {event.kind for event in hub._kept} == {"progress"}

    watcher = Watcher(hub)
    await asyncio.sleep(0.01)
    news(Progress(10, 10, taken=Taken([1.7e9], [-31.0])))
    (points,) = await watcher.points()
    assert (points["first"], len(points["level_dbm"])) == (0, 11)
    assert {event.kind for event in hub._kept} == {"progress"}
    watcher.task.cancel()


async def test_a_sweep_that_begins_again_begins_its_points_again(ticking: list[float]) -> None:
    hub = EventHub()
    watcher = Watcher(hub)
    await asyncio.sleep(0.01)
    news = SweepNews(hub, "job-1", capture())
    for first in (1.6e9, 1.7e9):
        news.begin()
        ticking[0] += 1.0
        news(Progress(0, 5, taken=Taken([first], [-30.0])))
    assert [(one["first"], one["frequency_hz"]) for one in await watcher.points()] == [
        (0, [1.6e9]), (0, [1.7e9]),
    ]  # fmt: skip
    watcher.task.cancel()


async def test_a_trace_read_as_a_whole_replaces_the_one_before_and_is_thinned(
    ticking: list[float],
) -> None:
    hub = EventHub()
    watcher = Watcher(hub)
    await asyncio.sleep(0.01)
    news = SweepNews(hub, "job-1", capture())
    for level in (-30.0, -31.0):
        ticking[0] += 1.0
        axis = [1.6e9 + number for number in range(10_000)]
        news(Progress(1, 3, taken=Taken(axis, [level] * len(axis), is_all=True)))
    first, second = await watcher.points()
    assert (first["first"], second["first"]) == (0, 0)
    assert set(second["level_dbm"]) == {-31.0}
    assert 1000 < len(second["level_dbm"]) <= 2001
    watcher.task.cancel()


async def test_time_left_follows_the_worksheet_and_then_the_sweeps_own_pace(
    ticking: list[float],
) -> None:
    underway = Underway(EventHub())
    assert underway.document() == {"step": None, "left_s": None, "sweep": None}
    underway.begin_job(worksheet())
    ticking[0] += 10.0
    assert underway.document()["left_s"] == 90.0 + 8.0 + 30.0
    assert underway.document()["step"] == {
        "index": 0, "steps": 3, "kind": "wait", "label": "wait",
    }  # fmt: skip
    underway.begin_step(1)
    news = underway.begin_sweep("job-1", capture())
    news.begin()
    assert underway.document()["left_s"] == 8.0 + 30.0
    ticking[0] += 10.0  # it takes longer than expected
    news(Progress(1, 4))
    assert underway.document()["left_s"] == 30.0 + 30.0
    underway.begin_step(2)
    assert underway.document()["left_s"] == 30.0
    underway.end_job()
    assert underway.document()["step"] is None
