"""What becomes of the instruments where the bench file describes them otherwise than before.

No source may be left on, or be forgotten, by a change of its description: whoever has sent it
anything must have heard from it that it is off before it is let go.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from benchd.bench import Bench
from benchd.engine.sources import SourceRecord, known_sources, made_drivers, radiating
from benchd.errors import OrderRefused


class BenchChanges:
    """Two descriptions of one bench.

    names: instruments that are new, gone, or described otherwise.
    drivers: those of the new description; what is described as before keeps its own.
    Making one raises InstrumentRefused where a driver cannot be had.
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
        """Raises OrderRefused where a source cannot be let go yet.

        not_off: sources that have not confirmed OFF. used: instruments that were connected to.
        doubted: sources that said off and radiated; what they are watched with must stay.
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
        """The record of sources that follows the change, on disk. Raises RecordNotKept.

        What was not verified off stays in it, so that the next start switches it off.
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
