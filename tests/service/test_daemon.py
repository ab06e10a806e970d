"""Parts of the daemon that no instrument is needed for."""

from __future__ import annotations

import asyncio
import errno
import os
import socket
from pathlib import Path
from typing import Any

import pytest

from benchd.service import daemon, publishing
from benchd.store import StoreFull
from tests.patience import PATIENCE_S


async def test_a_fault_in_publishing_begins_again_with_a_fresh_pump(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(publishing, "AGAIN_S", 0.01)
    made: list[bool] = []
    again = asyncio.Event()

    class Pump:
        def __init__(self, *_: Any, restate: bool, **__: Any) -> None:
            made.append(restate)

        async def run(self) -> None:
            if len(made) == 1:
                raise ZeroDivisionError("a fault in benchd")
            again.set()
            await asyncio.Event().wait()

    monkeypatch.setattr(publishing, "Pump", Pump)
    nothing: Any = None
    task = asyncio.create_task(
        publishing.Publishing(nothing, "", nothing).run(nothing, nothing, True)
    )
    async with asyncio.timeout(PATIENCE_S):
        await again.wait()
    assert made == [True, True]
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


def test_a_claim_on_a_full_disk_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: Any) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(daemon, "BenchLock", full)
    with pytest.raises(StoreFull, match=r"cannot be claimed: No space left on device\. Free some"):
        daemon._claimed(tmp_path / "benchd.sqlite", "workshop")


@pytest.mark.parametrize(
    ("url", "address"),
    [
        ("http://127.0.0.1:8520", "http://127.0.0.1:8520/"),
        ("http://0.0.0.0:8520", f"http://{socket.gethostname()}:8520/"),
        ("http://[::]:8520", f"http://{socket.gethostname()}:8520/"),
    ],
)
def test_the_page_is_named_by_an_address_that_a_browser_can_open(url: str, address: str) -> None:
    assert daemon.page_address(url) == address
