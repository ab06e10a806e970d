"""Comparing two reflections over one coupler: the errors that both share are drawn once for both.

Leak, source match and baseline belong to the coupler, so each draw of them applies to both traces.
If the two antennas reflect alike, the effect on both is the same and cancels. The more their
reflections differ, in size or in phase, the less it cancels. A scalar trace does not show the
phase. Near a dip the curve of a series resonance (`resonance_curve.gamma_of`) gives it. Only the
phase between the two reflections counts. If a trace has no dip, that phase is unknown and is drawn.
Noise, joints and drift belong to one measurement and are drawn for each (JCGM 101).

The interval is that of the second less the first, from true values that fit both readings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.budget_inputs import Known, ReflectionKnowledge
from benchd.reduce.compare import MISSED
from benchd.reduce.decibels import (
    gamma_from_return_loss,
)
from benchd.reduce.dip_search import LEAST_RISE
from benchd.reduce.distributions import t_quantile
from benchd.reduce.gamma_squared import prepare
from benchd.reduce.leak import LARGEST_SPREAD, local_ratio
from benchd.reduce.montecarlo import with_interval
from benchd.reduce.reflection import reflection_at
from benchd.reduce.reflection_pairs import (
    ALL,
    CONNECTOR,
    DRIFT,
    JOINT,
    NOISE,
    SCALE,
    SCALE_STEP_DB,
    SHARED,
    AtFrequency,
    any_phase,
    truths,
    weighted_quantiles,
    weighted_spread,
)
from benchd.reduce.reflectometer import (
    full_reflection,
    joint_draws,
    reflection,
)
from benchd.reduce.resonance_curve import curve, gamma_of, minima, y_of
from benchd.reduce.resonance_interval import LEAST_POINTS
from benchd.reduce.revision_readings import OF_MAGNITUDE, Looked, Reading, window
from benchd.reduce.uncertainty import combine, term
from benchd.reduce.worst_match import EVEN
from benchd.results import Budget, Result, Term
from benchd.rounding import size_words, unit_of_difference
from benchd.traces import ComplexArray, FloatArray

TOO_UNCERTAIN = "the two traces are too uncertain to be compared"
NOTHING_TOLD = (
    "both readings are ones that the coupler's leak or the noise alone could give, so that either "
    "return loss may be anything above: no difference can be told"
)
MEASURE_BETTER = "Measure with more level, or with a coupler of better directivity."

CURVE = "curve"
DRAWS = 3000
AT_DRAWS = 10_000
SINGLE_DRAWS = 600
SEED = 1
ALIKE = 0.05
"""For a dip with a reflection below this it is unknown whether the antenna's resistance is above or
below that of the system, so each of two such dips may be on either side."""


@dataclass(frozen=True, eq=False)
class _Seen:
    """A trace prepared for the comparison: squared magnitude, its noise, and its dip, from which
    the phase follows.

    f0_hz, y0: of the deepest dip; None where there is none to fit.
    """

    looked: Looked
    known: ReflectionKnowledge
    gamma_squared: FloatArray
    sd: FloatArray
    f0_hz: float | None
    y0: float
    directivity: FloatArray
    match: FloatArray


def _seen(looked: Looked) -> _Seen:
    f = looked.frequency_hz
    known = looked.known_at(float(f[int(np.argmin(looked.ratio_db))]))
    data = prepare(f, looked.ratio_db, known)
    squared = np.clip(data.gamma_squared, 1e-12, None)
    fit = _fit(f, squared, int(np.argmin(looked.ratio_db)))
    f0_hz, y0 = (None, 1.0) if fit is None else fit
    coarse = np.linspace(float(f[0]), float(f[-1]), 9)
    each = [looked.known_at(float(at)) for at in coarse]
    leak = [gamma_from_return_loss(one.directivity_db.value) for one in each]
    match = [gamma_from_return_loss(one.source_match_db.value) for one in each]
    return _Seen(
        looked,
        known,
        squared,
        data.sd,
        f0_hz,
        y0,
        np.interp(f, coarse, leak),
        np.interp(f, coarse, match),
    )


def _fit(f: FloatArray, squared: FloatArray, lowest: int) -> tuple[float, float] | None:
    """Frequency and y0 of the dip around an index, or None where the curve has no minimum."""
    keep = window(squared, lowest)
    if squared[keep].size < LEAST_POINTS:
        return None
    every = y_of(squared)
    sides = every[:lowest].max(initial=0.0), every[lowest:].max()
    if min(sides) < (1.0 + LEAST_RISE) * every[lowest]:
        return None
    y = every[keep]
    found = minima(curve(f[keep], 1.0 / y**2, 3 if y.size > 8 else 2), y)
    f0_hz = float(found.frequency_hz)
    if not f[keep][0] <= f0_hz <= f[keep][-1]:
        return None
    return f0_hz, float(found.y0)


class Pair:
    """Two traces over one coupler, and draws of the true values behind them."""

    def __init__(self, first: Looked, second: Looked, *, seed: int = SEED) -> None:
        self._sides = (_seen(first), _seen(second))
        self._seed = seed

    def difference(self, one: Result, other: Result, readings: tuple[Reading, Reading]) -> Result:
        """Second less first as `<quantity>_difference`.

        readings: how the result is calculated from the first trace, and from the second.
        Raises ReductionRefused where it follows from too few of the draws.
        """
        value = other.value - one.value
        if all(reading.quantity for reading in readings):
            return self._at_one_frequency(one, other, readings[0])
        errors = self._errors(readings, ALL, DRAWS)
        bent = self._misfit(readings)
        errors = errors + bent * np.random.default_rng([self._seed, 7]).uniform(
            -1.0, 1.0, errors.size
        )
        opens = (False, False)
        if readings[0].is_extreme:
            read = self._as_read(readings)
            errors = read[1] - read[0] - value + self._of_extremes(errors)
            opens = self._open_ends(one, other)
        singles = {name: self._errors(readings, (name,), SINGLE_DRAWS) for name in ALL}
        low, high = value + np.quantile(errors, (0.025, 0.975))
        low, high = min(low, value), max(high, value)
        terms = tuple(
            self._term(name, float(np.std(drawn)), other.unit) for name, drawn in singles.items()
        )
        if bent > 0.0:
            terms = (*terms, term(CURVE, bent, other.unit, "rectangular"))
        budget = replace(combine(terms, estimate=value), standard=float(np.std(errors)))
        ends = None if opens[0] else float(low), None if opens[1] else float(high)
        return self._told(one, other, budget, ends)

    def _misfit(self, readings: tuple[Reading, Reading]) -> float:
        """How far the difference moves where only the bottom of each dip is fitted, less what the
        drawn errors alone move it by; zero for readings without a bottom to fit.

        An antenna cut anew has its dip at another place of what bends its curve (a matching
        section, walls), so that the misfits of two dips do not cancel. Squares add up on average,
        so the drawn errors' is subtracted from the square of what is observed.
        """
        bottoms = [
            replace(reading, of=reading.at_bottom)
            for reading in readings
            if reading.at_bottom is not None
        ]
        if len(bottoms) < len(readings):
            return 0.0
        narrow = bottoms[0], bottoms[1]
        wide_read, narrow_read = self._as_read(readings), self._as_read(narrow)
        moved = (narrow_read[1] - narrow_read[0]) - (wide_read[1] - wide_read[0])
        if not math.isfinite(moved):
            return 0.0
        wide_drawn, narrow_drawn = (
            self._errors(which, ALL, SINGLE_DRAWS, all_of_them=True) for which in (readings, narrow)
        )
        apart = narrow_drawn - wide_drawn
        apart = apart[np.isfinite(apart)]
        usual = float(np.std(apart)) if apart.size > 1 else math.inf
        return math.sqrt(max(0.0, moved**2 - usual**2))

    def _of_extremes(self, errors: FloatArray) -> FloatArray:
        """Errors of the difference of two worst values as read.

        On a curve that rises towards its worst, errors change a worst value as they change any
        other. On a level one they make it worse on average, and once more taken off again, worse
        again (`benchd.reduce.worst_match`). A measured curve does not show which of the two it is,
        so the mean of the draws counts anything from itself to what level curves make of it.
        """
        mean = float(errors.mean())
        share = np.random.default_rng([self._seed, 4]).uniform(-EVEN, 1.0, errors.size)
        return errors - mean + share * mean

    def _open_ends(self, one: Result, other: Result) -> tuple[bool, bool]:
        """Whether a difference has no lower, or no upper end: a worst return loss that the leak or
        the noise alone could give may be any greater."""
        if one.unit != "dB":
            return False, False
        opens = one.high is None, other.high is None
        if all(opens):
            raise ReductionRefused(NOTHING_TOLD, advice=MEASURE_BETTER)
        return opens

    def _told(
        self, one: Result, other: Result, budget: Budget, ends: tuple[float | None, float | None]
    ) -> Result:
        """A difference with its interval; an end is None where there is none."""
        low, high = ends
        value = other.value - one.value
        lowest = -math.inf if low is None else low
        highest = math.inf if high is None else high
        both = low is not None and high is not None
        if both:
            budget = with_interval(budget, lowest, highest, trials=DRAWS, seed=self._seed)
        else:
            drawn = {"method": "monte-carlo", "trials": DRAWS, "seed": self._seed}
            budget = replace(budget, low=lowest, high=highest, **drawn)  # type: ignore[arg-type]
        unit = unit_of_difference(other.unit)
        if not lowest <= 0.0 <= highest:
            note = "The two differ."
        elif not both:
            limit, word = (highest, "at most") if low is None else (lowest, "at least")
            note = f"No difference seen; it is {word} {size_words(limit, unit)} (95 %, one-sided)."
        else:
            missed = t_quantile(1.0 - MISSED, math.inf) * budget.standard
            reach = max(value - lowest, highest - value) + missed
            size = size_words(reach, unit)
            note = f"No difference seen; a difference above {size} would have been seen."
        return Result(
            quantity=f"{other.quantity}_difference",
            value=value,
            unit=unit,
            expanded_uncertainty=budget.expanded if both else None,
            coverage_factor=budget.coverage_factor if both else None,
            low=low,
            high=high,
            frequency_hz=other.frequency_hz,
            band_hz=other.band_hz,
            antenna=other.antenna,
            flags=tuple(dict.fromkeys((*one.flags, *other.flags))),
            captures=tuple(dict.fromkeys((*one.captures, *other.captures))),
            budget=budget,
            note=note,
        )

    def _at_one_frequency(self, one: Result, other: Result, reading: Reading) -> Result:
        """The same where both are reflections at one frequency."""
        at_hz, quantity = reading.between_hz[0], reading.quantity
        value = other.value - one.value
        rng = np.random.default_rng([self._seed, 3])
        phasors = self._phasors(at_hz, rng, AT_DRAWS)
        found = []
        for side in self._sides:
            known = side.looked.known_at(at_hz)
            point = reflection_at(side.looked.frequency_hz, side.looked.ratio_db, at_hz, known)
            found.append((point, known))
        of = OF_MAGNITUDE[quantity]

        def drawn(errors: tuple[str, ...], draws: int) -> tuple[FloatArray, FloatArray]:
            sides = [
                AtFrequency(*there, phasor[:draws])
                for there, phasor in zip(found, phasors, strict=True)
            ]
            (first, second), weight = truths((sides[0], sides[1]), errors, self._seed)
            return of(second) - of(first), weight

        apart, weight = drawn(ALL, AT_DRAWS)
        if np.count_nonzero(weight) < AT_DRAWS // 20:
            raise ReductionRefused(TOO_UNCERTAIN, advice=MEASURE_BETTER)
        opens = [point.gamma_low is None for point, _ in found]
        if quantity != "return_loss":
            opens = [False, False]
        if all(opens):
            raise ReductionRefused(NOTHING_TOLD, advice=MEASURE_BETTER)
        shares = (0.05, 0.95) if any(opens) else (0.025, 0.975)
        ends = weighted_quantiles(apart, weight, shares)
        # An open first one may be any deeper, so that the difference has no lower end.
        low = None if opens[0] else min(ends[0], value)
        high = None if opens[1] else max(ends[1], value)
        terms = tuple(
            self._term(name, weighted_spread(*drawn((name,), SINGLE_DRAWS)), other.unit)
            for name in ALL
        )
        spread = weighted_spread(apart, weight)
        budget = replace(combine(terms, estimate=value), standard=spread)
        return self._told(one, other, budget, (low, high))

    def _phasors(
        self, at_hz: float, rng: np.random.Generator, draws: int
    ) -> tuple[ComplexArray, ComplexArray]:
        """The phase of each reflection at a frequency, as far as it counts against the other's."""
        common = _Common(self._sides, draws, self._seed)
        if any(side.f0_hz is None for side in self._sides):
            return any_phase(rng, draws), any_phase(rng, draws)
        found = []
        for number, side in enumerate(self._sides):
            squared = np.interp(at_hz, side.looked.frequency_hz, side.gamma_squared)
            f = np.array([[at_hz]])
            found.append(common.phasor(number, f, np.array([[squared]]))[0])
        return found[0], found[1]

    def _term(self, name: str, standard: float, unit: str) -> Term:
        known = self._sides[1].known
        assumed = {
            SHARED: known.directivity_db.assumed or known.source_match_db.assumed,
            JOINT: known.joint_gamma_sd.assumed,
            CONNECTOR: known.connector_sd_db.assumed,
            DRIFT: known.drift_db.assumed,
            SCALE: known.linearity_db.assumed,
        }
        return term(name, standard, unit, assumed=assumed.get(name, False))

    def _as_read(self, readings: tuple[Reading, Reading]) -> list[float]:
        """The value of each trace without any error taken off."""
        found = []
        for side, reading in zip(self._sides, readings, strict=True):
            f = side.looked.frequency_hz
            keep = _around(f, reading.between_hz)
            squared = side.gamma_squared[keep][:, np.newaxis]
            found.append(float(reading.of(f[keep], squared)[0]))
        return found

    def _errors(
        self,
        readings: tuple[Reading, Reading],
        errors: tuple[str, ...],
        draws: int,
        *,
        all_of_them: bool = False,
    ) -> FloatArray:
        """Difference under drawn errors less the difference as read; the finite draws only, unless
        all of them are wanted, one beside the other."""
        common = _Common(self._sides, draws, self._seed, by_size=readings[0].is_extreme)
        nominal, drawn = self._as_read(readings), []
        for number, (side, reading) in enumerate(zip(self._sides, readings, strict=True)):
            f = side.looked.frequency_hz
            keep = _around(f, reading.between_hz)
            truth = common.truths(number, keep, errors)
            drawn.append(reading.of(f[keep], truth))
        apart = (drawn[1] - drawn[0]) - (nominal[1] - nominal[0])
        if all_of_them:
            return apart
        found: FloatArray = apart[np.isfinite(apart)]
        if found.size < draws // 2:
            raise ReductionRefused(TOO_UNCERTAIN, advice=MEASURE_BETTER)
        return found


def _around(f: FloatArray, keep_hz: tuple[float, float]) -> slice:
    """The points of a band and one beyond each of its ends, at least two."""
    first = max(0, int(np.searchsorted(f, keep_hz[0], side="right")) - 2)
    last = min(f.size, int(np.searchsorted(f, keep_hz[1], side="left")) + 2)
    return slice(first, max(last, first + 2))


class _Common:
    """One draw of coupler and scale for both traces, and what each has of its own.

    by_size: whether the sizes of reflections are compared, not the places of dips and crossings. A
    size depends on how large the leak is at one frequency, and on the phase of the reflection
    itself, which the leak has changed (see `benchd.reduce.reflection_pairs`).
    """

    def __init__(
        self, sides: tuple[_Seen, _Seen], draws: int, seed: int, *, by_size: bool = False
    ) -> None:
        self._sides, self._draws = sides, draws
        known = sides[0].known
        rng = np.random.default_rng(seed)
        self._delay_s = rng.uniform(0.0, 2.0 * known.line_delay_s.value, draws)
        self._phase = rng.uniform(-np.pi, np.pi, (3, draws))
        self._sizes = [
            _size_draws(one, rng, draws) for one in (known.directivity_db, known.source_match_db)
        ]
        self._scale = rng.uniform(-1.0, 1.0, (2, draws))
        self._dip_sides, self._both_dip = self._relative_phase(rng)
        self._turned = np.zeros(draws)
        if by_size:
            local = np.random.default_rng([seed, 5])
            ratios = local_ratio(known.line_delay_s, known.leak_band_hz)
            self._sizes = [size * local.choice(ratios, draws) for size in self._sizes]
            self._turned = local.standard_normal(draws)
        self._own = [np.random.default_rng([seed, number + 1]) for number in range(2)]

    def _relative_phase(
        self, rng: np.random.Generator
    ) -> tuple[tuple[FloatArray, FloatArray], bool]:
        """Side of each dip (resistance above or below the system's), and whether both have one."""
        side = rng.choice([-1.0, 1.0], self._draws)
        depths = [math.sqrt(max(0.0, 1.0 - 1.0 / max(one.y0, 1.0))) for one in self._sides]
        other = side
        if max(depths) < ALIKE:
            other = rng.choice([-1.0, 1.0], self._draws)
        return (side, other), all(one.f0_hz is not None for one in self._sides)

    def truths(self, number: int, keep: slice, errors: tuple[str, ...]) -> FloatArray:
        """Squared reflections that the reading of one trace allows, shape (n, draws)."""
        side, rng = self._sides[number], self._own[number]
        known, f = side.known, side.looked.frequency_hz[keep][:, np.newaxis]
        squared = side.gamma_squared[keep][:, np.newaxis] * np.ones(self._draws)
        if NOISE in errors:
            noise = rng.standard_normal(squared.shape)
            squared = np.maximum(squared + side.sd[keep][:, np.newaxis] * noise, 1e-12)
        reading = np.sqrt(squared) * 10.0 ** (-self._scale_error_db(number, keep, errors) / 20.0)
        measured = reading * self.phasor(number, f, side.gamma_squared[keep][:, np.newaxis])
        leak = side.directivity[keep][:, np.newaxis] * self._sizes[0]
        measured = measured * np.exp(1j * self._turned * np.minimum(leak / reading, np.pi))
        seen = measured
        if SHARED in errors:
            seen = self._through_coupler(side, keep, f, measured)
        if JOINT in errors:
            seen = seen - joint_draws(known, rng, self._draws)
        found: FloatArray = np.abs(seen) ** 2
        return found

    def _scale_error_db(self, number: int, keep: slice, errors: tuple[str, ...]) -> FloatArray:
        """Draws of the errors that scale a reading, dB, shape (n, draws)."""
        side, rng = self._sides[number], self._own[number]
        known = side.known
        total = np.zeros((side.gamma_squared[keep].size, self._draws))
        if SHARED in errors:
            total += known.linearity_db.value * self._scale[0]
        if SCALE in errors and number == 1:
            first = self._sides[0].looked
            second = side.looked
            there = np.interp(second.frequency_hz[keep], first.frequency_hz, first.ratio_db)
            apart = np.minimum(1.0, np.abs(second.ratio_db[keep] - there) / SCALE_STEP_DB)
            total += known.linearity_db.value * apart[:, np.newaxis] * self._scale[1]
        if CONNECTOR in errors:
            total += known.connector_sd_db.value * rng.standard_normal(self._draws)
        if DRIFT in errors:
            total += known.drift_db.value * rng.uniform(-1.0, 1.0, self._draws)
        return total

    def phasor(self, number: int, f: FloatArray, squared: FloatArray) -> ComplexArray:
        """The phase of a reading, as far as it counts against the other's."""
        side = self._sides[number]
        if not self._both_dip or side.f0_hz is None:
            # Unknown: the second against the first at any phase.
            phase = self._phase[2] if number else np.zeros(self._draws)
            unknown: ComplexArray = np.exp(1j * phase) * np.ones((f.shape[0], 1))
            return unknown
        gamma = gamma_of(f, side.f0_hz, y_of(squared), side.y0, self._dip_sides[number])
        size = np.abs(gamma)
        found: ComplexArray = np.where(size > 1e-9, gamma / np.maximum(size, 1e-9), 1.0)
        return found

    def _through_coupler(
        self, side: _Seen, keep: slice, f: FloatArray, measured: ComplexArray
    ) -> ComplexArray:
        known = side.known
        centre_hz = float(self._sides[0].looked.frequency_hz.mean())
        # With frequency the line turns the phase of the leak, against the antenna's reflection, in
        # one direction, and that of the source match in the other.
        turn = 4.0 * np.pi * self._delay_s * (f - centre_hz)
        leak = side.directivity[keep][:, np.newaxis] * self._sizes[0]
        match = side.match[keep][:, np.newaxis] * self._sizes[1]
        directivity = leak * np.exp(1j * (self._phase[0] + turn))
        source = match * np.exp(1j * (self._phase[1] - turn))
        if known.tracking_db is None:
            measured = measured * full_reflection(directivity, source, known.baseline)
        seen = reflection(measured, directivity, source)
        if known.wall_gamma is not None:
            echo = known.wall_gamma.value * np.exp(1j * (self._phase[2] + turn))
            seen = seen - echo * np.maximum(0.0, 1.0 - np.abs(seen) ** 2)
        return seen


def _size_draws(known: Known, rng: np.random.Generator, draws: int) -> FloatArray:
    """Draws of the ratio of a leak's true size to the stated one. A size with nu degrees of freedom
    has the relative uncertainty 1/sqrt(2 nu) (JCGM 100, E.4.3)."""
    if not math.isfinite(known.degrees_of_freedom):
        return np.ones(draws)
    spread = min(1.0 / math.sqrt(2.0 * known.degrees_of_freedom), LARGEST_SPREAD)
    drawn: FloatArray = 1.0 + spread * rng.standard_normal(draws)
    return drawn
