"""Resonance: where the reflection is least, by a fit, with its uncertainty.

The frequency is the minimum of a curve fitted to 1/(1 - gamma^2) (`benchd.reduce.rlc`) over a
window around the lowest point; never the nearest bin.

The coupler's leak moves the minimum of a scalar trace. With G = G0 + j b (f - f0) near resonance
the reading is |G0 + d cos p|^2 + (b (f - f0) + d sin p)^2, least at f - f0 = -(d/b) sin p: for
d = 30 dB and a loaded Q of 5 that is 0.3 % of f0, more than noise or bins ever do. The phase p is
unknown and turns along the line to the antenna, so the shift is found by drawing phases and
refitting the same window (JCGM 101); source match, baseline and noise go the same way.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchd.errors import ReductionRefused
from benchd.reduce.decibels import NEPER_DB, gamma_from_return_loss
from benchd.reduce.knowledge import ASSUMED_TERM, ReflectionKnowledge
from benchd.reduce.montecarlo import SEED, interval, linear_draws, with_interval
from benchd.reduce.noise import carrier_level_dbm, reading_standard_db
from benchd.reduce.reflection import BELOW_DIRECTIVITY, NEAR_NOISE_DB, roughness_db
from benchd.reduce.reflectometer import full_reflection, joint_draws, reading
from benchd.reduce.rlc import Curve, Minima, curve, gamma_of, minima, y_at, y_of
from benchd.reduce.uncertainty import combine, has_assumed, term
from benchd.results import Budget, Result, Term
from benchd.traces import FloatArray

DRAWS = 2_000
"""Refits for the interval: its ends then scatter by 2 % of its width; 300 for each term."""

SINGLE_DRAWS = 300
WINDOW_RISE = 1.08
"""The window reaches to 1.08 times the least y: a return loss of 11 dB around a perfect match.

Farther out an antenna with a matching section, a Yagi, or walls around it is no single resonant
circuit any more. Over 60 drawn benches (docs/coverage.md), windows to 1.3, 1.15, 1.1, 1.08, 1.06
times the least y missed the true minimum of a faultless trace by 5.6, 4.0, 2.7, 2.4, 1.9 MHz
(rms), and that of a measured one by 9.7, 9.0, 8.2, 7.9, 7.4 MHz.
"""

NARROW_RISE = 1.03
LEAST_POINTS = 7
LEAST_RISE = 0.02
"""y must rise by 2 % on both sides, and by five standard deviations: else `no-resonance`."""


@dataclass(frozen=True, eq=False)
class Prepared:
    """A normalised trace ready for fitting, all shape (n,).

    gamma_squared: noise bias removed. sd: standard deviation of each point of gamma_squared.
    """

    frequency_hz: FloatArray
    gamma_squared: FloatArray
    sd: FloatArray


@dataclass(frozen=True, eq=False)
class Resonance:
    """A resonance, or what can be said where there is none.

    gamma: magnitude at the minimum of the curve. loaded_q: NaN where no fit stands.
    budget: of the frequency, Hz; None where flagged `no-resonance`, or `edge-of-band` without
    a fit. q_budget: of the loaded Q. window_hz: what the fit used.
    """

    frequency_hz: float
    gamma: float
    loaded_q: float
    budget: Budget | None
    q_budget: Budget | None
    window_hz: tuple[float, float]
    flags: tuple[str, ...]


def prepare(
    frequency_hz: FloatArray, ratio_db: FloatArray, knowledge: ReflectionKnowledge
) -> Prepared:
    """gamma^2 and its noise from a normalised trace in dB, both shape (n,)."""
    squared = 10.0 ** (ratio_db / 10.0)
    item = knowledge.noise_sd_db
    sd_db = np.full(squared.shape, roughness_db(ratio_db) if item is None else item.value)
    if knowledge.dynamic_range_db is not None:
        noise_db = -knowledge.dynamic_range_db.value
        if knowledge.detector == "rms":
            squared = squared - 10.0 ** (noise_db / 10.0)
        else:
            levels = [carrier_level_dbm(float(v), noise_db, knowledge.detector) for v in ratio_db]
            squared = 10.0 ** (np.array(levels) / 10.0)
        floor = np.maximum(squared, 10.0 ** (noise_db / 10.0) / 10.0)
        from_noise = [
            reading_standard_db(
                10.0 * math.log10(value) - noise_db,
                knowledge.detector,
                knowledge.independent_samples,
            )
            for value in floor
        ]
        sd_db = np.maximum(sd_db, from_noise)
        return Prepared(frequency_hz, squared, 2.0 * floor * sd_db / NEPER_DB)
    return Prepared(frequency_hz, squared, 2.0 * squared * sd_db / NEPER_DB)


def resonance(
    frequency_hz: FloatArray,
    ratio_db: FloatArray,
    knowledge: ReflectionKnowledge,
    *,
    between_hz: tuple[float, float] | None = None,
    seed: int = SEED,
) -> Resonance:
    """The deepest resonance of a normalised trace (P_test - P_baseline, dB, shape (n,)).

    between_hz: look only there. Raises ReductionRefused for fewer than 7 points.
    """
    inside = np.ones(frequency_hz.shape, dtype=bool)
    if between_hz is not None:
        inside = (frequency_hz >= between_hz[0]) & (frequency_hz <= between_hz[1])
    if np.count_nonzero(inside) < LEAST_POINTS:
        raise ReductionRefused(
            f"{np.count_nonzero(inside)} points are too few to find a resonance, "
            f"at least {LEAST_POINTS} are needed",
            advice="Sweep with more points.",
        )
    data = prepare(frequency_hz, ratio_db, knowledge)
    data = Prepared(data.frequency_hz[inside], data.gamma_squared[inside], data.sd[inside])
    lowest, flags = _lowest(data)
    if flags:
        return _without_fit(data, lowest, knowledge, flags)
    keep, cut = _window(y_of(_smoothed(data)), lowest)
    data = Prepared(data.frequency_hz[keep], data.gamma_squared[keep], data.sd[keep])
    form = _weighted(data, knowledge)
    found = minima(form, y_of(data.gamma_squared))
    f0_hz = float(found.frequency_hz)
    if not data.frequency_hz[0] <= f0_hz <= data.frequency_hz[-1]:
        flag = "edge-of-band" if any(cut) else "no-resonance"
        at = int(np.argmin(data.gamma_squared))
        return _without_fit(data, at, knowledge, (flag,))
    if _near_cut(data.frequency_hz, f0_hz, cut):
        flags = ("edge-of-band",)
    return _with_budget(data, form, found, knowledge, flags, seed)


def smooth(values: FloatArray, points: int) -> FloatArray:
    """Running mean of shape (n,) over an odd number of points, ends held."""
    padded = np.pad(values, points // 2, mode="edge")
    mean: FloatArray = np.convolve(padded, np.full(points, 1.0 / points), mode="valid")
    return mean


def points_to_smooth(spread: float, wanted: float, size: int) -> int:
    """How many neighbours to average so that noise of that spread falls to what is wanted.

    Odd; at least about one per cent of the trace, at most a twelfth of it, so that a resonance
    keeps its shape.
    """
    least, most = 2 * (size // 200) + 1, 2 * (size // 24) + 1
    needed = 2 * math.ceil(((spread / wanted) ** 2 - 1.0) / 2.0) + 1 if spread > wanted else 1
    return min(max(least, needed), max(least, most))


def _smoothed(data: Prepared) -> FloatArray:
    """gamma^2 so smooth that noise alone does not open or close the window of the fit."""
    deep = data.gamma_squared <= np.quantile(data.gamma_squared, 0.3)
    y = y_of(data.gamma_squared[deep])
    spread = float(np.median(y**2 * data.sd[deep]))
    return smooth(
        data.gamma_squared, points_to_smooth(spread, (WINDOW_RISE - 1.0) / 4.0, data.sd.size)
    )


def _lowest(data: Prepared) -> tuple[int, tuple[str, ...]]:
    """Index of the lowest smoothed point, with the flag that forbids a fit, if any."""
    squared = _smoothed(data)
    lowest = int(np.argmin(squared))
    y = y_of(squared)
    # Propagated to y: dy = y^2 d(gamma^2).
    needed = max(LEAST_RISE, 5.0 * float(y[lowest] * data.sd[lowest]))
    rises = [float(side.max(initial=0.0)) / y[lowest] - 1.0 for side in (y[:lowest], y[lowest:])]
    if min(rises) >= needed:
        return lowest, ()
    return lowest, ("edge-of-band" if max(rises) >= needed else "no-resonance",)


def _window(y: FloatArray, lowest: int) -> tuple[slice, tuple[bool, bool]]:
    """Points around the lowest with y below WINDOW_RISE times its y; and which ends are cut."""
    high = np.flatnonzero(y > WINDOW_RISE * y[lowest])
    left, right = high[high < lowest], high[high > lowest]
    first = int(left[-1]) if left.size else 0
    last = int(right[0]) if right.size else y.size - 1
    while last - first + 1 < LEAST_POINTS:
        first, last = max(0, first - 1), min(y.size - 1, last + 1)
    return slice(first, last + 1), (left.size == 0, right.size == 0)


def _near_cut(frequency_hz: FloatArray, f0_hz: float, cut: tuple[bool, bool]) -> bool:
    """True where the band ends within two fifths of the window from the resonance."""
    reach = 0.4 * float(np.ptp(frequency_hz))
    return (cut[0] and f0_hz - frequency_hz[0] < reach) or (
        cut[1] and frequency_hz[-1] - f0_hz < reach
    )


def _weighted(data: Prepared, knowledge: ReflectionKnowledge) -> Curve:
    """A fit weighted by noise and leak, from a first fit without weights."""
    order = 3 if data.frequency_hz.size > 8 else 2
    even = curve(data.frequency_hz, np.ones_like(data.frequency_hz), order)
    first = minima(even, y_of(data.gamma_squared))
    y = np.maximum(y_at(even, first.coefficients, data.frequency_hz), 1.0)
    squared = np.maximum(1.0 - 1.0 / y, 0.0)
    leak = _leak(knowledge)
    # |G + d|^2 strays from gamma^2 by up to 2 gamma d + d^2; y multiplies that by y^2.
    spread = y**2 * np.hypot(2.0 * np.sqrt(squared) * leak + leak**2, data.sd)
    return curve(data.frequency_hz, 1.0 / np.maximum(spread, 1e-9), order)


def _without_fit(
    data: Prepared, at: int, knowledge: ReflectionKnowledge, flags: tuple[str, ...]
) -> Resonance:
    gamma = math.sqrt(max(float(data.gamma_squared[at]), 0.0))
    return Resonance(
        frequency_hz=float(data.frequency_hz[at]),
        gamma=gamma,
        loaded_q=math.nan,
        budget=None,
        q_budget=None,
        window_hz=(float(data.frequency_hz[0]), float(data.frequency_hz[-1])),
        flags=(*flags, *_depth_flags(gamma, knowledge)),
    )


def _leak(knowledge: ReflectionKnowledge) -> float:
    """What adds to the reflection at an unknown phase: directivity, and the walls where the
    resonance is to hold in free space. Near a resonance an antenna takes nearly all in, so that
    the walls count in full; the two are independent, hence in quadrature."""
    leak = gamma_from_return_loss(knowledge.directivity_db.value)
    wall = knowledge.wall_gamma
    return leak if wall is None else math.hypot(leak, wall.value)


def _depth_flags(gamma: float, knowledge: ReflectionKnowledge) -> tuple[str, ...]:
    flags: tuple[str, ...] = ()
    if gamma < BELOW_DIRECTIVITY * gamma_from_return_loss(knowledge.directivity_db.value):
        flags += ("below-directivity",)
    if knowledge.dynamic_range_db is not None:
        nearest = 10.0 ** ((NEAR_NOISE_DB - knowledge.dynamic_range_db.value) / 20.0)
        flags += ("near-noise",) if gamma < nearest else ()
    return flags


def _with_budget(
    data: Prepared,
    form: Curve,
    found: Minima,
    knowledge: ReflectionKnowledge,
    flags: tuple[str, ...],
    seed: int,
) -> Resonance:
    refit = _Refit(data, form, found, knowledge)
    f0_hz, q = float(found.frequency_hz), float(found.loaded_q)
    rng = np.random.default_rng(seed)
    known = knowledge
    leak_name = "directivity" if known.wall_gamma is None else "directivity and box walls"
    singles = {
        leak_name: refit.draw(rng, SINGLE_DRAWS, leak=True),
        "source match and baseline": refit.draw(rng, SINGLE_DRAWS, match=True),
        "connector reflection": refit.draw(rng, SINGLE_DRAWS, joint=True),
        "noise": refit.draw(rng, SINGLE_DRAWS, noise=True),
    }
    guessed = {
        leak_name: known.directivity_db.assumed
        or known.line_delay_s.assumed
        or bool(known.wall_gamma and known.wall_gamma.assumed),
        "source match and baseline": known.source_match_db.assumed,
        "connector reflection": known.joint_gamma_sd.assumed,
        "noise": bool(known.noise_sd_db and known.noise_sd_db.assumed),
    }
    everything = refit.draw(rng, DRAWS, leak=True, match=True, joint=True, noise=True)
    model_hz = _model_misfit(data, form, found, everything.narrow_hz)
    extra = (
        term("curve", model_hz, "Hz", "rectangular"),
        term(
            "frequency reference",
            known.frequency_error.value * f0_hz,
            "Hz",
            "rectangular",
            assumed=known.frequency_error.assumed,
        ),
    )
    shapes = {name: _drawn_term(name, d.shift_hz, "Hz", guessed) for name, d in singles.items()}
    terms = (*shapes.values(), *extra)
    # A leak that flattens the curve also moves its minimum further: shifts are taken in units
    # of the bandwidth that the same refit shows (the studentised bootstrap; Efron and
    # Tibshirani, An Introduction to the Bootstrap, ch. 12, from memory).
    pivot_hz = everything.shift_hz * (1.0 + everything.q_shift / q)
    budget = _settled(terms, extra, f0_hz, pivot_hz, seed)
    q_terms = tuple(_drawn_term(name, d.q_shift, "1", guessed) for name, d in singles.items())
    q_budget = _settled(q_terms, (), q, everything.q_shift, seed)
    gamma = math.sqrt(max(0.0, 1.0 - 1.0 / max(float(found.y0), 1.0)))
    flags += _depth_flags(gamma, known)
    if has_assumed(terms):
        flags += (ASSUMED_TERM,)
    window_hz = (float(data.frequency_hz[0]), float(data.frequency_hz[-1]))
    return Resonance(f0_hz, gamma, q, budget, q_budget, window_hz, flags)


def _drawn_term(name: str, shift: FloatArray, unit: str, guessed: dict[str, bool]) -> Term:
    """A term whose standard uncertainty was drawn.

    One phase at one delay is u-shaped (kurtosis 1.5); over unknown delays it comes out normal in
    shape (3), or longer in the tails. The nearer name is given.
    """
    standard = float(np.sqrt(np.mean(shift**2)))
    if standard > 0.0 and float(np.mean(shift**4)) / standard**4 < 2.25:
        size = standard * math.sqrt(2.0)
        return term(name, size, unit, "u-shaped", assumed=guessed[name])
    return term(name, standard, unit, assumed=guessed[name])


def _settled(
    terms: tuple[Term, ...], extra: tuple[Term, ...], estimate: float, shift: FloatArray, seed: int
) -> Budget:
    """The interval always comes from the refits: they hold the true shape, its terms only names."""
    budget = combine(terms, estimate=estimate)
    others = linear_draws(extra, np.random.default_rng(seed), shift.size)
    low, high = interval(estimate - shift + others)
    return with_interval(budget, low, high, trials=shift.size, seed=seed)


def _model_misfit(data: Prepared, form: Curve, found: Minima, narrow_hz: FloatArray) -> float:
    """How far a narrower window moves the minimum, noise and leak taken off in quadrature, Hz.

    Both make the two windows differ, independently of a misfit: the square of what is seen is,
    on average, the sum of the squares.
    """
    narrow = _narrow(data, form, found)
    if narrow is None:
        return 0.0
    keep, inner = narrow
    moved = minima(inner, y_of(data.gamma_squared[keep])).frequency_hz - found.frequency_hz
    usual = float(np.nanstd(narrow_hz)) if narrow_hz.size else 0.0
    return math.sqrt(max(0.0, float(moved) ** 2 - usual**2)) if np.isfinite(moved) else 0.0


def _narrow(data: Prepared, form: Curve, found: Minima) -> tuple[NDArray[np.intp], Curve] | None:
    fitted = y_at(form, found.coefficients, data.frequency_hz)
    keep = np.flatnonzero(fitted <= NARROW_RISE * float(found.y0))
    if keep.size < LEAST_POINTS:
        return None
    even = np.ones(keep.size)
    return keep, curve(data.frequency_hz[keep], even, 2)


@dataclass(frozen=True, eq=False)
class _Shifts:
    """Refitted minus original: frequency, Q, and narrow-window minus wide-window frequency."""

    shift_hz: FloatArray
    q_shift: FloatArray
    narrow_hz: FloatArray


class _Refit:
    """Draws traces that this bench could have shown of the fitted antenna, and refits them."""

    def __init__(
        self, data: Prepared, form: Curve, found: Minima, knowledge: ReflectionKnowledge
    ) -> None:
        self._data, self._form, self._found, self._known = data, form, found, knowledge
        self._narrow = _narrow(data, form, found)
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
    ) -> _Shifts:
        """Refits under the named errors only."""
        f = self._data.frequency_hz[:, None]
        f0_hz = float(self._found.frequency_hz)
        side = rng.choice([-1.0, 1.0], draws)
        gamma = gamma_of(f, f0_hz, self._y, float(self._found.y0), side)
        # The line turns the leak one way against the antenna and the source match the other.
        delay_s = rng.uniform(0.0, 2.0 * self._known.line_delay_s.value, draws)
        turn = 4.0 * np.pi * delay_s * (f - f0_hz)
        phase = rng.uniform(-np.pi, np.pi, (2, draws))
        d = _leak(self._known) if leak else 0.0
        s = gamma_from_return_loss(self._known.source_match_db.value) if match else 0.0
        directivity = d * np.exp(1j * (phase[0] + turn))
        source = s * np.exp(1j * (phase[1] - turn))
        if joint:
            # A millimetre from the antenna: its phase hardly turns over the window.
            gamma = gamma + joint_draws(self._known, rng, draws)
        squared: FloatArray = np.abs(reading(gamma, directivity, source)) ** 2
        if self._known.tracking_db is None:
            squared = squared / full_reflection(directivity, source, self._known.baseline) ** 2
        if noise:
            squared = squared + self._data.sd[:, None] * rng.standard_normal(squared.shape)
        return self._shifts(squared)

    def _shifts(self, squared: FloatArray) -> _Shifts:
        again = minima(self._form, y_of(squared))
        good = np.isfinite(again.frequency_hz)
        narrow_hz = np.empty(0)
        if self._narrow is not None:
            keep, inner = self._narrow
            narrow_hz = minima(inner, y_of(squared[keep])).frequency_hz - again.frequency_hz
        return _Shifts(
            again.frequency_hz[good] - float(self._found.frequency_hz),
            again.loaded_q[good] - float(self._found.loaded_q),
            narrow_hz,
        )


def resonance_results(found: Resonance) -> tuple[Result, ...]:
    """Results `resonance_frequency` and, where a fit stands, `loaded_q` and `unloaded_q`."""
    frequency = _result("resonance_frequency", found.frequency_hz, "Hz", found.budget, found)
    if found.budget is None or found.q_budget is None:
        note = "No minimum inside the band: this is its lowest point, not a resonance."
        return (replace(frequency, note=note),)
    q = _result("loaded_q", found.loaded_q, "1", found.q_budget, found)
    return (frequency, q, _unloaded(found, found.q_budget))


def _unloaded(found: Resonance, loaded: Budget) -> Result:
    """Unloaded Q of a series circuit: QL (1 + r)/r = 2 QL/(1 +- gamma).

    The sign depends on whether R lies above or below Z0, which a scalar trace cannot tell: the
    mean of both is given, and half their distance is their standard uncertainty.
    """
    apart = 1.0 - found.gamma**2
    value = 2.0 * found.loaded_q / apart
    terms = (
        term("loaded Q", loaded.standard, "1", sensitivity=2.0 / apart),
        term("R above or below Z0", value * found.gamma, "1"),
    )
    return _result("unloaded_q", value, "1", combine(terms, estimate=value), found)


def _result(
    quantity: str, value: float, unit: str, budget: Budget | None, found: Resonance
) -> Result:
    return Result(
        quantity=quantity,
        value=value,
        unit=unit,
        expanded_uncertainty=budget.expanded if budget else None,
        coverage_factor=budget.coverage_factor if budget else None,
        low=budget.low if budget else None,
        high=budget.high if budget else None,
        frequency_hz=None if unit == "Hz" else found.frequency_hz,
        flags=found.flags,
        budget=budget,
    )
