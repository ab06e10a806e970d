"""Server-sent events: in order, without loss over a reconnection, and ended cleanly."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest

from benchd.web.events import _Taken
from tests.patience import PATIENCE_S

JOB = "job-0000000000000001"


async def _events(answer: httpx.Response) -> AsyncIterator[tuple[int, str, Any]]:
    """Events as a browser reads them (WHATWG HTML, 9.2.6): fields, then an empty line."""
    fields: dict[str, str] = {}
    async for line in answer.aiter_lines():
        if line:
            name, _, value = line.partition(": ")
            fields[name] = value
        elif "data" in fields:
            yield int(fields["id"]), fields["event"], json.loads(fields["data"])
            fields = {}
        else:
            fields = {}


async def _take(answer: httpx.Response, count: int) -> list[tuple[int, str, Any]]:
    taken: list[tuple[int, str, Any]] = []
    async with asyncio.timeout(PATIENCE_S):
        async for event in _events(answer):
            taken.append(event)
            if len(taken) == count:
                break
    return taken


async def _until(condition: Any) -> None:
    async with asyncio.timeout(PATIENCE_S):
        while not condition():
            await asyncio.sleep(0.01)


async def test_events_arrive_as_they_happen(api: Any) -> None:
    api.desk.add(JOB)
    async with api.client.stream("GET", "/api/events") as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        await _until(lambda: api.desk.watching == 1)
        await api.desk.move(JOB, "running")
        await api.desk.say("progress", {"job": JOB, "done": 3, "total": 51})
        assert await _take(answer, 2) == [
            (1, "job", {"job": JOB, "state": "running", "message": ""}),
            (2, "progress", {"job": JOB, "done": 3, "total": 51}),
        ]


async def test_a_client_that_comes_back_misses_nothing_and_sees_nothing_twice(api: Any) -> None:
    seen: list[int] = []
    for number in range(1, 301):
        await api.desk.say("progress", {"done": number})
        if number % 60 == 0:  # the connection is dropped and taken up again five times
            last = {"last-event-id": str(seen[-1] if seen else 0)}
            async with api.client.stream("GET", "/api/events", headers=last) as answer:
                seen += [event[0] for event in await _take(answer, 40)]
    async with api.client.stream("GET", f"/api/events?after={seen[-1]}") as answer:
        seen += [event[0] for event in await _take(answer, 300 - len(seen))]
    assert seen == list(range(1, 301))


async def test_a_line_break_inside_an_event_cannot_forge_another(api: Any) -> None:
    await api.desk.say("job", {"message": "first\n\nevent: rf\ndata: {}\r\u2028\n"})
    await api.desk.say("job", {"message": "second"})
    async with api.client.stream("GET", "/api/events?after=0") as answer:
        assert [(kind, data["message"]) for _, kind, data in await _take(answer, 2)] == [
            ("job", "first\n\nevent: rf\ndata: {}\r\u2028\n"),
            ("job", "second"),
        ]


async def test_a_silent_stream_is_kept_alive_by_comments(start: Any) -> None:
    api = await start(keep_alive_s=0.02)
    async with api.client.stream("GET", "/api/events") as answer:
        lines = answer.aiter_lines()
        async with asyncio.timeout(PATIENCE_S):
            first = [await anext(lines) for _ in range(5)]
    assert first == ["retry: 1000", "", ": still here", "", ": still here"]


async def test_events_that_follow_one_another_are_sent_together(
    api: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchd.web.events.GATHER_S", 0.5)
    async with api.client.stream("GET", "/api/events") as answer:
        await _until(lambda: api.desk.watching == 1)
        pieces = answer.aiter_bytes()
        async with asyncio.timeout(PATIENCE_S):
            assert await anext(pieces) == b"retry: 1000\n\n"
            await api.desk.say("job", {"message": "at once"})
            assert (await anext(pieces)).count(b"event: ") == 1
            for number in range(20):
                await api.desk.say("progress", {"done": number})
            together = await anext(pieces)
    assert together.count(b"event: progress") == 20
    assert together.index(b'"done": 0}') < together.index(b'"done": 19}')


async def test_a_reader_that_does_not_read_holds_a_limited_number_of_events() -> None:
    given = 0

    async def source() -> AsyncIterator[int]:
        nonlocal given
        for given in range(1, 1000):
            yield given

    taken = _Taken(source(), 5)
    await asyncio.sleep(0.05)
    assert given == 5
    assert taken.all() == [1, 2, 3, 4, 5]
    await asyncio.sleep(0.05)
    assert (given, taken.all()) == (10, [6, 7, 8, 9, 10])
    taken.task.cancel()


@pytest.mark.parametrize("text", ["abc", "-1", "1.5", "9" * 40, "٣"])
async def test_a_last_id_that_is_no_number_is_refused(api: Any, text: str) -> None:
    answer = await api.client.get("/api/events", params={"after": text})
    assert (answer.status_code, answer.json()) == (
        400,
        {
            "family": "wrong-input",
            "where": "after",
            "message": "the id of the last event seen must be a whole number.",
            "advice": "",
        },
    )


async def test_streams_beyond_the_limit_are_refused_until_one_closes(start: Any) -> None:
    api = await start(stream_limit=2)
    async with api.client.stream("GET", "/api/events"):
        async with api.client.stream("GET", "/api/events"):
            await _until(lambda: api.desk.watching == 2)
            refused = await api.client.get("/api/events")
            assert (refused.status_code, refused.json()["message"]) == (
                409,
                "2 event streams are open already.",
            )
        await _until(lambda: api.desk.watching == 1)
        async with api.client.stream("GET", "/api/events") as again:
            assert again.status_code == 200


async def test_a_client_that_goes_away_leaves_no_watcher_behind(api: Any) -> None:
    async with api.client.stream("GET", "/api/events"):
        await _until(lambda: api.desk.watching == 1)
    await _until(lambda: api.desk.watching == 0)


async def test_stopping_the_server_ends_open_streams_and_frees_the_port(api: Any) -> None:
    async with api.client.stream("GET", "/api/events") as answer:
        await _until(lambda: api.desk.watching == 1)
        api.task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await api.task
        async with asyncio.timeout(PATIENCE_S):
            assert [line async for line in answer.aiter_lines()] == ["retry: 1000", ""]
    assert api.desk.watching == 0
    reader = asyncio.open_connection("127.0.0.1", api.port)
    with pytest.raises(ConnectionRefusedError):
        await reader
