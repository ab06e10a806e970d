"""One bench of each family of dialects of the study of gains; the whole study is `make coverage`.

The antennas, the box and the instruments are the simulators'; benchd shares no formula with them.
"""

from __future__ import annotations

import pytest

from tests.coverage_study.study import Line
from tests.gain_study import revisions, workshop
from tests.gain_study.table import markdown

SEEDS = {"shipped makes": 606, "other makes": 609}
LEAST_SHARE = 0.8
"""Of two benches with some 28 intervals each, which share their bench's errors."""


@pytest.fixture(scope="module")
def lines() -> dict[str, list[Line]]:
    """Every stated interval of one bench of each family."""
    return {makes: workshop.lines_of(seed) for makes, seed in SEEDS.items()}


def test_stated_intervals_of_gains_hold_the_truth_of_the_simulators(
    lines: dict[str, list[Line]],
) -> None:
    every = [line for found in lines.values() for line in found]
    inside = [line for line in every if line.region != "out of the antenna's band"]
    share = sum(line.held for line in inside) / len(inside)
    assert share >= LEAST_SHARE, markdown(every)


def test_every_method_and_the_nights_drift_are_measured_in_both_families(
    lines: dict[str, list[Line]],
) -> None:
    for makes, seed in SEEDS.items():
        one = workshop.workshop(seed, other=bool(seed % 2))
        found = {line.quantity.partition(", m")[0] for line in lines[makes]}
        expected = {*workshop.METHODS, "temperature coefficient"}
        if not one.switched:
            expected -= {"between references"}
        assert found == expected, makes


def test_the_families_differ_in_their_words_and_not_in_their_physics() -> None:
    shipped, other = (workshop.workshop(606, other=other) for other in (False, True))
    assert shipped.world.model.antennas == other.world.model.antennas
    assert shipped.world.model.source == other.world.model.source
    dialects = [
        {one.name: one.dialect for one in drawn.world.model.instruments}
        for drawn in (shipped, other)
    ]
    assert all(dialects[0][name] != dialects[1][name] for name in dialects[0])
    method = workshop.METHODS["two alike"]
    benches = [
        workshop.bench_of(one, method, other=i == 1) for i, one in enumerate((shipped, other))
    ]
    for name in ("generator", "analyzer", "switch"):
        words = [(one.instruments[name].commands, one.instruments[name].options) for one in benches]
        assert words[0] != words[1], name


@pytest.mark.parametrize(("seed", "region"), [(1003, "one antenna twice"), (1004, "cut anew")])
def test_two_revisions_are_compared_on_a_bench_of_each_family(seed: int, region: str) -> None:
    """All three quantities of each, the truth inside, and no difference where there is none."""
    found = revisions.lines_of(seed)
    assert [line.quantity for line in found] == [
        "difference of return loss",
        "difference of resonance frequency",
        "difference of realised gain",
    ]
    assert {line.region for line in found} == {region}
    for line in found:
        assert line.held, line
        if region == "one antenna twice":
            assert line.truth == 0.0
            assert line.low is not None
            assert line.high is not None
            assert line.low <= 0.0 <= line.high


def test_a_least_gain_that_a_hold_sweep_did_not_see_has_no_lower_end() -> None:
    """A Yagi whose gain falls by 20 dB at the edge of the band: there the held maxima do not rise
    above the noise, so the least gain of the bins that were seen is far above the true one."""
    seed, method = 47007, workshop.METHODS["substitution, hold"]
    one = workshop.workshop(seed, other=True)
    results = workshop.measured(one, method, workshop.bench_of(one, method, other=True))
    (least,) = (result for result in results if result.quantity == "realised_gain_min")
    assert "bins-not-visited" in least.flags
    assert (least.low, least.expanded_uncertainty) == (None, None)
    assert least.high is not None
    truth = one.world.truth()["antennas"]["antenna"]
    inside = [
        gain
        for at_hz, gain in zip(truth["frequency_hz"], truth["realised_gain_dbi"], strict=True)
        if 1.6e9 <= at_hz <= 1.8e9
    ]
    assert min(inside) < least.value - 10.0
    assert min(inside) < least.high
