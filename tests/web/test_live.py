"""The live look over HTTP: who is let in, and how much of it there can be."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from typing import Any

import httpx
import pytest

from benchd.engine.livelook.telling import Told
from benchd.errors import Busy, OrderRefused, UnknownId

TOKEN = "a-token-that-is-long-enough"
VIEWER = "viewer-" + "a" * 32
ORDERS = [
    ("POST", "/api/live/prepare", {"what": "dipole r3"}),
    ("POST", "/api/live", {"worksheet": "0" * 64}),
    ("POST", "/api/live/join", None),
    ("POST", "/api/live/here", {"viewer": VIEWER}),
    ("GET", "/api/live/tick", None),
    ("POST", "/api/live/renew", None),
    ("POST", "/api/live/keep", {}),
    ("GET", "/api/live", None),
    ("GET", "/api/live/stream", None),
    ("DELETE", "/api/live", None),
]


class FakeLooks:
    """Notes what it is asked for."""

    def __init__(self) -> None:
        self.orders: list[str] = []
        self.heres = 0
        self.seen: list[int | None] = []

    async def prepare(self, what: str | None, arguments: dict[str, str]) -> Any:
        self.orders.append("prepare")
        raise OrderRefused("no baseline fits")

    def tick(self) -> int:
        return 1234

    async def start(self, digest: str, seen: int | None = None) -> str:
        self.seen.append(seen)
        self.orders.append(f"start {digest}")
        return VIEWER

    def document(self) -> dict[str, Any]:
        self.orders.append("document")
        return {"state": "on"}

    def join(self, seen: int | None = None) -> str:
        self.seen.append(seen)
        self.orders.append("join")
        raise Busy("20 viewers look already")

    def here(self, viewer: str, seen: int | None = None) -> dict[str, Any]:
        self.heres += 1
        self.seen.append(seen)
        if viewer != VIEWER:
            raise UnknownId("this viewer is not known.")
        return {"state": "on"}

    def renew(self) -> dict[str, Any]:
        self.orders.append("renew")
        return {"state": "on"}

    def end(self) -> dict[str, Any]:
        self.orders.append("end")
        return {"state": "on"}

    def leave(self, viewer: str) -> dict[str, Any]:
        self.orders.append(f"leave {viewer}")
        return {"state": "on"}

    async def watch(self) -> AsyncIterator[Told]:
        yield Told("look", {"state": "on"})
        yield Told("sweep", {"number": 1, "values": [1.0]})
        yield Told("ended", {"state": "ended"})


@pytest.fixture
async def looked(api: Any) -> Any:
    api.desk.looks = FakeLooks()
    return api


async def test_without_the_token_nothing_of_a_live_look_is_answered(
    start: Callable[..., Any],
) -> None:
    api = await start(token=TOKEN)
    api.desk.looks = FakeLooks()
    for method, path, body in ORDERS:
        for headers in ({}, {"authorization": "Bearer guessed"}):
            async with httpx.AsyncClient(base_url=api.client.base_url, trust_env=False) as guest:
                answer = await guest.request(method, path, json=body, headers=headers)
                assert answer.status_code == 401, (method, path)
    assert api.desk.looks.orders == []
    assert api.desk.looks.heres == 0


async def test_the_stream_is_of_its_own_kind_and_ends_with_the_look(looked: Any) -> None:
    answer = await looked.client.get("/api/live/stream")
    assert answer.headers["content-type"].startswith("text/event-stream")
    blocks = answer.text.split("\n\n")
    assert blocks[1:4] == [
        'event: look\ndata: {"state": "on"}',
        'event: sweep\ndata: {"number": 1, "values": [1.0]}',
        'event: ended\ndata: {"state": "ended"}',
    ]


async def test_an_order_goes_where_it_belongs(looked: Any) -> None:
    client, orders = looked.client, looked.desk.looks.orders
    digest = "0123456789abcdef" * 4
    started = await client.post("/api/live", json={"worksheet": digest})
    assert (started.status_code, started.json()["viewer"]) == (201, VIEWER)
    assert (await client.post("/api/live/renew")).status_code == 200
    assert (await client.delete("/api/live", params={"viewer": VIEWER})).status_code == 200
    assert (await client.delete("/api/live")).status_code == 200
    assert [one for one in orders if one != "document"] == [
        f"start {digest}", "renew", f"leave {VIEWER}", "end",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("method", "path", "body", "status"),
    [
        ("POST", "/api/live", {"worksheet": "../../etc"}, 422),
        ("POST", "/api/live", {}, 422),
        ("POST", "/api/live/here", {"viewer": "me"}, 422),
        ("POST", "/api/live/here", {"viewer": "viewer-" + "b" * 32}, 404),
        ("POST", "/api/live/here", {"viewer": VIEWER, "seen": -1}, 422),
        ("POST", "/api/live/here", {"viewer": VIEWER, "seen": 1.5}, 422),
        ("POST", "/api/live/here", {"viewer": VIEWER, "seen": "1"}, 422),
        ("POST", "/api/live/join", {"seen": 2**60}, 422),
        ("POST", "/api/live/keep", {"sweep": 0}, 422),
        ("POST", "/api/live/keep", {"sweep": "1"}, 422),
        ("POST", "/api/live/prepare", {"what": "dipole", "arguments": {"span": "1\n2"}}, 422),
        ("POST", "/api/live/prepare", {"what": "dipole", "span": "1 GHz"}, 422),
        ("POST", "/api/live/prepare", {"what": "dipole"}, 409),
        ("POST", "/api/live/join", None, 503),
        ("DELETE", "/api/live?viewer=me", None, 422),
    ],
)
async def test_what_is_wrong_is_turned_away(
    looked: Any, method: str, path: str, body: Any, status: int
) -> None:
    answer = await looked.client.request(method, path, json=body)
    assert answer.status_code == status, answer.text
    assert set(answer.json()) >= {"family", "where", "message", "advice"}


async def test_the_tick_that_a_viewer_saw_goes_with_its_orders(looked: Any) -> None:
    client = looked.client
    tick = (await client.get("/api/live/tick")).json()["tick"]
    await client.post("/api/live", json={"worksheet": "0" * 64, "seen": tick})
    await client.post("/api/live/join", json={"seen": tick})
    await client.post("/api/live/here", json={"viewer": VIEWER, "seen": tick})
    await client.post("/api/live/here", json={"viewer": VIEWER})
    assert looked.desk.looks.seen == [1234, 1234, 1234, None]


async def test_a_flood_of_heres_keeps_nobody_from_leaving(start: Callable[..., Any]) -> None:
    """Where every place for requests is taken, leaving has room of its own, as withdrawing has."""
    api = await start(request_limit=1, reserve=1)
    api.desk.looks = FakeLooks()
    api.desk.gate = asyncio.Event()
    waiting = asyncio.create_task(api.client.get("/api/recipes"))
    while not api.desk.held:
        await asyncio.sleep(0.01)
    refused = await api.client.post("/api/live/here", json={"viewer": VIEWER})
    assert refused.status_code == 503
    assert (await api.client.delete("/api/live")).status_code == 200
    api.desk.gate.set()
    await waiting
    assert api.desk.looks.orders == ["end"]


async def test_streams_of_a_look_count_among_the_streams(start: Callable[..., Any]) -> None:
    api = await start(stream_limit=1)
    api.desk.looks = FakeLooks()
    async with api.client.stream("GET", "/api/events"):
        answer = await api.client.get("/api/live/stream")
        assert answer.status_code == 409
        assert "event streams are open already" in answer.json()["message"]
