"""The interval of a fitted resonance, found by correcting the trace with drawn errors and
refitting.

Leak, source match, joint and noise are drawn at random. For every draw they are subtracted from the
trace as it was read, and the antenna that would have given this reading is fitted in the same
window (JCGM 101; the interval of a return loss is found likewise). If a leak has made a dip look
sharper than it is, the true dip is wider and its frequency less certain. Subtracting the leak
shows that; adding a second leak to the trace would not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchd.reduce.budget_inputs import ReflectionKnowledge
from benchd.reduce.gamma_squared import Prepared
from benchd.reduce.leak import leak_over
from benchd.reduce.montecarlo import turns
from benchd.reduce.reflectometer import full_reflection, joint_draws, reading
from benchd.reduce.resonance_curve import Curve, Minima, curve, gamma_of, minima, y_at, y_of
from benchd.traces import FloatArray

LEAST_POINTS = 7
"""Number of points of a trace that a fit of a dip needs at least."""
NARROW_RISE = 1.03

OVERCOUPLED_SHARE = 0.8
"""Share of draws in which an antenna of unknown coupling is taken to be overcoupled.

A scalar trace cannot tell an overcoupled antenna, whose reflection encircles the middle of the
Smith chart (for a series circuit: R below Z0), from an undercoupled one. A leak moves the minimum
of an overcoupled one up to 1.6 times as far. It is drawn four times as often, since the interval
must hold for antennas of both kinds. With equal shares the interval held for 90 % of the
overcoupled antennas and 99 % of the others; with this share it is 5 % wider (docs/coverage.md). If
the bench file states the coupling (`coupling`), the interval of an undercoupled antenna is 30 %
narrower.
"""


def sides(known: ReflectionKnowledge, rng: np.random.Generator, draws: int) -> FloatArray:
    """-1 for an overcoupled, +1 for an undercoupled antenna: the sign of R - Z0 of a series
    circuit, shape (draws,)."""
    share = {"over": 1.0, "under": 0.0, None: OVERCOUPLED_SHARE}[known.coupling]
    return np.where(rng.random(draws) < share, -1.0, 1.0)


@dataclass(frozen=True, eq=False)
class Shifts:
    """Refitted minus original: frequency, Q, gamma^2 at the minimum, and narrow-window minus
    wide-window frequency. Shape (draws,), less those without a minimum.

    lost: share of the draws without one.
    """

    shift_hz: FloatArray
    q_shift: FloatArray
    depth_shift: FloatArray
    narrow_hz: FloatArray
    lost: float


def narrowed(data: Prepared, form: Curve, found: Minima) -> tuple[NDArray[np.intp], Curve] | None:
    """The deepest part of a window, with a parabola to fit there; None if it is too short."""
    fitted = y_at(form, found.coefficients, data.frequency_hz)
    keep = np.flatnonzero(fitted <= NARROW_RISE * float(found.y0))
    if keep.size < LEAST_POINTS:
        return None
    even = np.ones(keep.size)
    return keep, curve(data.frequency_hz[keep], even, 2)


class Refit:
    """Draws antennas that would give the trace that was read, and fits each of them."""

    def __init__(
        self, data: Prepared, form: Curve, found: Minima, knowledge: ReflectionKnowledge
    ) -> None:
        self._data, self._form, self._found, self._known = data, form, found, knowledge
        self._narrow = narrowed(data, form, found)
        fitted = y_at(form, found.coefficients, data.frequency_hz)
        self._y = np.maximum(fitted, float(found.y0))[:, None]

    def draw(
        self,
        rng: np.random.Generator,
        draws: int,
        *,
        leak: bool = False,
        match: bool = False,
        joint: bool = False,
        noise: bool = False,
    ) -> Shifts:
        """Refits under the named errors only. Their signs and phases are drawn symmetrically, so
        that adding an error is the same as subtracting it."""
        known, here_hz = self._known, self._data.frequency_hz
        f0_hz = float(self._found.frequency_hz)
        side = sides(known, rng, draws)
        gamma = gamma_of(here_hz[:, None], f0_hz, self._y, float(self._found.y0), side)
        nothing = np.zeros((1, draws), dtype=np.complex128)
        directivity = source = nothing
        line, band_hz = known.line_delay_s, known.leak_band_hz
        if leak:
            directivity = leak_over(here_hz, known.directivity_db, line, band_hz, rng, draws)
            if known.wall_gamma is not None:
                # Near its resonance an antenna receives nearly all power: the walls count in full.
                directivity = directivity + known.wall_gamma.value * turns(rng, draws)
        if match:
            # With frequency the line turns the phase of the leak, against the antenna's reflection,
            # in one direction, and that of the source match in the other.
            source = np.conj(leak_over(here_hz, known.source_match_db, line, band_hz, rng, draws))
        if joint:
            # The joint is a millimetre from the antenna: its phase hardly changes over the window.
            gamma = gamma + joint_draws(known, rng, draws)
        squared: FloatArray = np.abs(reading(gamma, directivity, source)) ** 2
        if known.tracking_db is None and (leak or match):
            squared = squared / full_reflection(directivity, source, known.baseline) ** 2
        if noise:
            squared = squared + self._data.sd[:, None] * rng.standard_normal(squared.shape)
        return self._shifts(squared)

    def _shifts(self, squared: FloatArray) -> Shifts:
        again = minima(self._form, y_of(squared))
        good = np.isfinite(again.frequency_hz) & np.isfinite(again.loaded_q)
        narrow_hz = np.empty(0)
        if self._narrow is not None:
            keep, inner = self._narrow
            moved = minima(inner, y_of(squared[keep])).frequency_hz - again.frequency_hz
            narrow_hz = moved[np.isfinite(moved)]
        depth = 1.0 - 1.0 / np.maximum(again.y0[good], 1.0)
        return Shifts(
            again.frequency_hz[good] - float(self._found.frequency_hz),
            again.loaded_q[good] - float(self._found.loaded_q),
            depth - (1.0 - 1.0 / max(float(self._found.y0), 1.0)),
            narrow_hz,
            1.0 - float(np.mean(good)),
        )
