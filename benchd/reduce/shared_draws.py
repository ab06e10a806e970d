"""Random draws that are made once and read many times.

All intervals are drawn from fixed seeds, so that reducing again gives the same numbers. So the
draws themselves are the same from one frequency, quantity and job to the next, and making them
again takes a third of a reduction. Here they are kept: a generator begins at a seed, and each draw
leads from one place of its sequence to the next. Who draws the same again, in the same order, reads
what was drawn first, bit for bit what numpy's own generator gives.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from benchd.traces import ComplexArray

MOST_BYTES = 48_000_000
"""Draws that are kept in all; beyond that they are forgotten and made anew."""


class _Place:
    """A place in the sequence of one seed.

    state: of numpy's bit generator there. found: what was drawn on the way to it. further: places
    that a draw leads to from here, by its name and arguments. made: what else was made of `found`.
    """

    __slots__ = ("found", "further", "made", "state")

    def __init__(self, state: Any, found: Any) -> None:
        self.state = state
        self.found = found
        self.further: dict[Any, _Place] = {}
        self.made: dict[str, Any] = {}


_lock = threading.Lock()
_seeds: dict[Any, _Place] = {}
_bytes = 0


class SharedDraws(np.random.Generator):
    """numpy's generator of a seed, with draws that are kept. Arrays must not be changed in place;
    numpy refuses it."""

    def __init__(self, seed: int | Sequence[int]) -> None:
        bits = np.random.PCG64(seed)
        super().__init__(bits)
        self._bits = bits
        key = seed if isinstance(seed, int) else tuple(seed)
        with _lock:
            self._place: _Place | None = _seeds.setdefault(key, _Place(bits.state, None))

    def place(self) -> Any:
        """Where it stands, for `go_to`."""
        return self._bits.state if self._place is None else self._place

    def go_to(self, place: Any) -> None:
        """Stand again where `place` was taken."""
        if isinstance(place, _Place):
            self._place = place
        else:
            self._place, self._bits.state = None, place

    def _drawn(self, draw: Callable[..., Any], name: str, given: Any, named: Any) -> Any:
        place = self._place
        try:
            key = (name, given, tuple(named.items()))
            with _lock:
                there = None if place is None else place.further.get(key)
        except TypeError:
            # Arguments that cannot be compared: from here on nothing is shared.
            self._leave()
            place = there = None
        if there is None:
            if place is None:
                return draw(self, *given, **named)
            there = self._made_first(place, key, draw, given, named)
        self._place = there
        return there.found

    def _made_first(
        self, place: _Place, key: Any, draw: Callable[..., Any], given: Any, named: Any
    ) -> _Place:
        with _lock:
            self._bits.state = place.state
            found = draw(self, *given, **named)
            there = _Place(self._bits.state, found)
            _keep(found)
            place.further[key] = there
        return there

    def _leave(self) -> None:
        if self._place is not None:
            self._bits.state = self._place.state
            self._place = None

    def phasors(self, size: Any, turn: Callable[[Any], ComplexArray]) -> ComplexArray:
        """exp(j phase) of phases drawn evenly, by `turn`, which is given the phases."""
        phase = self.uniform(-np.pi, np.pi, size)
        place = self._place
        if place is None:
            return turn(phase)
        with _lock:
            if "phasors" not in place.made:
                place.made["phasors"] = turn(phase)
                _keep(place.made["phasors"])
            found: ComplexArray = place.made["phasors"]
        return found


def _keep(found: Any) -> None:
    """Count what is kept, and forget all of it where it has become too much."""
    global _bytes
    if not isinstance(found, np.ndarray):
        return
    found.flags.writeable = False
    _bytes += found.nbytes
    if _bytes > MOST_BYTES:
        _seeds.clear()
        _bytes = found.nbytes


def _shared(name: str) -> Callable[..., Any]:
    draw = getattr(np.random.Generator, name)

    def drawn(self: SharedDraws, *given: Any, **named: Any) -> Any:
        return self._drawn(draw, name, given, named)

    drawn.__doc__ = draw.__doc__
    return drawn


for _name, _member in vars(np.random.Generator).items():
    if callable(_member) and not _name.startswith("_") and _name != "spawn":
        setattr(SharedDraws, _name, _shared(_name))


def place_of(rng: np.random.Generator) -> Any:
    """Where a generator stands, for `go_back`."""
    return rng.place() if isinstance(rng, SharedDraws) else rng.bit_generator.state


def go_back(rng: np.random.Generator, place: Any) -> None:
    """Let it draw again what it drew from there."""
    if isinstance(rng, SharedDraws):
        rng.go_to(place)
    else:
        rng.bit_generator.state = place
