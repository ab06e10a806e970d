"""Which instruments a change of the bench file affects, and whether the change is allowed yet.

A source must not be left on, or be forgotten, because its description was changed or removed. So a
source that was ever sent a command must have confirmed OFF before its old description is dropped.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from benchd.bench import Bench
from benchd.engine.source_record import SourceRecord, known_sources, made_drivers, radiating
from benchd.errors import OrderRefused


class BenchChanges:
    """The differences between the old and the new description of one bench.

    names: instruments that are new, gone, or described in another way.
    drivers: those for the new description; an unchanged instrument keeps its driver.
    Creating one raises InstrumentRefused if a driver cannot be made.
    """

    def __init__(self, before: Bench, after: Bench, drivers: Mapping[str, Any]) -> None:
        old, new = before.instruments, after.instruments
        self.names = {name for name in {*old, *new} if old.get(name) != new.get(name)}
        self.drivers: dict[str, Any] = {
            name: made if name in self.names else drivers[name]
            for name, made in made_drivers(after).items()
        }
        self._before, self._after, self._old_drivers = before, after, drivers

    def require_off(
        self, not_off: Collection[str], *, used: Collection[str], doubted: Collection[str]
    ) -> None:
        """Raise OrderRefused if the old description of a source is still needed.

        not_off: sources that have not confirmed OFF. used: instruments that were connected to.
        doubted: sources that reported "off" but radiated; the instruments that watch them must
            stay as well.
        """
        if doubted and self.names:
            raise OrderRefused(
                f"{', '.join(doubted)} said that RF is off while it radiated, and must first be "
                "seen to be off with the instruments as they were",
                advice="Switch it off by hand. The change is taken up after that.",
            )
        kept_on = sorted(self.names & set(not_off) & set(used))
        if kept_on:
            raise OrderRefused(
                f"{', '.join(kept_on)} has not confirmed that RF is off",
                advice="The change is taken up as soon as it has. Else switch it off by hand, and "
                "start benchd again.",
            )

    def record(self, present: SourceRecord, not_off: Collection[str]) -> SourceRecord:
        """Write the record of sources for the new description to disk. Raises RecordNotKept.

        A source that was not verified off stays in it, so that the next start switches it off.
        """
        verified = {
            source.key
            for source in known_sources(self._before, self._old_drivers)
            if source.name not in not_off
        }
        fresh = present.follow(self._after, self.drivers, verified)
        fresh.keep()
        return fresh

    @property
    def radiating(self) -> list[str]:
        """Names of the sources of the new description."""
        return radiating(self._after)
