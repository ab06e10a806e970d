"""What the viewers of a live look are told, and how: the newest sweep alone, so that a slow viewer
misses sweeps and never lags behind."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from typing import Any

from benchd.engine.livelook.look import Ending
from benchd.engine.livelook.sweeping import Taken

DIGITS = 3
"""Decimals of a decibel that a picture shows; what is kept has all of them."""

MOST_NOTES = 100


@dataclass(frozen=True, slots=True)
class Told:
    """One message for a viewer. kind: `look`, `sweep`, `kept` or `ended`. data: JSON-able."""

    kind: str
    data: dict[str, Any]


class Teller:
    """Tells the viewers of one look. Used on the event loop.

    document: what the look is now; told first, and again whenever `changed` is called.
    tick: told with each sweep, for a viewer to tell back with its next "here".
    """

    def __init__(self, document: Callable[[], dict[str, Any]], tick: Callable[[], int]) -> None:
        self._document = document
        self._tick = tick
        self._wake: set[asyncio.Event] = set()
        self._notes: list[Told] = []
        self._version = 0
        self._sweep: Told | None = None
        self._number = 0
        self._over = False

    def sweep(self, taken: Taken) -> None:
        """The newest sweep; it replaces one that was not yet told."""
        self._sweep, self._number = Told("sweep", sweep_document(taken)), taken.number
        self._rouse()

    def kept(self, data: dict[str, Any]) -> None:
        """A sweep was kept."""
        self._notes.append(Told("kept", data))
        del self._notes[:-MOST_NOTES]
        self._rouse()

    def changed(self) -> None:
        """Something about the look changed: its viewers, or its time."""
        self._version += 1
        self._rouse()

    def over(self) -> None:
        """The look has ended."""
        self._over = True
        self.changed()

    def _rouse(self) -> None:
        for event in self._wake:
            event.set()

    async def watch(self) -> AsyncIterator[Told]:
        """Everything from now on, until the look has ended."""
        wake = asyncio.Event()
        self._wake.add(wake)
        noted, version, number = self._notes[-1:], -1, 0
        try:
            while True:
                wake.clear()
                if version != self._version:
                    version = self._version
                    yield Told("look", self._document())
                for note in self._since(noted):
                    noted = [note]
                    yield note
                if self._sweep is not None and number != self._number:
                    number = self._number
                    yield Told("sweep", {**self._sweep.data, "tick": self._tick()})
                if self._over and version == self._version:
                    yield Told("ended", self._document())
                    return
                await wake.wait()
        finally:
            self._wake.discard(wake)

    def _since(self, noted: list[Told]) -> list[Told]:
        """The notes after the last that this watcher was told."""
        for index in range(len(self._notes) - 1, -1, -1):
            if noted and self._notes[index] is noted[0]:
                return self._notes[index + 1 :]
        return list(self._notes)


def sweep_document(taken: Taken) -> dict[str, Any]:
    """A sweep as it is shown: values over the grid that the look's document holds.

    values: in the look's unit. deviation_db, range_db: spread of the last `sweeps` sweeps, null
    for the first. peak: the greatest value, between the points. trouble: why the path seems to be
    broken; empty if it is whole.
    """
    frame = taken.frame
    spread = frame.spread
    return {
        "number": taken.number,
        "taken_at": taken.taken_at,
        "values": frame.values_db.round(DIGITS).tolist(),
        "sweeps": frame.sweeps,
        "deviation_db": None if spread is None else spread.deviation_db.round(DIGITS).tolist(),
        "range_db": None if spread is None else spread.range_db.round(DIGITS).tolist(),
        "peak": {"frequency_hz": round(frame.peak_hz), "value": round(frame.peak_db, DIGITS)},
        "flags": list(taken.sweep.flags),
        "trouble": "" if taken.broken is None else taken.broken.message,
    }


def ending_document(ending: Ending | None) -> dict[str, Any] | None:
    """Why a look ended; None while it goes on."""
    if ending is None:
        return None
    return {
        "reason": ending.reason,
        "message": ending.message,
        "advice": ending.advice,
        "family": ending.family,
        "where": ending.where,
    }
