"""Gain by substitution: the antenna under test in place of a reference antenna of known gain.

    G_A = G_R + (P_A - P_R) + 10 lg[(1-|g_R|^2)/(1-|g_A|^2)]
          + 20 lg|1 - g_p g_A| - 20 lg|1 - g_p g_R|

with g_A, g_R the reflections of the antennas and g_p that of what they are connected to. Without
(1-|g_A|^2) it is the realised gain, which includes the antenna's own mismatch (terms as in
IEEE Std 149, from memory). A scalar bench does not know the phase of g_p g_A: the last two terms
are then left out and enter the budget, u-shaped (Harris and Warner, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.band_extremes import TRIALS, Band, Coherence, Extreme
from benchd.reduce.budget_inputs import ASSUMED_TERM, GainKnowledge, Known
from benchd.reduce.decibels import NEPER_DB, gamma_from_return_loss, mismatch_loss_db
from benchd.reduce.farfield import range_flags
from benchd.reduce.montecarlo import settle, with_interval
from benchd.reduce.uncertainty import has_assumed, term
from benchd.results import Budget, Distribution, Result, Term
from benchd.traces import FloatArray

ASSUMED_GAMMA = 0.2
"""Reflection magnitude (return loss 14 dB) taken for an antenna whose match was not measured."""


@dataclass(frozen=True, eq=False)
class Substitution:
    """A reference-then-test pair on one grid, all arrays shape (n,).

    test_dbm, reference_dbm: received levels. reference_gain_dbi: gain of the reference antenna,
        its own mismatch excluded, unless `reference_is_realised`.
    test_gamma, reference_gamma: reflection magnitudes (linear), or None where not measured.
    largest_dimensions_m: of all antennas involved, for the near-field check.
    test_gamma_limit: largest reflection magnitude of the test antenna, if it was not measured. It
        limits the mismatch in the budget; nothing is corrected by it.
    """

    frequency_hz: FloatArray
    test_dbm: FloatArray
    reference_dbm: FloatArray
    reference_gain_dbi: FloatArray
    test_gamma: FloatArray | None = None
    reference_gamma: FloatArray | None = None
    reference_is_realised: bool = False
    largest_dimensions_m: tuple[float, ...] = ()
    test_gamma_limit: FloatArray | None = None

    def __post_init__(self) -> None:
        """Raises ReductionRefused where shapes differ."""
        for name in (
            "test_dbm",
            "reference_dbm",
            "reference_gain_dbi",
            "test_gamma",
            "reference_gamma",
            "test_gamma_limit",
        ):
            values = getattr(self, name)
            if values is not None and values.shape != self.frequency_hz.shape:
                raise ReductionRefused(
                    f"{name} has {values.size} values for {self.frequency_hz.size} frequencies"
                )


def gain_transfer_dbi(
    reference_gain_dbi: float,
    test_minus_reference_db: float,
    test_gamma: complex,
    reference_gamma: complex,
    port_gamma: complex = 0.0,
) -> tuple[float, float]:
    """Gain and realised gain of the test antenna, dBi, by the formula of this module.

    port_gamma: 0 leaves the mismatch interaction out (phases unknown).
    """
    interaction_db = 20.0 * math.log10(
        abs(1.0 - port_gamma * test_gamma) / abs(1.0 - port_gamma * reference_gamma)
    )
    realised = (
        reference_gain_dbi
        + test_minus_reference_db
        - mismatch_loss_db(abs(reference_gamma))
        + interaction_db
    )
    return realised + mismatch_loss_db(abs(test_gamma)), realised


def transfer_terms(
    test_gamma: Known,
    reference_gamma: Known,
    knowledge: GainKnowledge,
    *,
    realised: bool,
    reference_is_realised: bool = False,
) -> tuple[Term, ...]:
    """Terms of a substitution, dB. test_gamma, reference_gamma: reflection magnitudes.

    Give `knowledge.reference_gain_expanded_db` the reference antenna's name as its `source`:
    then its error cancels when two antennas measured against it are compared.
    """
    port = gamma_from_return_loss(knowledge.port_match_db.value)
    # The two connections have independent errors of equal size.
    cable = replace(knowledge.cable_sd_db, source="")
    noise = replace(knowledge.noise_sd_db, source="")
    other_noise = replace(knowledge.reference_noise_sd_db or noise, source="")
    match_assumed = knowledge.port_match_db.assumed
    terms = [
        *common_terms(knowledge, knowledge.box_sd_db),
        _line("reference gain", knowledge.reference_gain_expanded_db, "expanded"),
        _line("cable and switch, test", cable),
        _line("cable and switch, reference", cable),
        _line("noise, test", noise),
        _line("noise, reference", other_noise),
    ]
    for name, gamma in (("test", test_gamma), ("reference", reference_gamma)):
        terms.append(
            term(
                f"mismatch at {name}",
                port * gamma.value,
                "1",
                "u-shaped",
                sensitivity=NEPER_DB if name == "test" else -NEPER_DB,
                source=_mismatch_source(knowledge) if name == "reference" else "",
                assumed=match_assumed or gamma.assumed,
            )
        )
    if not realised:
        terms.append(reflection_term("test", test_gamma, knowledge.reflection_sd, +1.0))
    if not reference_is_realised:
        spread = knowledge.reference_reflection_sd or knowledge.reflection_sd
        terms.append(reflection_term("reference", reference_gamma, spread, -1.0))
    return tuple(terms)


def common_terms(knowledge: GainKnowledge, box_sd_db: Known) -> tuple[Term, ...]:
    """The terms that every gain measurement in a box has: box, range, scale, drift, rotation.

    box_sd_db: of a difference or of one path, as the measurement is one or the other.
    """
    known = knowledge
    range_db = NEPER_DB * known.range_offset_m.value / known.range_m
    # The loss lies between zero and 20 lg cos(angle). Half of that is the half-width of the term;
    # the level is not corrected.
    turned_db = -10.0 * math.log10(math.cos(math.radians(known.polarisation_deg.value)))
    return (
        _line("box", box_sd_db),
        _line(
            "range and phase centre", replace(known.range_offset_m, value=range_db), "rectangular"
        ),
        _line("linearity", known.linearity_db, "rectangular"),
        _line("finite range", known.finite_range_db, "rectangular"),
        _line("drift", known.drift_db, "rectangular"),
        *_harmonics(known),
        _line("polarisation", replace(known.polarisation_deg, value=turned_db), "rectangular"),
    )


def _harmonics(known: GainKnowledge) -> tuple[Term, ...]:
    """The terms for harmonics, which a receiver without a filter also reads, in each of two levels.

    The antennas are assumed to pass harmonics no better than the carrier; that is not measured.
    """
    if known.harmonics is None:
        return ()
    size_db = NEPER_DB / 2.0 * known.harmonics.value
    return (_line("harmonics", Known(size_db, assumed=True), "rectangular"),)


def _mismatch_source(knowledge: GainKnowledge) -> str:
    source = knowledge.reference_source
    return f"mismatch of {source}" if source else ""


def reflection_term(name: str, gamma: Known, spread: Known, sign: float) -> Term:
    """The uncertainty of a reflection magnitude, through 10 lg(1 - g^2).

    spread: standard uncertainty (linear) of the magnitude.
    """
    slope = NEPER_DB * gamma.value / (1.0 - gamma.value**2)
    return term(
        f"reflection of {name}",
        spread.value,
        "1",
        sensitivity=sign * slope,
        degrees_of_freedom=spread.degrees_of_freedom,
        source=spread.source,
        assumed=spread.assumed or gamma.assumed,
    )


def _line(name: str, known: Known, shape: Distribution = "normal") -> Term:
    return term(
        f"{name} ({known.how})" if known.how else name,
        known.value,
        "dB",
        shape,
        degrees_of_freedom=known.degrees_of_freedom,
        source=known.source,
        assumed=known.assumed,
    )


def substitution_results(
    pair: Substitution,
    at_hz: Sequence[float],
    knowledge: GainKnowledge,
    *,
    band_hz: tuple[float, float] | None = None,
) -> tuple[Result, ...]:
    """`realised_gain` (dBi) at each frequency, and `gain` where the test match was measured.

    With band_hz also `<quantity>_mean`, `_min` and `_max` over the band.
    Raises ReductionRefused for frequencies outside the grid.
    """
    kinds = (True,) if pair.test_gamma is None else (True, False)
    results: list[Result] = []
    for realised in kinds:
        results += [_at(pair, float(at), knowledge, realised) for at in at_hz]
        if band_hz is not None:
            inside = (pair.frequency_hz >= band_hz[0]) & (pair.frequency_hz <= band_hz[1])
            if not inside.any():
                raise ReductionRefused(_outside(pair.frequency_hz, band_hz[0]))
            points = [_at(pair, float(at), knowledge, realised) for at in pair.frequency_hz[inside]]
            results += over_band(points, band_hz)
    return tuple(results)


def _outside(frequency_hz: FloatArray, at_hz: float) -> str:
    return (
        f"{at_hz / 1e6:.6g} MHz lies outside the captures, which run from "
        f"{frequency_hz[0] / 1e6:.6g} to {frequency_hz[-1] / 1e6:.6g} MHz"
    )


def _at(pair: Substitution, at_hz: float, knowledge: GainKnowledge, realised: bool) -> Result:
    f = pair.frequency_hz
    if not f[0] * (1 - 1e-9) <= at_hz <= f[-1] * (1 + 1e-9):
        raise ReductionRefused(_outside(f, at_hz), advice="Ask inside the sweep, or widen it.")

    def here(values: FloatArray) -> float:
        return float(np.interp(at_hz, f, values))

    measured = pair.test_gamma is not None
    test_gamma = _gamma(pair.test_gamma if measured else pair.test_gamma_limit, at_hz, f)
    reference_gamma = _gamma(pair.reference_gamma, at_hz, f)
    within = replace(reference_gamma, value=0.0) if pair.reference_is_realised else reference_gamma
    both = gain_transfer_dbi(
        here(pair.reference_gain_dbi),
        here(pair.test_dbm) - here(pair.reference_dbm),
        test_gamma.value,
        within.value,
    )
    terms = transfer_terms(
        test_gamma,
        reference_gamma,
        knowledge,
        realised=realised,
        reference_is_realised=pair.reference_is_realised,
    )
    value = both[1] if realised else both[0]
    flags = range_flags(at_hz, knowledge.range_m, pair.largest_dimensions_m)
    quantity = "realised_gain" if realised else "gain"
    return gain_result(quantity, value, settle(terms, estimate=value), flags, at_hz)


def _gamma(values: FloatArray | None, at_hz: float, grid: FloatArray) -> Known:
    if values is None:
        return Known(ASSUMED_GAMMA, assumed=True)
    return Known(min(float(np.interp(at_hz, grid, values)), 0.999))


def gain_result(
    quantity: str, value: float, budget: Budget, flags: tuple[str, ...], at_hz: float | None
) -> Result:
    """A gain in dBi with the flags that its budget calls for."""
    if has_assumed(budget.terms):
        flags = (*flags, ASSUMED_TERM)
    meaning = (
        "Realised gain: the antenna's own mismatch included."
        if quantity.startswith("realised")
        else "Gain: the antenna's own mismatch taken out."
    )
    return Result.of_budget(
        quantity=quantity,
        value=value,
        unit="dBi",
        budget=budget,
        frequency_hz=at_hz,
        flags=flags,
        note=meaning,
    )


def over_band(
    points: Sequence[Result],
    band_hz: tuple[float, float],
    how: Coherence | None = None,
    *,
    unread: int = 0,
) -> tuple[Result, ...]:
    """Mean, least and greatest of one gain over a band (dB averaged).

    points: one result at each frequency, rising, with budgets of the same lines.
    how: how fast errors change over frequency; without it, as on a usual bench.
    unread: how many readings of the band are missing. What is weak is missed first, so that the
        least gain may be one that was not read: it then has no lower end.
    """
    budgets = [point.budget for point in points if point.budget is not None]
    curve = Band(
        np.array([point.frequency_hz for point in points], dtype=float),
        np.array([point.value for point in points]),
        [budget.terms for budget in budgets],
        how or Coherence(),
    )
    first = points[0]
    terms = [
        _averaged(line, curve.mean_contribution(index)) for index, line in enumerate(curve.lines[0])
    ]
    value = float(curve.values_db.mean())
    flags = tuple(dict.fromkeys(f for point in points for f in point.flags if f != ASSUMED_TERM))
    mean_result = gain_result(
        f"{first.quantity}_mean", value, settle(terms, estimate=value), flags, None
    )
    results = [replace(mean_result, band_hz=band_hz)]
    for name, end in zip(("min", "max"), curve.extremes(), strict=True):
        near = int(np.argmin(np.abs(curve.frequency_hz - end.near_hz)))
        found = _extreme_result(f"{first.quantity}_{name}", end, points[near], band_hz, flags)
        results.append(_open_below(found, unread) if unread and name == "min" else found)
    return tuple(results)


def _open_below(found: Result, unread: int) -> Result:
    """A least gain of a band that was not read whole: it is at most the upper end."""
    assert found.budget is not None
    readings = "1 reading" if unread == 1 else f"{unread} readings"
    return replace(
        found,
        expanded_uncertainty=None,
        coverage_factor=None,
        low=None,
        budget=replace(found.budget, low=-math.inf),
        note=f"{found.note} {readings} of the band saw no source, and may be lower: no lower end.",
    )


def _extreme_result(
    quantity: str, end: Extreme, point: Result, band_hz: tuple[float, float], flags: tuple[str, ...]
) -> Result:
    """The extreme with its own interval, and the budget of the point where it lies. Its frequency
    is told only where the errors leave no other."""
    assert point.budget is not None
    own = replace(point.budget, standard=end.standard_db)
    budget = with_interval(own, end.low_db, end.high_db, trials=TRIALS)
    at_hz = end.near_hz if end.is_placed else None
    found = gain_result(quantity, end.value_db, budget, flags, at_hz)
    words = {"min": "least", "max": "greatest"}[quantity.rpartition("_")[2]]
    side, way = {"least": ("lowest", "above"), "greatest": ("highest", "below")}[words]
    note = (
        f"{found.note} The {words} of all curves that fit the readings and their errors. Errors "
        f"alone push the {side} reading out; that is taken off, so this may lie {way} it."
    )
    if at_hz is None:
        note += " Errors leave open where in the band it lies."
    return replace(found, band_hz=band_hz, note=note)


def _averaged(line: Term, contribution: float) -> Term:
    return term(
        line.name,
        contribution * line.divisor,
        "dB",
        line.distribution,
        divisor=line.divisor,
        sensitivity=math.copysign(1.0, line.sensitivity),
        degrees_of_freedom=line.degrees_of_freedom,
        source=line.source,
        assumed=line.assumed,
    )
