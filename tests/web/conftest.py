"""A running API over a fake desk, on a real socket."""

from __future__ import annotations

import asyncio
import contextlib
import importlib.util
import sys
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from benchd.web.server import open_socket, serve_http
from benchd.web.settings import HttpSettings
from tests.patience import PATIENCE_S

_SPEC = importlib.util.spec_from_file_location(
    "fake_desk", Path(__file__).with_name("fake_desk.py")
)
assert _SPEC is not None
assert _SPEC.loader is not None
fake_desk = importlib.util.module_from_spec(_SPEC)
sys.modules["fake_desk"] = fake_desk
_SPEC.loader.exec_module(fake_desk)


@dataclass
class Api:
    desk: Any
    client: httpx.AsyncClient
    port: int
    task: asyncio.Task[None]


@pytest.fixture
def fakes() -> Any:
    return fake_desk


@pytest.fixture
async def start() -> AsyncIterator[Callable[..., Any]]:
    """Start an API; keyword arguments go to HttpSettings."""
    async with contextlib.AsyncExitStack() as stack:

        async def run(**settings: Any) -> Api:
            desk = fake_desk.FakeDesk()
            wanted = replace(HttpSettings(port=0), **settings)
            listener = open_socket(wanted)
            port = listener.getsockname()[1]
            ready = asyncio.Event()
            task = asyncio.create_task(serve_http(desk, wanted, ready, listener=listener))
            stack.push_async_callback(_stop, task)
            async with asyncio.timeout(PATIENCE_S):
                await ready.wait()
            headers = {"authorization": f"Bearer {wanted.token}"} if wanted.token else {}
            client = await stack.enter_async_context(
                httpx.AsyncClient(
                    base_url=f"http://127.0.0.1:{port}",
                    headers=headers,
                    timeout=PATIENCE_S,
                    trust_env=False,
                )
            )
            return Api(desk, client, port, task)

        yield run


async def _stop(task: asyncio.Task[None]) -> None:
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task


@pytest.fixture
async def api(start: Callable[..., Any]) -> Api:
    return await start()
