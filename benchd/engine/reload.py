"""Reading bench file and register again when they have changed.

New antennas are available at once: they are only data, and a job keeps those it was queued with.
All other changes wait until no job runs. Instruments whose description has changed are switched off
if they radiate, and are connected to again. If a file cannot be read, or a change cannot be carried
out, everything stays as it was, and the reason is shown until it is mended.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import Any

import structlog

from benchd.bench import Bench
from benchd.bench.bench import BenchText, read_bench
from benchd.bench.register import ENDINGS, register_places
from benchd.engine.benchthread import BenchThread
from benchd.engine.current_bench import CurrentBench
from benchd.engine.rig import Rig
from benchd.engine.workthread import WorkThread
from benchd.errors import BenchdError, BenchFileError, Problem

_log = structlog.get_logger(__name__)

READING_LIMIT_S = 5.0

Signature = tuple[Any, ...]


class Reload:
    """Watches the files of one bench. Used on the event loop.

    addresses: instrument -> resource string, used instead of the address in the bench file.
    claim: reserves the addresses of a bench for this daemon; raises BenchdError if another daemon
        has reserved one. let_go: releases addresses that the new description does not need any
        more. Both run on the bench thread.
    """

    def __init__(
        self,
        bench: CurrentBench,
        file: Path,
        *,
        addresses: Mapping[str, str],
        rig: Rig,
        bench_thread: BenchThread,
        claim: Callable[[Bench], None],
        let_go: Callable[[Bench, Bench], None],
        on_change: Callable[[Bench], None] = lambda bench: None,
    ) -> None:
        self._bench = bench
        self._file = file
        self._addresses = addresses
        self._rig = rig
        self._thread = bench_thread
        self._claim = claim
        self._let_go = let_go
        self._on_change = on_change
        self._room = WorkThread("reading the bench file", limit_s=READING_LIMIT_S)
        self._looking = asyncio.Lock()
        self._free = asyncio.Lock()
        self._tasks: set[asyncio.Task[None]] = set()
        self._seen: Signature | None = None

    @asynccontextmanager
    async def held(self) -> AsyncIterator[None]:
        """While this context is open a job runs, and the instruments are not changed."""
        async with self._free:
            yield

    async def look(self) -> None:
        """Apply what has changed, as far as is allowed now. Raises nothing for a bad file.

        A caller with a time limit may give up waiting. The work on the bench thread then continues;
        only the daemon's end stops it.
        """
        task = asyncio.create_task(self._look(), name="read the bench file again")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        await asyncio.shield(task)

    async def _look(self) -> None:
        async with self._looking:
            try:
                seen = await self._room.call(self._signature)
                if seen != self._seen and await self._take_up():
                    self._seen = seen
            except BenchdError as error:
                self._tell(str(error))

    async def _take_up(self) -> bool:
        """Apply the changes. True if the files need not be read again until they next change."""
        try:
            bench, written = await self._room.call(self._read)
        except BenchFileError as error:
            self._tell(str(error))
            return True
        before = self._bench.now
        if bench == before:
            self._bench.written, self._bench.trouble = written, ""
            return True
        if bench.model_copy(update={"antennas": before.antennas}) == before:
            self._adopt(bench, written)
            return True
        if self._free.locked():
            return False
        async with self._free:
            try:
                if bench.instruments != before.instruments:
                    await self._thread.run(partial(self._reconnect, before, bench))
            except BenchdError as error:
                self._tell(f"{self._file} has changed and is not taken up yet: {error}")
                return False
            self._adopt(bench, written)
            if bench.instruments != before.instruments:
                await self._thread.run(self._rig.try_connect)
        return True

    def _read(self) -> tuple[Bench, BenchText]:
        bench, written = read_bench(self._file)
        if self._addresses:
            bench = bench.with_addresses(self._addresses)
        name = self._bench.now.bench
        if bench.bench != name:
            message = (
                f'the name has changed from "{name}" to "{bench.bench}"; topics and stored results '
                "go by it, so start benchd again"
            )
            raise BenchFileError([Problem(str(self._file), 0, 0, "bench", message)])
        return bench, written

    def _reconnect(self, before: Bench, after: Bench) -> None:
        """On the bench thread: reserve new addresses, switch RF off, change to the new description,
        and release the addresses that are not needed any more."""
        self._claim(after)
        try:
            self._rig.adopt(after)
        except BaseException:
            self._let_go(after, before)
            raise
        self._let_go(before, after)

    def _adopt(self, bench: Bench, written: BenchText) -> None:
        self._bench.adopt(bench, written)
        self._rig.bench = bench
        self._bench.trouble = ""
        self._on_change(bench)
        _log.info("bench file read again", hash=bench.hash[:12], antennas=len(bench.antennas))

    def _tell(self, trouble: str) -> None:
        if trouble != self._bench.trouble:
            _log.error("the bench file has changed and is not in force", error=trouble)
        self._bench.trouble = trouble

    def _signature(self) -> Signature:
        """A value that differs whenever a file has changed: names, times and sizes of the files."""
        found: list[Any] = [_stamp(self._file)]
        for place in register_places(self._file, self._bench.now.registers):
            found.append(_stamp(place))
            try:
                inside = sorted(place.iterdir()) if place.is_dir() else []
            except OSError:
                inside = []
            found += [(one.name, _stamp(one)) for one in inside if one.suffix in ENDINGS]
        return tuple(found)


def _stamp(file: Path) -> tuple[int, int, int, int] | None:
    try:
        found = os.stat(file)
    except OSError:
        return None
    return (found.st_mtime_ns, found.st_ctime_ns, found.st_size, found.st_ino)
