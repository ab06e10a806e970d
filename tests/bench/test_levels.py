"""The level budget against sums done by hand."""

from __future__ import annotations

import math

import pytest
from numpy.testing import assert_allclose

from benchd.bench import (
    Bench,
    excesses,
    highest_safe_level_dbm,
    level_budget,
    parse_bench,
    port_level_dbm,
)

BAND_HZ = (1e9, 4e9)


@pytest.fixture
def bench(bench_text: str) -> Bench:
    """The bench of conftest.py. Its source may be 1 dB too strong (the default accuracy)."""
    return parse_bench(bench_text)


def rows_of(bench: Bench, route: str, position: str | None, level_dbm: float) -> list[tuple]:
    return [
        (row.element, round(row.level_dbm, 9), row.limit_dbm)
        for row in level_budget(bench, route, position, level_dbm, BAND_HZ)
    ]


def test_reflection_goes_out_comes_back_and_leaves_by_the_coupled_arm(bench: Bench) -> None:
    """By hand, 10 dBm set, 11 dBm at worst: lead 0.4 (its least, at 1 GHz), coupler 1.0,
    switch 0.5, tail 0.3; total reflection; tail and switch again; 20 dB into the coupled arm."""
    assert rows_of(bench, "middle", "open", 10.0) == [
        ("lead", 11.0, 37.0),
        ("coupler.through", 10.6, 30.0),
        ("selector.port", 9.6, 30.0),
        ("tail", 9.1, None),
        ("tail, returning", 8.8, None),
        ("selector.port, returning", 8.5, 30.0),
        ("coupler.coupled", 8.0, 30.0),
        ("analyzer", -12.0, 20.0),
    ]


def test_a_range_counts_no_loss_between_its_antennas(bench: Bench) -> None:
    """By hand, -10 dBm set: lead 0.4, box 0, amplifier at its most (20 dB at 1 GHz). The switch
    bank that the position sets has no place in the path: it is held against the highest level."""
    assert rows_of(bench, "range", "mount_a", -10.0) == [
        ("lead", -9.0, 37.0),
        ("booster", -9.4, 5.0),
        ("analyzer", 10.6, 20.0),
        ("selector.sense", 10.6, 30.0),
    ]


def test_the_highest_safe_level_is_where_the_first_limit_is_met(bench: Bench) -> None:
    """By hand: analyzer 20 dBm, reached with 20 - 20 + 0.4 - 1 = -0.6 dBm set; amplifier input
    5 dBm, reached with 5 + 0.4 - 1 = 4.4 dBm set; switch 30 dBm, reached with 9.4 dBm set."""
    rows = level_budget(bench, "range", "mount_a", 10.0, BAND_HZ)
    assert [row.element for row in excesses(rows)] == ["booster", "analyzer", "selector.sense"]
    highest = highest_safe_level_dbm(rows, 10.0)
    assert_allclose(highest, -0.6, atol=1e-9)
    assert excesses(level_budget(bench, "range", "mount_a", highest, BAND_HZ)) == []
    above = level_budget(bench, "range", "mount_a", highest + 0.01, BAND_HZ)
    assert [row.element for row in excesses(above)] == ["analyzer"]


def test_a_limit_met_exactly_is_no_excess(bench: Bench) -> None:
    """Zero margin is allowed: the limits in the bench file carry their own reserve."""
    rows = level_budget(bench, "range", "mount_a", -0.6, BAND_HZ)
    assert rows[2].margin_db == 0.0
    assert excesses(rows) == []


def test_without_limits_no_level_is_the_highest(bench_text: str) -> None:
    """Unknown limits are a caution, not a licence: the number is infinite, the rows say None."""
    text = bench_text.replace("largest_input: 20 dBm", "timeout: 5 s").replace(
        ", largest_power: 5 dBm", ""
    )
    text = text.replace("largest_power: 30 dBm\n    loss", "loss").replace(
        ", largest_power: 37 dBm", ""
    )
    rows = level_budget(parse_bench(text), "range", "mount_a", 10.0, BAND_HZ)
    assert [row.margin_db for row in rows] == [None] * 4
    assert highest_safe_level_dbm(rows, 10.0) == math.inf


def test_losses_count_at_their_least_and_gains_at_their_most_over_the_band(bench: Bench) -> None:
    """From 2 GHz up the lead loses 0.6 dB at least (linear in lg f: half way from 1 to 4 GHz)
    and the amplifier gives 18.5 dB at most."""
    rows = level_budget(bench, "range", "mount_a", 0.0, (2e9, 4e9))
    assert_allclose([row.level_dbm for row in rows], [1.0, 0.4, 18.9, 18.9], atol=1e-6)


def test_the_port_sees_what_is_left_after_the_way_out(bench: Bench) -> None:
    """11 dBm less lead 0.4, coupler 1.0, switch 0.5, tail 0.3 dB."""
    assert_allclose(port_level_dbm(bench, "middle", 10.0, BAND_HZ), 8.8, atol=1e-6)
