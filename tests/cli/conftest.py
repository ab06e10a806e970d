"""A daemon's API over a fake desk, in a thread of its own, and `benchd` run against it."""

from __future__ import annotations

import asyncio
import importlib.util
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from benchd.cli import main
from benchd.web.server import open_socket, serve_http
from benchd.web.settings import HttpSettings

if "fake_desk" not in sys.modules:
    _SPEC = importlib.util.spec_from_file_location(
        "fake_desk", Path(__file__).parents[1] / "web" / "fake_desk.py"
    )
    assert _SPEC is not None
    assert _SPEC.loader is not None
    _MODULE = importlib.util.module_from_spec(_SPEC)
    sys.modules["fake_desk"] = _MODULE
    _SPEC.loader.exec_module(_MODULE)

import fake_desk


@dataclass
class Outcome:
    """What a command printed and how it ended."""

    code: int
    out: str
    err: str


class RunningApi:
    """The API in its own thread and event loop."""

    def __init__(self) -> None:
        self.desk: Any = None
        self.url = ""
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()), daemon=True)

    async def _serve(self) -> None:
        self.loop = asyncio.get_running_loop()
        self.desk = fake_desk.FakeDesk()
        settings = HttpSettings(port=0)
        listener = open_socket(settings)
        self.url = f"http://127.0.0.1:{listener.getsockname()[1]}"
        ready = asyncio.Event()
        self._task = asyncio.create_task(serve_http(self.desk, settings, ready, listener=listener))
        await ready.wait()
        self._ready.set()
        await asyncio.wait({self._task})

    def start(self) -> None:
        self._thread.start()
        assert self._ready.wait(10)

    def stop(self) -> None:
        self.loop.call_soon_threadsafe(self._task.cancel)
        self._thread.join(10)

    def run(self, coroutine: Any) -> Any:
        """Run a coroutine in the API's loop and wait for it."""
        return self.later(coroutine).result(10)

    def later(self, coroutine: Any) -> Future[Any]:
        """Run a coroutine in the API's loop."""
        return asyncio.run_coroutine_threadsafe(coroutine, self.loop)


@pytest.fixture
def fakes() -> Any:
    return fake_desk


@pytest.fixture
def api() -> Iterator[RunningApi]:
    running = RunningApi()
    running.start()
    yield running
    running.stop()


@pytest.fixture
def benchd(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Callable[..., Outcome]:
    """Run one command line in this process; with `api=`, against that API."""
    for name in ("BENCHD_DAEMON", "BENCHD_TOKEN", "NO_COLOR", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)

    def run(*arguments: str, api: RunningApi | None = None) -> Outcome:
        if api is not None:
            monkeypatch.setenv("BENCHD_DAEMON", api.url)
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main(arguments)
        captured = capsys.readouterr()
        code = ended.value.code
        return Outcome(code if isinstance(code, int) else 0, captured.out, captured.err)

    return run
