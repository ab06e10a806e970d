"""Clients that keep connections without using them lock nobody out, least of all a withdrawal."""

from __future__ import annotations

import asyncio
import socket
from contextlib import AsyncExitStack, suppress
from typing import Any

import httpx
import pytest

from tests.patience import PATIENCE_S

JOB = "job-0000000000000001"
HEAD = b"POST /api/jobs HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"


class Crowd:
    """Connections that were opened and are kept."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.sockets: list[socket.socket] = []

    def join(self, count: int, first_words: bytes) -> None:
        for _ in range(count):
            one = socket.create_connection(("127.0.0.1", self.port), timeout=PATIENCE_S)
            if first_words:
                with suppress(ConnectionError):
                    one.sendall(first_words)
            self.sockets.append(one)

    def leave(self) -> None:
        for one in self.sockets:
            one.close()


async def _with_crowd(api: Any, count: int, first_words: bytes) -> Crowd:
    crowd = Crowd(api.port)
    await asyncio.to_thread(crowd.join, count, first_words)
    return crowd


@pytest.mark.parametrize(
    "first_words",
    [
        b"",
        b"GET /api/hea",
        b"GET /api/health HTTP/1.1\r\nHost: localhost\r\nX-Slow: ",
        HEAD + b"Content-Length: 10\r\n\r\n",
        HEAD + b"Content-Length: 10\r\n\r\nab",
        HEAD + b"Transfer-Encoding: chunked\r\n\r\n5\r\nab",
    ],
    ids=["idle", "half a line", "half a header", "no body", "half a body", "half a chunk"],
)
async def test_a_crowd_that_asks_nothing_keeps_no_order_out(start: Any, first_words: bytes) -> None:
    """More connections than the API takes, all half-sent; then health, a withdrawal and a job."""
    api = await start()
    api.desk.add(JOB)
    crowd = await _with_crowd(api, 450, first_words)
    try:
        async with httpx.AsyncClient(base_url=str(api.client.base_url), trust_env=False) as late:
            late.timeout = PATIENCE_S
            assert (await late.get("/api/health")).status_code == 200
            assert (await late.post(f"/api/jobs/{JOB}/withdraw")).status_code == 200
            assert (await late.get("/api/jobs")).json()[0]["state"] == "withdrawn"
    finally:
        crowd.leave()


async def _dripped(port: int, first: bytes, drops: bytes) -> bytes:
    """What is answered to bytes that come one by one, read while they are sent."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)

    async def drip() -> None:
        with suppress(ConnectionError):
            writer.write(first)
            for byte in drops:
                writer.write(bytes([byte]))
                await writer.drain()
                await asyncio.sleep(0.01)

    dripping = asyncio.create_task(drip())
    async with asyncio.timeout(PATIENCE_S):
        answer = await reader.read(1 << 16)
    dripping.cancel()
    await asyncio.wait({dripping})
    writer.close()
    return answer


async def test_half_a_request_is_ended_after_its_time(start: Any) -> None:
    """Also where it drips: each byte comes in time, the whole does not."""
    api = await start(header_timeout_s=0.3)
    answer = await _dripped(api.port, b"GET /api/health HTTP/1.1\r\nX-Slow: ", b"x" * 15_000)
    assert answer.startswith(b"HTTP/1.1 408 ")
    head, _, body = answer.partition(b"\r\n\r\n")
    assert f"content-length: {len(body)}".encode() in head
    assert b'"message": "the request did not arrive in time."' in body


async def test_a_body_that_drips_is_ended_after_its_time(start: Any) -> None:
    api = await start(body_timeout_s=0.3)
    answer = await _dripped(api.port, HEAD + b"Content-Length: 100000\r\n\r\n", b"x" * 50_000)
    assert answer.startswith(b"HTTP/1.1 408 ")


async def test_a_client_that_does_not_read_its_answer_is_ended(start: Any) -> None:
    """It asks over and over and reads nothing, until nothing more goes into the pipe."""
    api = await start(write_timeout_s=0.3, body_limit_bytes=1 << 20)
    request = b"GET /api/openapi.json HTTP/1.1\r\nHost: localhost\r\n\r\n" * 2000
    client = socket.create_connection(("127.0.0.1", api.port), timeout=PATIENCE_S)
    client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)

    def ask_for_ever() -> bool:
        with suppress(ConnectionError):
            while True:
                client.sendall(request)
        return True

    async with asyncio.timeout(PATIENCE_S):
        assert await asyncio.to_thread(ask_for_ever)
    client.close()
    assert (await api.client.get("/api/health")).status_code == 200


async def test_pipelined_requests_are_answered_in_order(api: Any) -> None:
    asked = b"GET /api/health HTTP/1.1\r\nHost: localhost\r\n\r\n"
    last = b"GET /nowhere HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"
    reader, writer = await asyncio.open_connection("127.0.0.1", api.port)
    writer.write(asked * 50 + last)
    async with asyncio.timeout(PATIENCE_S):
        answer = await reader.read()
    writer.close()
    assert answer.count(b"HTTP/1.1 200 OK") == 50
    assert answer.rpartition(b"HTTP/1.1 ")[2].startswith(b"404 ")


async def test_where_all_are_being_answered_safer_orders_have_room_of_their_own(
    start: Any,
) -> None:
    api = await start(request_limit=3, reserve=2)
    api.desk.add(JOB)
    api.desk.gate = asyncio.Event()
    slow = [asyncio.create_task(api.client.get("/api/recipes")) for _ in range(3)]
    async with asyncio.timeout(PATIENCE_S):
        while api.desk.held < 3:
            await asyncio.sleep(0.005)
    refused = await api.client.get("/api/jobs")
    assert (refused.status_code, refused.headers["retry-after"]) == (503, "1")
    assert refused.json()["message"] == "3 requests are being answered."
    assert (await api.client.get("/api/health")).status_code == 200
    assert (await api.client.post(f"/api/jobs/{JOB}/withdraw")).status_code == 200
    api.desk.gate.set()
    assert [(await answer).status_code for answer in slow] == [200] * 3
    assert (await api.client.get("/api/jobs")).status_code == 200


async def test_streams_that_come_together_do_not_all_find_the_last_place_free(start: Any) -> None:
    api = await start(stream_limit=3)
    async with AsyncExitStack() as stack:

        async def one() -> int:
            answer = await stack.enter_async_context(
                api.client.stream("GET", "/api/events", timeout=PATIENCE_S)
            )
            return int(answer.status_code)

        codes = await asyncio.gather(*(one() for _ in range(20)))
    assert sorted(codes) == [200] * 3 + [409] * 17
    async with asyncio.timeout(PATIENCE_S):
        while True:  # every place is given back
            async with api.client.stream("GET", "/api/events") as answer:
                if answer.status_code == 200:
                    break


async def test_many_header_lines_are_refused(api: Any) -> None:
    lines = b"".join(b"X-%d: 1\r\n" % number for number in range(1000))
    reader, writer = await asyncio.open_connection("127.0.0.1", api.port)
    with suppress(ConnectionError):
        head = b"GET /api/health HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n"
        writer.write(head + lines + b"\r\n")
        await writer.drain()
    async with asyncio.timeout(PATIENCE_S):
        answer = await reader.read()
    writer.close()
    assert answer.startswith(b"HTTP/1.1 431 ")


@pytest.mark.parametrize("method", ["HEAD", "OPTIONS", "PUT", "PATCH", "TRACE", "BREW"])
async def test_other_methods_are_explained_and_change_nothing(api: Any, method: str) -> None:
    api.desk.add(JOB)
    answer = await api.client.request(method, f"/api/jobs/{JOB}/withdraw")
    assert (answer.status_code, api.desk.rows[JOB].state) == (405, "waiting")
