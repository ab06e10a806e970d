"""All dips of a trace: which one is wanted, how deep each is, and which could be the deepest.

Of two dips of nearly the same depth it is not certain which is deeper: the leak adds to each with
another phase, and so does noise. If these could have reversed the order, the result is the dip that
reads deeper, flagged `another-dip`. Every dip is reported with its own interval.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from benchd.reduce.budget_inputs import Known, ReflectionKnowledge
from benchd.reduce.decibels import NEPER_DB, return_loss_from_gamma
from benchd.reduce.dip_search import Valley
from benchd.reduce.montecarlo import SEED
from benchd.reduce.reflection import ReflectionPoint, point_result, reflection_at
from benchd.reduce.reflectometer import gamma_draws
from benchd.reduce.resonance import ANOTHER_DIP, Look, Resonance, look, resonance_in, wider
from benchd.reduce.shared_draws import SharedDraws
from benchd.reduce.uncertainty import combine, term
from benchd.results import Budget, Result
from benchd.traces import FloatArray

Meant = Literal["deepest", "nearest"]

MOST_DIPS = 6
ORDER_DRAWS = 2_000
DOUBT = 0.025
"""If leak and noise reverse the order of two dips in more than this share of draws, the order
counts as uncertain: it does not hold in 95 % of cases, two-sided."""

SMALLEST_GAMMA = 1e-6


@dataclass(frozen=True, eq=False)
class Dip:
    """One dip: its frequency with the other values of the fit, and its depth.

    depth: the reflection at its minimum. could_be_deepest: whether it may be the deepest dip, given
    leak and noise.
    """

    resonance: Resonance
    depth: ReflectionPoint
    could_be_deepest: bool

    @property
    def frequency_hz(self) -> float:
        """Frequency of the dip, Hz."""
        return self.resonance.frequency_hz


@dataclass(frozen=True, eq=False)
class Dips:
    """The resonances of a trace.

    meant: the resonance that the results describe, or the reason why there is none.
    found: all dips, the wanted one first and the others by depth; empty if there is none.
    """

    meant: Resonance
    found: tuple[Dip, ...]


def dips(
    frequency_hz: FloatArray,
    ratio_db: FloatArray,
    knowledge_at: Callable[[float], ReflectionKnowledge],
    *,
    meant: Meant = "deepest",
    near_hz: float | None = None,
    between_hz: tuple[float, float] | None = None,
    seed: int = SEED,
) -> Dips:
    """All dips of a normalised trace (P_test - P_baseline, dB, shape (n,)).

    knowledge_at: of the bench at a frequency in Hz. meant: the deepest dip, or the nearest to
    near_hz (on a scale of ln f). between_hz: look only there.
    Raises ReductionRefused for fewer than 7 points.
    """
    lowest_hz = float(frequency_hz[int(np.argmin(ratio_db))])
    seen = look(frequency_hz, ratio_db, knowledge_at(lowest_hz), between_hz)
    deepest = seen.valleys[0]
    # A dip that does not rise on both sides is reported as the lowest point of the sweep.
    clear = [valley for valley in seen.valleys if valley.is_dip][:MOST_DIPS]
    every = [_dip(seen, valley, knowledge_at, seed) for valley in clear]
    found = [one for one in every if one.resonance.budget is not None]
    alone = _found_alone(seen, deepest, knowledge_at, seed) if not deepest.is_dip else None
    found = _ordered(found, knowledge_at, seed)
    if meant == "nearest" and near_hz is not None and found:
        found.sort(key=lambda one: abs(math.log(one.frequency_hz / near_hz)))
        named = found[0]
        # The wanted dip is chosen by frequency, so the order of depths does not matter.
        return Dips(named.resonance, (named, *sorted(found[1:], key=_depth)))
    if alone is not None or not found:
        first = alone or _found_alone(seen, deepest, knowledge_at, seed)
        return Dips(first, tuple(found))
    # A valley whose curve cannot be fitted may still be the deeper one.
    doubt = len(found) < len(every) or any(one.could_be_deepest for one in found[1:])
    flags = found[0].resonance.flags
    if doubt and ANOTHER_DIP not in flags:
        flagged = replace(found[0].resonance, flags=(*flags, ANOTHER_DIP))
        found[0] = replace(found[0], resonance=flagged)
    return Dips(found[0].resonance, tuple(found))


def _found_alone(
    seen: Look, valley: Valley, knowledge_at: Callable[[float], ReflectionKnowledge], seed: int
) -> Resonance:
    at_hz = float(seen.data.frequency_hz[valley.lowest])
    return resonance_in(seen, valley, knowledge_at(at_hz), seed=seed)


def _depth(dip: Dip) -> float:
    return dip.depth.gamma


def _dip(
    seen: Look, valley: Valley, knowledge_at: Callable[[float], ReflectionKnowledge], seed: int
) -> Dip:
    """The resonance of one valley with its depth, and other dips in the same valley."""
    known = knowledge_at(float(seen.data.frequency_hz[valley.lowest]))
    there = resonance_in(seen, valley, known, seed=seed)
    depth = _depth_at(there, known, seed)
    if there.budget is None:
        return Dip(there, depth, True)
    rivals = [
        at
        for at in valley.minima
        if at != valley.lowest and _may_be_deeper(seen, at, valley.lowest, known, seed)
    ]
    rivals_hz = [float(seen.data.frequency_hz[at]) for at in rivals]
    beyond = [f for f in rivals_hz if not there.budget.low <= f <= there.budget.high]
    if beyond:
        # These may be two dips, or one dip with ripple. The readings cannot tell, so the resonance
        # may lie at either.
        there = replace(wider(there, rivals_hz), flags=(*there.flags, ANOTHER_DIP))
    return Dip(there, depth, True)


def _may_be_deeper(seen: Look, at: int, lowest: int, known: ReflectionKnowledge, seed: int) -> bool:
    rng = SharedDraws(seed)
    one, other = (
        _depths(float(seen.ripple.gamma[where]), float(seen.data.sd[where]), known, rng)
        for where in (at, lowest)
    )
    return float(np.mean(one < other)) > DOUBT


def _depths(
    gamma: float, squared_sd: float, known: ReflectionKnowledge, rng: np.random.Generator
) -> FloatArray:
    """Draws of the true magnitude of a dip, with leak and noise drawn for this dip."""
    noise = squared_sd * rng.standard_normal(ORDER_DRAWS)
    noisy = np.sqrt(np.maximum(gamma**2 + noise, SMALLEST_GAMMA**2))
    return gamma_draws(1.0, -NEPER_DB * np.log(noisy), known, rng)


def _ordered(
    found: list[Dip], knowledge_at: Callable[[float], ReflectionKnowledge], seed: int
) -> list[Dip]:
    """The dips in order of depth, each marked if it could be the deepest."""
    if not found:
        return []
    found = sorted(found, key=_depth)
    rng = SharedDraws(seed)
    drawn = []
    for one in found:
        there = one.resonance
        squared_sd = 2.0 * max(there.gamma, there.gamma_sd) * there.gamma_sd
        drawn.append(_depths(there.gamma, squared_sd, knowledge_at(one.frequency_hz), rng))
    return [
        replace(one, could_be_deepest=float(np.mean(depth <= drawn[0])) > DOUBT)
        for one, depth in zip(found, drawn, strict=True)
    ]


def _depth_at(there: Resonance, known: ReflectionKnowledge, seed: int) -> ReflectionPoint:
    """The reflection at the minimum of the fitted curve. Unlike the lowest reading, it depends
    little on noise and on the spacing of the points."""
    gamma = max(there.gamma, there.gamma_sd, SMALLEST_GAMMA)
    # The fit has already removed the noise's bias and averaged its scatter.
    quiet = replace(
        known,
        dynamic_range_db=None,
        noise_sd_db=Known(min(NEPER_DB * there.gamma_sd / gamma, NEPER_DB)),
    )
    f0_hz = there.frequency_hz
    return reflection_at(
        f0_hz * np.array([1.0 - 1e-6, 1.0, 1.0 + 1e-6]),
        np.full(3, -return_loss_from_gamma(gamma)),
        f0_hz,
        quiet,
        seed=seed,
    )


def dip_results(found: Dips) -> tuple[Result, ...]:
    """What a trace shows of resonances, as results.

    `resonance_count`: number of dips that are clear of leak, ripple and noise; 0 with the flag
    `no-resonance`. For the wanted dip: `resonance_frequency`, `resonance_return_loss`, `loaded_q`,
    `unloaded_q`. For every other one: `further_resonance_frequency` and
    `further_resonance_return_loss`. If there is none, a frequency stands in the note only.
    """
    meant, others = found.meant, found.found
    results = [_count(found)]
    if meant.budget is not None:
        named, others = others[0], others[1:]
        note = _place(1, len(others) + 1, named) if others else ""
        results += [
            replace(_frequency("resonance_frequency", meant), note=note),
            _return_loss("resonance_return_loss", named),
        ]
        if meant.q_budget is not None:
            results.append(_result("loaded_q", meant.loaded_q, "1", meant.q_budget, meant))
            results.append(_unloaded(meant, meant.q_budget))
    elif "edge-of-band" in meant.flags:
        note = (
            "No minimum inside the sweep: this is its lowest point, not a resonance. Sweep wider."
        )
        results.append(replace(_frequency("resonance_frequency", meant), note=note))
    for number, one in enumerate(others, start=2):
        note = _place(number, len(others) + 1, one)
        frequency = _frequency("further_resonance_frequency", one.resonance)
        depth = _return_loss("further_resonance_return_loss", one)
        results += [
            replace(frequency, note=note),
            replace(depth, note=f"{depth.note} {note}".strip()),
        ]
    return tuple(results)


def _place(number: int, of: int, dip: Dip) -> str:
    depth_db = return_loss_from_gamma(max(dip.depth.gamma, SMALLEST_GAMMA))
    doubt = ", which may be the deepest" if dip.could_be_deepest and number > 1 else ""
    return f"Dip {number} of {of}, {depth_db:.3g} dB deep{doubt}."


def _count(found: Dips) -> Result:
    number = float(len(found.found))
    flags = tuple(
        f for f in found.meant.flags if f in ("no-resonance", "edge-of-band", ANOTHER_DIP)
    )
    note = ""
    if not found.found and "no-resonance" in flags:
        meant = found.meant
        depth_db = return_loss_from_gamma(max(meant.gamma, SMALLEST_GAMMA))
        note = (
            "No dip stands clear of what leak, ripple and noise can make; the lowest reading is "
            f"{depth_db:.3g} dB at {meant.frequency_hz / 1e6:.6g} MHz."
        )
    return Result(
        "resonance_count", number, "1", None, None, number, number, flags=flags, note=note
    )


def _frequency(quantity: str, there: Resonance) -> Result:
    return _result(quantity, there.frequency_hz, "Hz", there.budget, there)


def _return_loss(quantity: str, dip: Dip) -> Result:
    found = point_result(dip.depth, "return_loss")
    keep = tuple(f for f in dip.resonance.flags if f in ("near-noise", "edge-of-band", ANOTHER_DIP))
    return replace(found, quantity=quantity).with_flags(*keep)


def _unloaded(found: Resonance, loaded: Budget) -> Result:
    """Unloaded Q of a resonant circuit: 2 QL/(1 + gamma) undercoupled, 2 QL/(1 - gamma) over.

    A scalar trace cannot tell which applies. If the bench file does not state it either, the mean
    of both is given, and half their difference is its standard uncertainty.
    """
    over, under = (2.0 / (1.0 - found.gamma), 2.0 / (1.0 + found.gamma))
    factor = {"over": over, "under": under, None: (over + under) / 2.0}[found.coupling]
    value = factor * found.loaded_q
    terms = [term("loaded Q", loaded.standard, "1", sensitivity=factor)]
    if found.coupling is None:
        terms.append(term("R above or below Z0", (over - under) / 2.0 * found.loaded_q, "1"))
    return _result("unloaded_q", value, "1", combine(terms, estimate=value), found)


def _result(
    quantity: str, value: float, unit: str, budget: Budget | None, found: Resonance
) -> Result:
    return Result.of_budget(
        quantity=quantity,
        value=value,
        unit=unit,
        budget=budget,
        frequency_hz=None if unit == "Hz" else found.frequency_hz,
        flags=found.flags,
    )
