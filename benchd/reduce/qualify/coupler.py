"""Effective directivity and source match of a scalar reflectometer, from standards at its port.

The reading is M = D + T G/(1 - S G). D is the leak (directivity), T the tracking, S the source
match, G the reflection at the port, and d = D/T. A total reflection G = e^(jt) reads, to first
order,

    |M| = |T| (1 + Re[w e^(jt)]),   w = S + conj(d)

Three total reflections of different phase (open, short, and a short behind a known line) give |T|
and w by least squares. Open and short alone show only the real part of w. A load G_L shows
|d + G_L|. The lines between coupler and port are inside D, T and S: "effective" means as seen at
the port.

S and conj(d) cannot be separated. A line between coupler and port turns the phase of both equally,
so averaging over frequency does not separate them either. The phase between them is unknown. If
|w| and |d| are known, the mean of |S|^2 over that phase is |w|^2 + |d|^2, and |S| lies between
|w| - |d| and |w| + |d|. The mean is published as the value, the two limits as its interval. The
value is never more than a factor of sqrt(2), 3 dB, below the largest |S| that fits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.budget_inputs import ASSUMED_TERM, Known
from benchd.reduce.decibels import NEPER_DB
from benchd.reduce.qualify.spreads import ends_hz, nearest
from benchd.reduce.qualify.verdict import Judgement, judged, verdict
from benchd.reduce.uncertainty import combine, has_assumed, term
from benchd.results import Budget, Result
from benchd.traces import BoolArray, FloatArray

DEFAULT_LEAST_DIRECTIVITY_DB = 25.0
"""With it, a return loss of 15 dB, the least that an antenna must keep over its band, is read
within +3.3/-2.4 dB: directivity and return loss are then 10 dB apart."""

LEAST_PHASE = 0.5
"""Smallest |sin t| at which a third standard counts as showing the imaginary part of w. There,
errors of the levels are at most doubled."""

NO_JOINT = Known(0.0)
"""Joints that reflect nothing of their own: for standards that were never taken off."""


@dataclass(frozen=True, eq=False)
class Reflectometer:
    """Error sizes over frequency, linear, shape (n,).

    leak: |d + G_L| as the load shows it; load: most that the load itself reflects.
    mismatch: |w|; mismatch_ends: least and most of it. is_whole: False where only the real part
        of w was seen: there mismatch is the root mean square over the sweep, its least the real
        part itself, and its most the largest real part anywhere in the sweep.
    is_least: where the load's level drowned in noise.
    tracking: |T|, what a total reflection reads.
    joint: standard deviation, along one direction, of the reflection of a joint that is made again,
        linear.
    joint_gain: standard deviation of w for each unit of it.
    """

    frequency_hz: FloatArray
    tracking: FloatArray
    leak: FloatArray
    load: float
    mismatch: FloatArray
    mismatch_ends: tuple[FloatArray, FloatArray]
    is_whole: BoolArray
    is_least: BoolArray
    joint_gain: FloatArray
    joint: Known = NO_JOINT

    @property
    def directivity_db(self) -> FloatArray:
        """Effective directivity, dB, positive, the load taken for perfect."""
        return positive_db(self.leak)

    @property
    def directivity_ends(self) -> tuple[FloatArray, FloatArray]:
        """Least and most of |d| (linear): what the load reflects of its own, and two standard
        deviations of what its joint does, counted either way."""
        slack = self.load + 2.0 * self.joint.value
        most = self.leak + slack
        least = np.where(self.is_least, 0.0, np.maximum(self.leak - slack, 0.0))
        return least, most

    @property
    def source_match(self) -> FloatArray:
        """|S| (linear), root mean square over the unknown phase between w and d."""
        found: FloatArray = np.hypot(self.mismatch, self.leak)
        return found

    @property
    def source_match_ends(self) -> tuple[FloatArray, FloatArray]:
        """Least and most of |S| (linear): |w| less and plus |d|, |w|^2 for what the first order
        leaves out, and two standard deviations of what the joints of the standards reflect."""
        least, most = self.mismatch_ends
        slack = self.directivity_ends[1] + most**2 + 2.0 * self.joint_gain * self.joint.value
        return np.maximum(least - slack, 0.0), most + slack


def positive_db(size: FloatArray) -> FloatArray:
    """How far linear magnitudes lie below a full reflection, dB, positive; at most 120 dB."""
    found: FloatArray = -20.0 * np.log10(np.maximum(size, 1e-6))
    return found


def open_phase_rad(frequency_hz: FloatArray, capacitance_f: float = 0.0) -> FloatArray:
    """Phase of an open's reflection: 0, or -2 atan(2 pi f C 50 ohm) with a fringing C."""
    found: FloatArray = -2.0 * np.arctan(2.0 * np.pi * frequency_hz * capacitance_f * 50.0)
    return found


def offset_phase_rad(frequency_hz: FloatArray, delay_s: float) -> FloatArray:
    """Phase of a short behind a line of this one-way delay."""
    found: FloatArray = np.pi - 4.0 * np.pi * frequency_hz * delay_s
    return found


def reflectometer(
    frequency_hz: FloatArray,
    reflects: Sequence[tuple[FloatArray, FloatArray]],
    loads_dbm: Sequence[FloatArray],
    *,
    load_match_db: float,
    noise_dbm: float = -math.inf,
    joint: Known = NO_JOINT,
) -> Reflectometer:
    """Solve for the error sizes.

    reflects: total reflections as (level_dbm, phase_rad), shapes (n,): open, short, offset shorts.
    loads_dbm: one load, or the same load at several places of a sliding or offset line.
    load_match_db: return loss stated for the load, positive.
    joint: standard deviation of what a joint made anew reflects along one direction, linear.
    Raises ReductionRefused for fewer than two reflections or no load.
    """
    if len(reflects) < 2 or not loads_dbm:
        raise ReductionRefused(
            f"{len(reflects)} total reflections and {len(loads_dbm)} loads cannot qualify a "
            "coupler, an open, a short and a load are needed"
        )
    sizes = [10.0 ** (level / 20.0) for level, _ in reflects]
    solved = _solve(sizes, [phase for _, phase in reflects])
    load = 10.0 ** (-load_match_db / 20.0)
    seen = np.array([10.0 ** (level / 20.0) / solved.tracking for level in loads_dbm])
    lowest_dbm = np.min(np.array(loads_dbm), axis=0)
    return Reflectometer(
        frequency_hz=frequency_hz,
        tracking=solved.tracking,
        leak=_leak(seen, load),
        load=load if len(loads_dbm) < 3 else 0.0,
        mismatch=solved.mismatch,
        mismatch_ends=solved.ends,
        is_whole=solved.is_whole,
        is_least=lowest_dbm < noise_dbm + 10.0,
        joint_gain=solved.joint_gain,
        joint=joint,
    )


def _leak(seen: FloatArray, load: float) -> FloatArray:
    """|d|, from |d + G_L|: one load as it is; three or more places of one load show the sum and
    the difference of the two, of which the one nearer the load's stated size is the load.
    """
    if seen.shape[0] < 3:
        found: FloatArray = seen.mean(axis=0)
        return found
    most, least = seen.max(axis=0), seen.min(axis=0)
    large, small = (most + least) / 2.0, (most - least) / 2.0
    load_is_large = np.abs(large - load) < np.abs(small - load)
    chosen: FloatArray = np.where(load_is_large, small, large)
    return chosen


@dataclass(frozen=True, eq=False)
class _Solved:
    """|T|, |w| with its ends, where all of w was seen, and what a joint does to w."""

    tracking: FloatArray
    mismatch: FloatArray
    ends: tuple[FloatArray, FloatArray]
    is_whole: BoolArray
    joint_gain: FloatArray


def _solve(sizes: list[FloatArray], phases_rad: list[FloatArray]) -> _Solved:
    level, phase = np.array(sizes), np.array(phases_rad)
    tracking, real, seen, gain = (np.empty(level.shape[1]) for _ in range(4))
    is_whole = np.abs(np.sin(phase)).max(axis=0) >= LEAST_PHASE
    for index in range(level.shape[1]):
        columns = [np.ones(level.shape[0]), np.cos(phase[:, index])]
        if is_whole[index]:
            columns.append(-np.sin(phase[:, index]))
        inverse = np.linalg.pinv(np.stack(columns, axis=1))
        fit = inverse @ level[:, index]
        tracking[index] = fit[0]
        real[index] = abs(fit[1]) / fit[0]
        seen[index] = np.hypot.reduce(fit[1:]) / fit[0]
        # A joint's reflection r changes a total reflection's reading by |T| r.
        gain[index] = np.sqrt((inverse[1:] ** 2).sum())
    # Over a band in which the phase of w turns, its root mean square is sqrt(2) times that of its
    # projection, and the largest projection comes close to the largest w.
    typical = math.sqrt(2.0 * float(np.mean(real**2)))
    mismatch = np.where(is_whole, seen, np.maximum(typical, real))
    largest = max(typical, float(real.max()))
    ends = np.where(is_whole, seen, real), np.where(is_whole, seen, largest)
    return _Solved(tracking, mismatch, ends, is_whole, gain)


def coupler_results(
    found: Reflectometer,
    at_hz: list[float],
    *,
    linearity_db: float,
    is_linearity_known: bool,
    stated_directivity_db: float | None = None,
    stated_match_db: float | None = None,
    least_directivity_db: float = DEFAULT_LEAST_DIRECTIVITY_DB,
) -> list[Result]:
    """`effective_directivity` and `effective_source_match` at frequencies, their least over the
    band (`..._min`), and the verdict, which holds what the bench file states against them.
    """
    band = ends_hz(found.frequency_hz)
    worst_d = int(np.argmax(found.leak))
    worst_s = int(np.argmax(found.source_match))
    wanted = [(nearest(found.frequency_hz, at), at) for at in at_hz]
    results = [
        _result(quantity, found, index, linearity_db, is_linearity_known, at_hz=at)
        for index, at in wanted
        for quantity in ("effective_directivity", "effective_source_match")
    ]
    leaks = _result(
        "effective_directivity_min", found, worst_d, linearity_db, is_linearity_known, band=band
    )
    match = _result(
        "effective_source_match_min", found, worst_s, linearity_db, is_linearity_known, band=band
    )
    judgement, note = _judged(
        leaks, match, stated_directivity_db, stated_match_db, least_directivity_db
    )
    flags = tuple(dict.fromkeys((*leaks.flags, *match.flags)))
    return [*results, leaks, match, verdict("coupler", judgement, note, band_hz=band, flags=flags)]


def _result(
    quantity: str,
    found: Reflectometer,
    index: int,
    linearity_db: float,
    is_linearity_known: bool,
    *,
    at_hz: float | None = None,
    band: tuple[float, float] | None = None,
) -> Result:
    is_leak = "directivity" in quantity
    size = float((found.leak if is_leak else found.source_match)[index])
    ends = found.directivity_ends if is_leak else found.source_match_ends
    least, most = float(ends[0][index]), float(ends[1][index])
    value = float(positive_db(np.array([size]))[0])
    budget = _budget(found, index, value, linearity_db, is_linearity_known, is_leak)
    flags = [ASSUMED_TERM] if has_assumed(budget.terms) else []
    if is_leak and bool(found.is_least[index]):
        flags.append("near-noise")
    if not is_leak and not bool(found.is_whole[index]):
        flags.append("phase-unseen")
    # The level of a load lies far below that of a reflection, so the analyzer's scale counts
    # in full; open and short lie side by side, where it cancels.
    scale_db = linearity_db if is_leak else 0.0
    low = -20.0 * math.log10(max(most, 1e-6)) - scale_db
    high = None if least <= 0.0 else -20.0 * math.log10(least) + scale_db
    return Result(
        quantity=quantity,
        value=value if high is None or value < high else high,
        unit="dB",
        expanded_uncertainty=budget.expanded,
        coverage_factor=budget.coverage_factor,
        low=low,
        high=high,
        frequency_hz=at_hz,
        band_hz=band,
        flags=tuple(flags),
        budget=budget,
        note="" if high is not None else "No upper end: its own uncertainty hides it.",
    )


def _budget(
    found: Reflectometer,
    index: int,
    value: float,
    linearity_db: float,
    is_linearity_known: bool,
    is_leak: bool,
) -> Budget:
    """What the size in dB is uncertain by: a relative error r of it is NEPER_DB r."""
    sizes = found.leak if is_leak else found.source_match
    other = found.load if is_leak else float(found.leak[index])
    gain = 1.0 if is_leak else float(found.joint_gain[index])
    size = max(float(sizes[index]), 1e-6)
    name = "the load's own reflection" if is_leak else "directivity"
    lines = [
        term(name, other, "1", "u-shaped", sensitivity=NEPER_DB / max(size, other)),
        term(
            "joints of the standards",
            found.joint.value,
            "1",
            sensitivity=gain * NEPER_DB / size,
            degrees_of_freedom=found.joint.degrees_of_freedom,
            assumed=found.joint.assumed,
        ),
    ]
    if is_leak:
        lines.append(
            term("linearity", linearity_db, "dB", "rectangular", assumed=not is_linearity_known)
        )
    return combine(lines, estimate=value)


def _judged(
    leaks: Result,
    match: Result,
    stated_directivity_db: float | None,
    stated_match_db: float | None,
    least_directivity_db: float,
) -> tuple[Judgement, str]:
    measured = f"{leaks.value:.0f} dB ({_ends(leaks)})"
    enough = judged(leaks.low, leaks.high, least=least_directivity_db)
    if enough is Judgement.NOT_GOOD:
        return enough, (
            f"Effective directivity is only {measured}, {least_directivity_db:.0f} dB are needed: "
            "put the coupler next to the port without adapters or cable between, or replace it."
        )
    wrong = [
        f"{word} of {stated:.0f} dB, measured are {one.value:.0f} dB ({_ends(one)})"
        for word, stated, one in (
            ("a directivity", stated_directivity_db, leaks),
            ("a source match", stated_match_db, match),
        )
        if stated is not None and one.high is not None and stated > one.high
    ]
    if wrong:
        return Judgement.NOT_GOOD, (
            f"The bench file states {' and '.join(wrong)}: correct it, or every return loss is "
            "stated too surely."
        )
    if enough is Judgement.UNSURE:
        return enough, (
            f"Effective directivity was measured as {measured}, {least_directivity_db:.0f} dB are "
            "needed: this load cannot tell. Measure again with a load that reflects less, or with "
            "the same load at several places of a sliding or offset line; with more level where "
            "the load lies near the noise."
        )
    careful = leaks.low or 0.0
    note = (
        f"Effective directivity is {measured}, source match {match.value:.0f} dB "
        f"({_ends(match)}): good enough for return losses up to {careful - 10.0:.0f} dB."
    )
    return Judgement.GOOD, note


def _ends(one: Result) -> str:
    low = f"{one.low:.0f}" if one.low is not None else "?"
    return f"{low} to {one.high:.0f} dB" if one.high is not None else f"{low} dB or more"
