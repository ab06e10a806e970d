"""Is the daemon alive? It says so to systemd, and ends by itself where its bench thread is not.

A bench thread that hangs cannot switch RF off, nor can anything in this process: its sessions
belong to that thread. So a process of its own does it (`benchd rf-off`), which needs nothing of
this one; then the daemon ends the hard way, since a thread that hangs can be waited for in vain
only. Whoever starts it again (systemd does) finds RF off and the store whole.

An event loop that hangs cannot say anything. Then systemd misses its sign of life, ends the
daemon, and runs `benchd rf-off` after it.
"""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import NoReturn

import structlog

from benchd.engine.hang_detector import TICK_S, HangDetector, Pulse
from benchd.engine.rfwatch import RfWatch
from benchd.service.systemd import Notifier

_log = structlog.get_logger(__name__)

WATCHDOG_SHARE = 3
"""Signs of life within the time that systemd allows between two."""

SILENT_TICKS = 5
"""A bench thread that has been silent for so long gives no sign of life."""

HELPER_WITHIN_S = 20.0
TOLD_WITHIN_S = 2.0
"""Time for subscribers and `health` to tell of it, before the daemon ends."""

HANG_STATUS = 1
RF_STATUS = 3


@asynccontextmanager
async def living(
    notifier: Notifier, pulse: Pulse, rf: RfWatch, sources: list[str], helper: list[str]
) -> AsyncIterator[HangDetector]:
    """Watch over the bench thread, and tell systemd, for as long as anything uses the thread.

    sources: names of the instruments that can radiate. helper: as `rf_off_command` gives it.
    """
    monitor = HangDetector(pulse)
    tasks = [
        asyncio.create_task(work, name=name)
        for name, work in (
            ("hang", end_where_it_hangs(monitor, rf, sources, helper)),
            ("signs of life", show_life(notifier, monitor)),
            ("status", tell_rf(notifier, rf)),
        )
    ]
    try:
        yield monitor
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.wait(tasks)


async def show_life(notifier: Notifier, monitor: HangDetector) -> None:
    """Tell systemd again and again that event loop and bench thread go on; for ever."""
    if notifier.watchdog_s is None:
        return
    pause_s = min(TICK_S, notifier.watchdog_s / WATCHDOG_SHARE)
    while True:
        if monitor.silent_ticks < SILENT_TICKS:
            notifier.alive()
        await asyncio.sleep(pause_s)


async def tell_rf(notifier: Notifier, rf: RfWatch) -> None:
    """Keep the line of `systemctl status` true; for ever."""
    loop, news = asyncio.get_running_loop(), asyncio.Event()

    def changed() -> None:
        # The loop may have closed while the bench thread was still at work.
        with suppress(RuntimeError):
            loop.call_soon_threadsafe(news.set)

    stop_listening = rf.listen(changed)
    try:
        while True:
            await news.wait()
            news.clear()
            notifier.status(rf.now.message)
    finally:
        stop_listening()


async def end_where_it_hangs(
    monitor: HangDetector,
    rf: RfWatch,
    sources: list[str],
    helper: list[str],
    end: Callable[[int], NoReturn] = os._exit,
) -> None:
    """Wait until the bench thread hangs; then RF off by a process of its own, and the end."""
    await monitor.until_it_hangs()
    _log.critical("the bench thread hangs; RF goes off by another process, then benchd ends")
    rf.not_verified(sources, "the bench thread hangs, so that benchd cannot speak to the source")
    is_off = await rf_off_by(helper)
    if is_off:
        rf.off_verified(sources)
    await asyncio.sleep(TOLD_WITHIN_S)
    end(HANG_STATUS if is_off else RF_STATUS)


def rf_off_command(data: Path) -> list[str]:
    """The command that switches off all sources on record, needing nothing of this process.

    A source is on record, in the folder of the database, before RF first goes on.
    """
    return [sys.executable, "-m", "benchd", "rf-off", "--data", str(data)]


async def rf_off_by(helper: list[str]) -> bool:
    """Run the command; returns whether every source said that it is off."""
    try:
        process = await asyncio.create_subprocess_exec(
            *helper,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        async with asyncio.timeout(HELPER_WITHIN_S):
            said, _ = await process.communicate()
    except (OSError, TimeoutError) as error:
        _log.critical("RF off by another process failed: switch it off by hand", error=repr(error))
        return False
    is_off = process.returncode == 0
    (_log.warning if is_off else _log.critical)(
        "RF off by another process", verified=is_off, said=said.decode(errors="replace").strip()
    )
    return is_off
