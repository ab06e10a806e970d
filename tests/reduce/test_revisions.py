"""Two revisions over one coupler: what both share cancels, and the stated difference holds.

The benches and antennas are those of `tests.coverage_study.pairs`, whose physics is apart from
benchd's and from the shipped simulator's.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pytest

from benchd.errors import ReductionRefused
from benchd.reduce.budget_inputs import Known, ReflectionKnowledge
from benchd.reduce.reflection import reflection_results
from benchd.reduce.reflection_pairs import SHARED
from benchd.reduce.revision_readings import Looked, at_frequency, of_band, of_dip
from benchd.reduce.revisions import CURVE, Pair
from benchd.results import Result
from tests.coverage_study.foreign_pairs import drawn_on_foreign
from tests.coverage_study.pairs import AT_HZ, GRID_HZ, Antenna, Line, drawn

BENCHES = 30
"""Of 30 intervals that hold in 95 %, 4 or more miss with a probability of 6 %; 6 or more with
0.3 % (binomial law, arithmetic)."""

KNOWN = ReflectionKnowledge(
    directivity_db=Known(30.0),
    source_match_db=Known(18.0),
    linearity_db=Known(0.2),
    connector_sd_db=Known(0.03),
    joint_gamma_sd=Known(0.001),
    drift_db=Known(0.03),
    noise_sd_db=Known(0.02),
    line_delay_s=Known(1e-9),
)


@pytest.fixture(scope="module")
def lines() -> dict[tuple[str, bool], list[Line]]:
    found: dict[tuple[str, bool], list[Line]] = defaultdict(list)
    for seed in range(7000, 7000 + BENCHES):
        for changed in (False, True):
            for line in drawn(seed, changed=changed):
                found[line.quantity, changed].append(line)
    return found


@pytest.mark.parametrize(
    "quantity", ["return_loss", "worst_return_loss", "resonance_frequency", "bandwidth"]
)
@pytest.mark.parametrize("changed", [False, True], ids=["one antenna twice", "two revisions"])
def test_the_interval_of_a_difference_holds_the_true_one(
    lines: dict[tuple[str, bool], list[Line]], quantity: str, changed: bool
) -> None:
    found = lines[quantity, changed]
    missed = [line for line in found if not line.holds]
    assert len(found) > BENCHES / 2
    assert len(missed) <= 5, [(line.truth, line.result.low, line.result.high) for line in missed]


def test_nothing_changed_is_hardly_ever_called_a_difference(
    lines: dict[tuple[str, bool], list[Line]],
) -> None:
    for quantity in ("return_loss", "worst_return_loss", "resonance_frequency", "bandwidth"):
        alarms = sum(line.differs for line in lines[quantity, False])
        assert alarms <= 5, quantity


def test_what_repeats_well_is_compared_finely(lines: dict[tuple[str, bool], list[Line]]) -> None:
    """What one measurement alone is uncertain by, 2 dB and 10 MHz, is mostly the coupler's."""
    widths = {
        quantity: float(np.median([line.half_width for line in lines[quantity, False]]))
        for quantity in ("return_loss", "resonance_frequency")
    }
    assert widths["return_loss"] < 0.5
    assert widths["resonance_frequency"] < 2e6


def trace(antenna: Antenna) -> Looked:
    ratio_db = 20.0 * np.log10(np.abs(antenna.reflection(GRID_HZ)))
    return Looked(GRID_HZ, ratio_db, lambda at_hz: KNOWN)


def result(quantity: str, value: float, unit: str = "dB") -> Result:
    return Result(quantity, value, unit, None, None)


ONE = Antenna(1.68e9, 8.0, 1.5, 0.0, 0.0)
OTHER = Antenna(1.76e9, 8.0, 0.7, 0.0, 0.0)


def shared_db(first: Antenna, second: Antenna) -> float:
    """The contribution of the coupler to a difference of return losses."""
    reading = at_frequency("return_loss", AT_HZ)
    found = Pair(trace(first), trace(second)).difference(
        result("return_loss", 0.0), result("return_loss", 0.0), (reading, reading)
    )
    assert found.budget is not None
    return next(line.contribution for line in found.budget.terms if line.name == SHARED)


def test_the_coupler_s_part_grows_with_how_far_the_reflections_differ() -> None:
    """None for one antenna twice; for a small change a small part; for two that reflect quite
    differently about that of two couplers."""
    nearly = Antenna(1.681e9, 8.0, 1.5, 0.0, 0.0)
    same, near, far = (shared_db(ONE, other) for other in (ONE, nearly, OTHER))
    (alone,) = reflection_results(
        GRID_HZ, trace(ONE).ratio_db, [AT_HZ], KNOWN, quantities=("return_loss",)
    )
    assert alone.budget is not None
    single = next(line.contribution for line in alone.budget.terms if line.name == "directivity")
    assert same < 1e-6
    assert same < near < 0.2 * single
    assert far > single


def test_without_a_dip_the_phase_is_unknown_and_the_coupler_counts_in_full() -> None:
    """Two flat curves of one size: no phase can be told, so that nothing cancels."""
    flat = Looked(GRID_HZ, np.full(GRID_HZ.size, -10.0), lambda at_hz: KNOWN)
    reading = at_frequency("return_loss", AT_HZ)
    found = Pair(flat, flat).difference(
        result("return_loss", 10.0), result("return_loss", 10.0), (reading, reading)
    )
    assert found.budget is not None
    # d/gamma = 0.1, one way and the other: 0.87 dB each, 0.87/sqrt(2) standard, two of them.
    assert found.budget.standard == pytest.approx(0.87, rel=0.15)
    assert found.note.startswith("No difference seen; a difference above")


def test_a_band_that_noise_or_leak_may_have_made_is_not_compared() -> None:
    shallow = Antenna(1.7e9, 8.0, 1.92, 0.0, 0.0)  # 10.03 dB at its best
    side = trace(shallow)
    inside = np.flatnonzero(side.ratio_db < -10.0)
    edges = float(GRID_HZ[inside[0]]), float(GRID_HZ[inside[-1]])
    reading = of_band("width", side, edges)
    weak = ReflectionKnowledge(directivity_db=Known(15.0), source_match_db=Known(10.0))
    poor = Looked(GRID_HZ, side.ratio_db, lambda at_hz: weak)
    with pytest.raises(ReductionRefused, match="too uncertain to be compared"):
        Pair(poor, poor).difference(
            result("bandwidth", 1e7, "Hz"), result("bandwidth", 1e7, "Hz"), (reading, reading)
        )


def test_a_trace_of_few_points_has_no_dip_to_compare() -> None:
    few = Looked(GRID_HZ[:5], np.full(5, -10.0), lambda at_hz: KNOWN)
    with pytest.raises(ReductionRefused, match="no dip that can be compared"):
        of_dip("resonance_frequency", few, 1.45e9)


def test_the_difference_carries_its_captures_flags_and_the_second_antenna() -> None:
    reading = at_frequency("return_loss", AT_HZ)
    one = Result("return_loss", 9.0, "dB", None, None, captures=("cap-1",), flags=("baseline-old",))
    other = Result(
        "return_loss", 12.0, "dB", None, None, captures=("cap-2",), antenna="r4", frequency_hz=AT_HZ
    )
    found = Pair(trace(ONE), trace(OTHER)).difference(one, other, (reading, reading))
    assert (found.quantity, found.unit, found.value) == ("return_loss_difference", "dB", 3.0)
    assert (found.captures, found.flags) == (("cap-1", "cap-2"), ("baseline-old",))
    assert (found.antenna, found.frequency_hz) == ("r4", AT_HZ)


def flat_at(return_loss_db: float) -> Looked:
    """A trace of one return loss, without a dip."""
    return Looked(GRID_HZ, np.full(GRID_HZ.size, -return_loss_db), lambda at_hz: KNOWN)


def compared(quantity: str, first_db: float, second_db: float) -> Result:
    """Flat traces of two return losses held against each other, directivity 30 dB."""
    values = []
    for loss_db in (first_db, second_db):
        trace_db = np.full(GRID_HZ.size, -loss_db)
        (one,) = reflection_results(GRID_HZ, trace_db, [AT_HZ], KNOWN, quantities=(quantity,))
        values.append(result(quantity, one.value, one.unit))
    reading = at_frequency(quantity, AT_HZ)
    pair = Pair(flat_at(first_db), flat_at(second_db))
    return pair.difference(values[0], values[1], (reading, reading))


def test_a_reading_that_the_leak_alone_could_give_leaves_the_difference_open_on_that_side() -> None:
    """Behind 31 dB on a coupler of 30 dB may stand any return loss above: the second is worse than
    the first by 15 dB or by any more, and better the other way round."""
    worse, better = compared("return_loss", 31.0, 12.0), compared("return_loss", 12.0, 31.0)
    assert worse.low is None
    assert worse.high is not None
    assert -19.0 <= worse.high < -9.0
    assert worse.note == "The two differ."
    assert worse.expanded_uncertainty is None
    assert better.high is None
    assert better.low is not None
    assert 9.0 < better.low <= 19.0
    assert better.value == pytest.approx(19.0)


def test_two_readings_that_the_leak_alone_could_give_are_not_told_apart() -> None:
    with pytest.raises(ReductionRefused, match="no difference can be told"):
        compared("return_loss", 32.0, 31.0)
    vswr = compared("vswr", 32.0, 31.0)
    assert vswr.low is not None
    assert vswr.high is not None
    assert vswr.low < 0.0 < vswr.high


def test_near_the_leak_a_difference_holds_the_true_one() -> None:
    """Two magnitudes of any size above the leak, either phase, one leak of three reflections that
    ripples: of what both ends are stated for, the interval holds in 95 %."""
    rng, leak = np.random.default_rng(8), 10.0 ** (-30.0 / 20.0)
    held = []
    for _ in range(100):
        true = leak * np.exp(rng.uniform(np.log(1.0), np.log(8.0), 2))
        phase = np.exp(2j * np.pi * rng.uniform(size=2))
        added = leak * np.exp(2j * np.pi * rng.uniform())
        read_db = -20.0 * np.log10(np.abs(true * phase + added))
        found = compared("reflection_magnitude", *map(float, read_db))
        assert found.low is not None
        assert found.high is not None
        held.append(found.low <= true[1] - true[0] <= found.high)
    # Three standard deviations of 150.
    assert np.mean(held) >= 0.89


def test_differences_hold_on_benches_of_foreign_make() -> None:
    """Leaks that ripple, low levels, NEC2 antennas, dips near the leak. Of five intervals on each
    bench two do not share their errors: of 16 that hold in 95 %, 4 or more miss with a probability
    of 1 % (binomial law, arithmetic); each brings its neighbours."""
    found = [line for seed in range(9000, 9008) for line in drawn_on_foreign(seed, changed=True)]
    assert {line.quantity for line in found} == {"return_loss", "resonance_frequency", "bandwidth"}
    missed = [line for line in found if not line.holds]
    assert len(missed) <= 6, [(line.truth, line.result.low, line.result.high) for line in missed]


def skewed(f0_hz: float, second_hz: float) -> Looked:
    """A dip with a weaker circuit beside it, as a matching section or walls make it: y is the sum
    of two, and its minimum lies where their slopes cancel."""
    v = GRID_HZ / f0_hz - f0_hz / GRID_HZ
    beside = (GRID_HZ / second_hz - second_hz / GRID_HZ) * 30.0
    y = 1.22 + 60.0 * v**2 + 0.2 * np.tanh(beside)
    return Looked(GRID_HZ, 10.0 * np.log10(1.0 - 1.0 / y), lambda at_hz: KNOWN)


def resonance_difference(first: Looked, second: Looked) -> tuple[Result, float]:
    """The difference, and that of the places where the two traces are lowest."""
    lowest_hz = [float(one.frequency_hz[int(np.argmin(one.ratio_db))]) for one in (first, second)]
    readings = tuple(
        of_dip("resonance_frequency", one, at_hz)
        for one, at_hz in zip((first, second), lowest_hz, strict=True)
    )
    values = []
    for one, reading in zip((first, second), readings, strict=True):
        inside = (one.frequency_hz >= reading.between_hz[0]) & (
            one.frequency_hz <= reading.between_hz[1]
        )
        squared = 10.0 ** (one.ratio_db[inside] / 10.0)
        values.append(float(reading.of(one.frequency_hz[inside], squared[:, np.newaxis])[0]))
    results = [result("resonance_frequency", value, "Hz") for value in values]
    found = Pair(first, second).difference(results[0], results[1], (readings[0], readings[1]))
    return found, lowest_hz[1] - lowest_hz[0]


def test_dips_that_are_no_single_circuits_differ_less_certainly() -> None:
    """What bends a dip stays in its place while the antenna moves past it, so that the error of the
    fitted curve does not cancel. Dips of single circuits have no such line."""
    bent, apart_hz = resonance_difference(skewed(1.68e9, 1.70e9), skewed(1.75e9, 1.70e9))
    assert bent.budget is not None
    assert bent.low is not None
    assert bent.high is not None
    assert CURVE in {line.name for line in bent.budget.terms}
    assert bent.low <= apart_hz <= bent.high
    plain, _ = resonance_difference(trace(ONE), trace(OTHER))
    assert plain.budget is not None
    assert CURVE not in {line.name for line in plain.budget.terms}


def test_one_skewed_dip_measured_twice_differs_as_finely_as_ever() -> None:
    once = skewed(1.68e9, 1.70e9)
    again, _ = resonance_difference(once, once)
    assert again.budget is not None
    assert CURVE not in {line.name for line in again.budget.terms}
