"""The live view: what watchers get, in what order, and what becomes of slow ones."""

from __future__ import annotations

import asyncio

from benchd.engine.events import QUEUE_LIMIT, Event, EventHub


async def take(hub: EventHub, count: int, after: int | None = None) -> list[Event]:
    found = []
    async for event in hub.watch(after):
        found.append(event)
        if len(found) == count:
            break
    return found


async def test_a_watcher_sees_what_is_published_after_it_came() -> None:
    hub = EventHub()
    hub.publish("job", {"n": 0})
    watching = asyncio.create_task(take(hub, 2))
    await asyncio.sleep(0)
    hub.publish("job", {"n": 1})
    hub.publish("step", {"n": 2})
    assert await watching == [Event(2, "job", {"n": 1}), Event(3, "step", {"n": 2})]


async def test_a_watcher_that_comes_back_gets_what_it_missed() -> None:
    hub = EventHub()
    for number in range(5):
        hub.publish("job", {"n": number})
    assert [event.sequence for event in await take(hub, 3, after=2)] == [3, 4, 5]


async def test_a_sequence_from_before_a_restart_gets_all_that_is_kept() -> None:
    hub = EventHub()
    hub.publish("job", {})
    assert [event.sequence for event in await take(hub, 1, after=99)] == [1]


async def test_a_watcher_that_does_not_keep_up_is_cut_off_instead_of_growing() -> None:
    hub = EventHub()
    watcher = hub.watch()
    first = asyncio.ensure_future(anext(watcher))
    await asyncio.sleep(0)
    for number in range(QUEUE_LIMIT + 10):
        hub.publish("progress", {"n": number})
    assert (await first).sequence == 1
    rest = [event.sequence async for event in watcher]
    assert rest[0] == 2
    assert len(rest) <= QUEUE_LIMIT


async def test_closing_ends_every_watcher() -> None:
    hub = EventHub()
    watching = asyncio.create_task(take(hub, 10))
    await asyncio.sleep(0)
    hub.publish("job", {})
    hub.close()
    assert [event.kind for event in await watching] == ["job"]
