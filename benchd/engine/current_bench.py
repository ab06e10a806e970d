"""The bench as it is described now, and as it was described when a job was queued."""

from __future__ import annotations

from datetime import UTC, datetime

import structlog

from benchd.bench import Bench
from benchd.bench.bench import BenchText, parse_written
from benchd.errors import BenchFileError
from benchd.store import Store
from benchd.worksheet import Worksheet

_log = structlog.get_logger(__name__)

MOST_REMEMBERED = 16


class CurrentBench:
    """The present bench, and earlier ones by their hash.

    now: the present bench. It is replaced as a whole, on the event loop, so that a reader never
        gets parts of two descriptions.
    written: the texts of the files that it was read from; None if it did not come from files.
    trouble: why a change of its files cannot be applied; empty if all is well.
    """

    def __init__(self, bench: Bench, written: BenchText | None = None) -> None:
        self.now = bench
        self.written = written
        self.trouble = ""
        self.read_at = datetime.now(UTC)
        self._earlier: dict[str, tuple[Bench, BenchText | None]] = {}

    def adopt(self, bench: Bench, written: BenchText) -> None:
        """Make this the present bench."""
        self._remember(self.now, self.written)
        self.now, self.written = bench, written
        self.read_at = datetime.now(UTC)

    def keep(self, worksheet: Worksheet, store: Store) -> None:
        """Keep the bench of a worksheet in the store, beside the job that is queued with it."""
        _, written = self._known(worksheet.bench_hash) or (None, None)
        if written is not None:
            store.keep_bench(worksheet.bench_hash, written)

    def of(self, worksheet: Worksheet, store: Store) -> Bench:
        """The bench that a worksheet was made for; the present one if that is not stored.

        It reads the store, so it must be called on the store's thread.
        """
        known = self._known(worksheet.bench_hash)
        if known is not None:
            return known[0]
        written = store.bench_texts(worksheet.bench_hash)
        if written is None:
            return self.now
        try:
            bench = parse_written(written)
        except BenchFileError as error:
            # It was written for an earlier version of benchd and cannot be read any more.
            _log.warning("a kept bench file cannot be read any more", error=str(error))
            return self.now
        self._remember(bench, written)
        return bench

    def _known(self, digest: str) -> tuple[Bench, BenchText | None] | None:
        now = self.now
        return (now, self.written) if now.hash == digest else self._earlier.get(digest)

    def _remember(self, bench: Bench, written: BenchText | None) -> None:
        self._earlier[bench.hash] = (bench, written)
        while len(self._earlier) > MOST_REMEMBERED:
            del self._earlier[next(iter(self._earlier))]


def current(bench: Bench | CurrentBench) -> CurrentBench:
    """Make a CurrentBench of a plain bench, which then never changes."""
    return bench if isinstance(bench, CurrentBench) else CurrentBench(bench)
