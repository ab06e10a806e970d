"""Resonance: where the reflection is least, by a fit, with its uncertainty.

The frequency is the minimum of a curve fitted to 1/(1 - gamma^2)
(`benchd.reduce.resonance_curve`) over a window around the lowest point; never the nearest bin.

The coupler's leak moves the minimum of a scalar trace. With G = G0 + j b (f - f0) near resonance
the reading is |G0 + d cos p|^2 + (b (f - f0) + d sin p)^2, least at f - f0 = -(d/b) sin p: for
d = 30 dB and a loaded Q of 5 that is 0.3 % of f0, more than noise or bins ever do. The phase p is
unknown and changes with the line to the antenna, so the shift is found by drawing leaks and
refitting the same window (`benchd.reduce.resonance_interval`). Source match, baseline and noise
are treated in the same way. `benchd.reduce.dip_search` finds the dips; `benchd.reduce.dips` tells
which one is wanted and which could be as deep.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.budget_inputs import ASSUMED_TERM, ReflectionKnowledge
from benchd.reduce.decibels import gamma_from_return_loss
from benchd.reduce.dip_search import Ripple, Valley, valleys
from benchd.reduce.gamma_squared import Prepared, prepare, smooth, smoothing_of
from benchd.reduce.montecarlo import SEED, interval, linear_draws, with_interval
from benchd.reduce.reflection import BELOW_DIRECTIVITY, NEAR_NOISE_DB
from benchd.reduce.resonance_curve import Curve, Minima, curve, minima, y_at, y_of
from benchd.reduce.resonance_interval import LEAST_POINTS, Refit, Shifts, narrowed
from benchd.reduce.shared_draws import SharedDraws
from benchd.reduce.uncertainty import combine, has_assumed, term
from benchd.reduce.uneven import even_size
from benchd.results import Budget, Term
from benchd.traces import FloatArray

DRAWS = 2_000
"""Number of refits for the interval: its ends are then random by 2 % of its width. For each single
term of the budget, SINGLE_DRAWS are enough."""

SINGLE_DRAWS = 300
WINDOW_RISE = 1.08
"""The window reaches to 1.08 times the least y: a return loss of 11 dB around a perfect match.

Farther out an antenna with a matching section, a Yagi, or walls around it is no single resonant
circuit any more. Over 60 drawn benches (docs/coverage.md), windows to 1.3, 1.15, 1.1, 1.08, 1.06
times the least y missed the true minimum of a faultless trace by 5.6, 4.0, 2.7, 2.4, 1.9 MHz
(rms), and that of a measured one by 9.7, 9.0, 8.2, 7.9, 7.4 MHz.
"""

ANOTHER_DIP = "another-dip"
"""Flag: another dip may be the deeper one, since leak or noise may have reversed their order."""

FIT_POINTS = 64
"""Largest number of points in a fit: in a window with more, neighbours are averaged first."""

LOST_DRAWS = 0.2
"""If more than this share of the refits has no minimum, there is no dip: one in five such antennas
would not have shown it."""


@dataclass(frozen=True, eq=False)
class Resonance:
    """A resonance, or what can be said where there is none.

    gamma: magnitude at the minimum of the curve. loaded_q: NaN where no fit stands.
    budget: of the frequency, Hz; None where flagged `no-resonance`, or `edge-of-band` without
    a fit. q_budget: of the loaded Q; None where no fit stands. window_hz: what the fit used.
    gamma_sd: of gamma, by noise. coupling: of the antenna, where the bench file says it.
    """

    frequency_hz: float
    gamma: float
    loaded_q: float
    budget: Budget | None
    q_budget: Budget | None
    window_hz: tuple[float, float]
    flags: tuple[str, ...]
    gamma_sd: float = 0.0
    coupling: Literal["over", "under"] | None = None


@dataclass(frozen=True, eq=False)
class Look:
    """A trace made ready for finding resonances: smoothed, with its ripple and its valleys.

    valleys: deepest first.
    """

    data: Prepared
    smoothed: FloatArray
    ripple: Ripple
    valleys: list[Valley]


def look(
    frequency_hz: FloatArray,
    ratio_db: FloatArray,
    knowledge: ReflectionKnowledge,
    between_hz: tuple[float, float] | None = None,
) -> Look:
    """Valleys of a normalised trace (P_test - P_baseline, dB, shape (n,)).

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
    points = smoothing_of(data, (WINDOW_RISE - 1.0) / 4.0)
    smoothed = smooth(data.gamma_squared, points, data.frequency_hz)
    ripple = Ripple(data, smoothed, knowledge)
    return Look(data, smoothed, ripple, valleys(ripple))


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
    seen = look(frequency_hz, ratio_db, knowledge, between_hz)
    return resonance_in(seen, seen.valleys[0], knowledge, seed=seed)


def resonance_in(
    seen: Look, valley: Valley, knowledge: ReflectionKnowledge, *, seed: int = SEED
) -> Resonance:
    """The resonance of one valley."""
    if not valley.is_dip:
        flag = "edge-of-band" if any(valley.stands) else "no-resonance"
        return _without_fit(seen, valley.lowest, knowledge, (flag,))
    keep, cut = _window(seen, valley)
    data = seen.data.part(keep).thinned(FIT_POINTS)
    form = _weighted(data, knowledge)
    found = minima(form, y_of(data.gamma_squared))
    f0_hz = float(found.frequency_hz)
    if not data.frequency_hz[0] <= f0_hz <= data.frequency_hz[-1]:
        if any(cut):
            return _without_fit(seen, valley.lowest, knowledge, ("edge-of-band",))
        return _somewhere_in(seen, valley, keep, knowledge)
    flags = ("edge-of-band",) if _near_cut(data.frequency_hz, f0_hz, cut) else ()
    fitted = _with_budget(data, form, found, knowledge, flags, seed)
    return fitted or _somewhere_in(seen, valley, keep, knowledge)


def _somewhere_in(
    seen: Look, valley: Valley, window: slice, knowledge: ReflectionKnowledge
) -> Resonance:
    """The result for a clear valley whose bottom fits no single resonance.

    It may have ripple as deep as the dip, or be two dips. The resonance is then only known to lie
    within the window and the valley's own minima.
    """
    f, y = seen.data.frequency_hz, y_of(seen.smoothed)
    rise = WINDOW_RISE * float(y[valley.lowest])
    deep = [at for at in valley.minima if float(y[at]) <= rise]
    low_hz = float(min(f[window][0], *f[deep]))
    high_hz = float(max(f[window][-1], *f[deep]))
    f0_hz = float(f[valley.lowest])
    spread = term("window", (high_hz - low_hz) / 2.0, "Hz", "rectangular")
    budget = with_interval(combine((spread,), estimate=f0_hz), low_hz, high_hz, trials=0, seed=0)
    found = _without_fit(seen, valley.lowest, knowledge, ())
    return replace(
        found,
        gamma=float(seen.ripple.gamma[valley.lowest]),
        budget=budget,
        window_hz=(low_hz, high_hz),
        flags=(*found.flags, ANOTHER_DIP),
    )


def _window(seen: Look, valley: Valley) -> tuple[slice, tuple[bool, bool]]:
    """Points around the lowest with y below WINDOW_RISE times its y; and which ends are cut.

    If the leak's ripple is finer than the bottom of the valley, the window would shrink to a single
    trough of the ripple. The trace is then averaged over one period of the ripple first.
    """
    points = slice(valley.first, valley.last + 1)
    f, squared = seen.data.frequency_hz[points], seen.smoothed[points]
    lowest = valley.lowest - valley.first
    size = even_size(f)
    step_hz = float(f[-1] - f[0]) / max(size - 1, 1)
    period = 2 * round(seen.ripple.period_hz / step_hz / 2.0) + 1
    y = y_of(squared)
    rise = WINDOW_RISE * float(y[lowest])
    troughs = sum(float(y[at - valley.first]) <= rise for at in valley.minima)
    if troughs > 1 and 3 <= period < size / 2:
        y = y_of(smooth(squared, period, f))
        lowest = int(np.argmin(y))
        rise = WINDOW_RISE * float(y[lowest])
    high = np.flatnonzero(y > rise)
    left, right = high[high < lowest], high[high > lowest]
    first = int(left[-1]) if left.size else 0
    last = int(right[0]) if right.size else y.size - 1
    # A neighbouring dip begins at the top between the two. Near the top the curve bends the other
    # way, so the window ends before it.
    first = max(first, _inwards(lowest, 0, left.size == 0 and valley.first > 0))
    last = min(last, _inwards(lowest, y.size - 1, right.size == 0 and _ends_inside(seen, valley)))
    while last - first + 1 < min(LEAST_POINTS, y.size):
        first, last = max(0, first - 1), min(y.size - 1, last + 1)
    cut = (
        left.size == 0 and valley.first == 0,
        right.size == 0 and not _ends_inside(seen, valley),
    )
    first, last = first + valley.first, last + valley.first
    while last - first + 1 < LEAST_POINTS:
        first, last = max(0, first - 1), min(seen.smoothed.size - 1, last + 1)
    return slice(first, last + 1), cut


def _ends_inside(seen: Look, valley: Valley) -> bool:
    return valley.last < seen.smoothed.size - 1


def _inwards(lowest: int, end: int, has_neighbour: bool) -> int:
    """The end of a window towards a valley's end: six tenths of the way if a neighbour follows."""
    return lowest + int(0.6 * (end - lowest)) if has_neighbour else end


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
    # |G + d|^2 differs from gamma^2 by up to 2 gamma d + d^2; in y that is multiplied by y^2.
    spread = y**2 * np.hypot(2.0 * np.sqrt(squared) * leak + leak**2, data.sd)
    return curve(data.frequency_hz, 1.0 / np.maximum(spread, 1e-9), order)


def _without_fit(
    seen: Look, at: int, knowledge: ReflectionKnowledge, flags: tuple[str, ...]
) -> Resonance:
    gamma = math.sqrt(max(float(seen.data.gamma_squared[at]), 0.0))
    ends = seen.data.frequency_hz[[0, -1]]
    return Resonance(
        frequency_hz=float(seen.data.frequency_hz[at]),
        gamma=gamma,
        loaded_q=math.nan,
        budget=None,
        q_budget=None,
        window_hz=(float(ends[0]), float(ends[1])),
        flags=(*flags, *depth_flags(gamma, knowledge)),
    )


def _leak(knowledge: ReflectionKnowledge) -> float:
    """Size of the errors that add to the reflection at an unknown phase.

    They are directivity, and the walls' echo if the resonance is to hold in free space. Near a
    resonance an antenna receives nearly all power, so the echo counts in full. The two are
    independent and so are added as squares.
    """
    leak = gamma_from_return_loss(knowledge.directivity_db.value)
    wall = knowledge.wall_gamma
    return leak if wall is None else math.hypot(leak, wall.value)


def depth_flags(gamma: float, knowledge: ReflectionKnowledge) -> tuple[str, ...]:
    """The flags `below-directivity` and `near-noise`, if a dip is deep enough for them."""
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
    known: ReflectionKnowledge,
    flags: tuple[str, ...],
    seed: int,
) -> Resonance | None:
    """The fitted resonance with its budget; None if too many of the refits have no minimum."""
    refit = Refit(data, form, found, known)
    f0_hz, q = float(found.frequency_hz), float(found.loaded_q)
    rng = SharedDraws(seed)
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
    if everything.lost > LOST_DRAWS or not np.isfinite(q):
        return None
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
    budget = _settled(terms, extra, f0_hz, _with_lost(everything, data, rng), seed)
    q_terms = tuple(_drawn_term(name, d.q_shift, "1", guessed) for name, d in singles.items())
    q_budget = _settled(q_terms, (), q, everything.q_shift, seed)
    gamma = math.sqrt(max(0.0, 1.0 - 1.0 / max(float(found.y0), 1.0)))
    noise = float(np.sqrt(np.mean(singles["noise"].depth_shift ** 2)))
    flags += depth_flags(gamma, known)
    if has_assumed(terms):
        flags += (ASSUMED_TERM,)
    window_hz = (float(data.frequency_hz[0]), float(data.frequency_hz[-1]))
    # d(gamma) = d(gamma^2)/(2 gamma). For gamma near zero, the root of what noise alone gives.
    gamma_sd = noise / (2.0 * max(gamma, math.sqrt(noise) / 2.0)) if noise > 0.0 else 0.0
    return Resonance(f0_hz, gamma, q, budget, q_budget, window_hz, flags, gamma_sd, known.coupling)


def _with_lost(drawn: Shifts, data: Prepared, rng: np.random.Generator) -> FloatArray:
    """The shifts, with refits without a minimum counted as lying at the ends of the window."""
    lost = round(drawn.lost / (1.0 - drawn.lost) * drawn.shift_hz.size)
    reach_hz = 0.75 * float(np.ptp(data.frequency_hz))
    ends: FloatArray = np.append(drawn.shift_hz, rng.choice([-reach_hz, reach_hz], lost))
    return ends


def _drawn_term(name: str, shift: FloatArray, unit: str, guessed: dict[str, bool]) -> Term:
    """A term whose standard uncertainty was found from draws.

    An error of one delay and unknown phase has a u-shaped distribution (kurtosis 1.5). With several
    delays it is nearly normal (3), or has longer tails. The nearer of the two names is given.
    """
    standard = float(np.sqrt(np.mean(shift**2))) if shift.size else 0.0
    if standard > 0.0 and float(np.mean(shift**4)) / standard**4 < 2.25:
        size = standard * math.sqrt(2.0)
        return term(name, size, unit, "u-shaped", assumed=guessed[name])
    return term(name, standard, unit, assumed=guessed[name])


def _settled(
    terms: tuple[Term, ...], extra: tuple[Term, ...], estimate: float, shift: FloatArray, seed: int
) -> Budget:
    """The budget with its interval from the refits, which show the true distribution. The terms
    only show what contributes to it."""
    budget = combine(terms, estimate=estimate)
    others = linear_draws(extra, SharedDraws(seed), shift.size)
    low, high = interval(estimate + shift + others)
    return with_interval(
        budget, min(low, estimate), max(high, estimate), trials=shift.size, seed=seed
    )


def _model_misfit(data: Prepared, form: Curve, found: Minima, narrow_hz: FloatArray) -> float:
    """How far a narrower window moves the minimum because the model does not fit, Hz.

    Noise and leak also make the results of the two windows differ, independently of a misfit. On
    average the squares add up, so theirs are subtracted from the square of the observed difference.
    """
    narrow = narrowed(data, form, found)
    if narrow is None:
        return 0.0
    keep, inner = narrow
    moved = minima(inner, y_of(data.gamma_squared[keep])).frequency_hz - found.frequency_hz
    usual = float(np.std(narrow_hz)) if narrow_hz.size else 0.0
    return math.sqrt(max(0.0, float(moved) ** 2 - usual**2)) if np.isfinite(moved) else 0.0


def wider(found: Resonance, others_hz: list[float]) -> Resonance:
    """The resonance with its interval extended to other frequencies at which it may also lie."""
    if found.budget is None or not others_hz:
        return found
    low = min(found.budget.low, *others_hz)
    high = max(found.budget.high, *others_hz)
    budget = with_interval(
        found.budget, low, high, trials=found.budget.trials, seed=found.budget.seed
    )
    return replace(found, budget=budget)
