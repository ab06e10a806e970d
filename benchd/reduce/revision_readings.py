"""How the compared numbers are calculated from a trace: at a frequency, of a dip, of a band."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.budget_inputs import ReflectionKnowledge
from benchd.reduce.decibels import mismatch_loss_db, return_loss_from_gamma, vswr_from_gamma
from benchd.reduce.resonance import WINDOW_RISE
from benchd.reduce.resonance_curve import Curve, curve, minima, y_of
from benchd.reduce.resonance_interval import LEAST_POINTS
from benchd.traces import FloatArray

BOTTOM_POINTS = 7
BOTTOM_SHARE = 0.2
"""The bottom of a dip is the middle fifth of the points of its window, and at least 7 of them."""
EDGE_REACH = 0.03
"""A band's edge is looked for within so much of its frequency, or within the band's own width."""


@dataclass(frozen=True, eq=False)
class Looked:
    """One normalised trace (P_test - P_baseline, dB, shape (n,)) and what is known of its bench.

    known_at: the knowledge at a frequency, Hz.
    """

    frequency_hz: FloatArray
    ratio_db: FloatArray
    known_at: Callable[[float], ReflectionKnowledge]


@dataclass(frozen=True)
class Reading:
    """How one number is calculated from a trace of squared reflections.

    between_hz: the frequencies that it needs. of: from frequencies, shape (n,), and squared
            reflections, shape (n, draws), to shape (draws,).
    quantity: its name, where it is that of a reflection at one frequency.
    at_bottom: the same number from the bottom of a dip only, where it has points enough. What the
            two differ by shows how far the dip is not that of a single resonant circuit.
    """

    between_hz: tuple[float, float]
    of: Callable[[FloatArray, FloatArray], FloatArray]
    quantity: str = ""
    is_extreme: bool = False
    at_bottom: Callable[[FloatArray, FloatArray], FloatArray] | None = None


def window(squared: FloatArray, lowest: int) -> slice:
    """The points around the lowest that lie within the rise that a fit of a dip uses."""
    y = y_of(squared)
    high = np.flatnonzero(y > WINDOW_RISE * y[lowest])
    left, right = high[high < lowest], high[high > lowest]
    first = int(left[-1]) if left.size else 0
    last = int(right[0]) if right.size else y.size - 1
    while last - first + 1 < min(LEAST_POINTS, y.size):
        first, last = max(0, first - 1), min(y.size - 1, last + 1)
    return slice(first, last + 1)


OF_MAGNITUDE: dict[str, Callable[[FloatArray], FloatArray]] = {
    "return_loss": lambda g: return_loss_from_gamma(np.maximum(g, 1e-6)),
    "vswr": lambda g: vswr_from_gamma(np.minimum(g, 1.0 - 1e-6)),
    "reflection_magnitude": lambda g: g,
    "mismatch_loss": lambda g: mismatch_loss_db(np.minimum(g, 1.0 - 1e-6)),
}


def at_frequency(quantity: str, at_hz: float) -> Reading:
    """return_loss, vswr, reflection_magnitude or mismatch_loss at a frequency."""

    def found(f: FloatArray, squared: FloatArray) -> FloatArray:
        right = int(np.clip(np.searchsorted(f, at_hz), 1, f.size - 1))
        share = float(np.clip((at_hz - f[right - 1]) / (f[right] - f[right - 1]), 0.0, 1.0))
        between = squared[right - 1] * (1.0 - share) + squared[right] * share
        return OF_MAGNITUDE[quantity](np.sqrt(between))

    return Reading((at_hz, at_hz), found, quantity)


def of_dip(what: str, trace: Looked, near_hz: float) -> Reading:
    """`resonance_frequency`, Hz, or `loaded_q`, of the dip of a trace near a frequency.

    Raises ReductionRefused where the trace holds no dip there.
    """
    f = trace.frequency_hz
    squared = 10.0 ** (trace.ratio_db / 10.0)
    keep = window(squared, int(np.argmin(np.abs(f - near_hz))))
    if f[keep].size < LEAST_POINTS:
        raise ReductionRefused("a trace with so few points has no dip that can be compared")
    y = y_of(squared[keep])
    form = curve(f[keep], 1.0 / y**2, 3 if f[keep].size > 8 else 2)

    def with_curve(form: Curve) -> Callable[[FloatArray, FloatArray], FloatArray]:
        def found(here: FloatArray, drawn: FloatArray) -> FloatArray:
            dips = minima(form, y_of(drawn[np.isin(here, form.frequency_hz)]))
            return dips.frequency_hz if what == "resonance_frequency" else dips.loaded_q

        return found

    dip = minima(form, y)
    at_bottom = None
    if what == "resonance_frequency" and np.isfinite(dip.frequency_hz):
        there = int(np.argmin(np.abs(f[keep] - float(dip.frequency_hz))))
        half = max(BOTTOM_POINTS // 2, int(BOTTOM_SHARE * f[keep].size / 2.0))
        near = f[keep][max(0, there - half) : there + half + 1]
        if BOTTOM_POINTS <= near.size < f[keep].size:
            at_bottom = with_curve(curve(near, np.ones(near.size), 2))
    return Reading((float(f[keep][0]), float(f[keep][-1])), with_curve(form), at_bottom=at_bottom)


def of_band(what: str, trace: Looked, edges_hz: tuple[float, float]) -> Reading:
    """`width`, `low` or `high` of the band between two frequencies where a trace crosses, Hz."""
    sizes = 10.0 ** (np.interp(edges_hz, trace.frequency_hz, trace.ratio_db) / 20.0)
    reach = max(edges_hz[1] - edges_hz[0], EDGE_REACH * edges_hz[0])
    ends = (trace.frequency_hz[0], trace.frequency_hz[-1])
    between = max(ends[0], edges_hz[0] - reach), min(ends[1], edges_hz[1] + reach)

    def found(f: FloatArray, squared: FloatArray) -> FloatArray:
        low = _crossing_hz(f, squared, float(sizes[0]), edges_hz[0], falls=True)
        high = _crossing_hz(f, squared, float(sizes[1]), edges_hz[1], falls=False)
        return {"width": high - low, "low": low, "high": high}[what]

    return Reading((float(between[0]), float(between[1])), found)


def of_worst(name: str, band_hz: tuple[float, float]) -> Reading:
    """`worst_return_loss`, dB, or `worst_vswr` over a band, Hz, its ends included."""

    def found(f: FloatArray, squared: FloatArray) -> FloatArray:
        inside = (f > band_hz[0]) & (f < band_hz[1])
        sizes = [squared[inside]]
        for end_hz in band_hz:
            right = int(np.clip(np.searchsorted(f, end_hz), 1, f.size - 1))
            share = float(np.clip((end_hz - f[right - 1]) / (f[right] - f[right - 1]), 0.0, 1.0))
            sizes.append(squared[[right - 1]] * (1.0 - share) + squared[[right]] * share)
        largest = np.concatenate(sizes).max(axis=0)
        return OF_MAGNITUDE[name.removeprefix("worst_")](np.sqrt(largest))

    return Reading(band_hz, found, is_extreme=True)


def _crossing_hz(
    f: FloatArray, squared: FloatArray, gamma: float, near_hz: float, *, falls: bool
) -> FloatArray:
    """Where each curve falls (or rises) through a magnitude nearest to a frequency, Hz, shape
    (draws,). Between points the magnitude is a straight line. NaN where none does."""
    above = np.sqrt(squared) - gamma
    crosses = (above[:-1] * above[1:] <= 0.0) & ((above[:-1] >= above[1:]) == falls)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = above[:-1] / (above[:-1] - above[1:])
    places = f[:-1, np.newaxis] + share * np.diff(f)[:, np.newaxis]
    distance = np.where(crosses & np.isfinite(places), np.abs(places - near_hz), np.inf)
    best = np.argmin(distance, axis=0)
    columns = np.arange(squared.shape[1])
    lies = np.isfinite(distance[best, columns])
    found: FloatArray = np.where(lies, places[best, columns], np.nan)
    return found
