"""One daemon per bench.

It is a lock on a file beside the database (`flock`). The kernel releases it when the process ends
in any way, so that no old lock is left after a crash. The file itself may stay.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
from pathlib import Path
from types import TracebackType
from typing import Self
from urllib.parse import quote

from benchd.store.database_check import tighten
from benchd.store.errors import BenchClaimed, StoreReadOnly


class BenchLock:
    """Holds a bench until released. Usable as a context manager."""

    def __init__(self, database_file: Path, bench: str) -> None:
        """Raises BenchClaimed, naming the process that holds the bench, or StoreReadOnly."""
        self.bench = bench
        self.path = database_file.with_name(f"{database_file.name}.{quote(bench, safe=' ')}.lock")
        try:
            self._descriptor = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise StoreReadOnly(
                f"the bench cannot be claimed: {error.strerror}.",
                where=str(self.path),
                advice="Make the folder writable for the user that runs benchd.",
            ) from error
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.pread(self._descriptor, 32, 0).decode(errors="replace").strip()
            os.close(self._descriptor)
            raise BenchClaimed(
                f"bench {bench} is run by another benchd"
                + (f" (process {holder})." if holder else "."),
                where=str(self.path),
                advice="Stop that one first, or use the commands to talk to it.",
            ) from error
        tighten(self.path)
        # The process number is for people only. The lock works without it, even on a full disk.
        with contextlib.suppress(OSError):
            os.ftruncate(self._descriptor, 0)
            os.pwrite(self._descriptor, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        """Release the bench; harmless if already done."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.release()
