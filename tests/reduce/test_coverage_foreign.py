"""A few benches of foreign make on every run; the whole study is `make coverage`.

Antennas by NEC2 (necpp) and by circuits, the reflectometer by its scattering parameters: nothing
of it is shared with benchd or with the simulators.
"""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.coverage_study.antennas import KINDS, Antenna, without_dip
from tests.coverage_study.foreign import drawn_foreign, generator, results
from tests.coverage_study.foreign_lines import NO_DIP, foreign_lines_of
from tests.coverage_study.reflectometer import drawn_reflectometer
from tests.coverage_study.study import Line
from tests.coverage_study.table import FOREIGN_ONLY, half_words, markdown, rows

SEEDS = range(300, 312)
# Some seven results of a bench do not share their errors: three standard deviations of 84
# independent intervals at 95 % are 7 %.
LEAST_SHARE = 0.87


@pytest.fixture(scope="module")
def lines() -> list[Line]:
    """Every stated interval of the benches."""
    return [line for seed in SEEDS for line in foreign_lines_of(seed)]


def test_stated_intervals_hold_the_truth_of_foreign_benches(lines: list[Line]) -> None:
    share = float(np.mean([line.held for line in lines]))
    assert share >= LEAST_SHARE, markdown(rows(lines))


def test_every_kind_of_antenna_is_met_and_none_without_a_dip_is_given_one(
    lines: list[Line],
) -> None:
    assert {drawn_foreign(seed).antenna.kind for seed in SEEDS} >= {
        "resonator", "patch", "two dips", "no dip", "yagi",
    }  # fmt: skip
    without = [line for line in lines if line.quantity == NO_DIP]
    assert without
    assert all(line.held for line in without)
    assert {line.quantity for line in lines} >= set(FOREIGN_ONLY)


def test_wide_is_seen_beside_the_share(lines: list[Line]) -> None:
    table = markdown(rows(lines))
    assert table.splitlines()[0].endswith("| reach | half-width | |")
    words = [half_words(row) for row in rows(lines) if row.quantity == "resonance_frequency"]
    assert words
    assert all(word.endswith(" MHz") for word in words)


def test_the_foreign_reflectometer_gives_its_own_error_terms_back() -> None:
    """M = T (d + G/(1 - S G)), by three reflections; a fourth must fit."""
    bench = drawn_reflectometer(generator(1, 2), low_level=False, rippling=True)
    f = np.linspace(1.5e9, 1.9e9, 11)
    directivity, match = bench.terms(f)
    ones = np.ones_like(f)
    tracking = (bench.seen(f, ones) - bench.seen(f, 0 * f)) * (1 - match)
    gamma = 0.3 * np.exp(1j * f / 1e8)
    model = tracking * (directivity + gamma / (1 - match * gamma))
    assert_allclose(bench.seen(f, gamma), model, rtol=1e-9)


def test_nec2_gives_the_half_wave_dipole_of_the_handbook() -> None:
    """A thin half-wave dipole resonates a few per cent short of half a wave at some 70 ohm
    (Balanis, Antenna Theory, ch. 4; from memory): a return loss of 14 to 16.5 dB on 50 ohm."""
    plain = [
        antenna
        for antenna in (KINDS["dipole"](generator(seed, 1)) for seed in range(8))
        if antenna.coupling == "under"
    ]
    assert plain
    for antenna in plain:
        assert 13.0 < antenna.dips()[0][1] < 18.0


@pytest.mark.parametrize("seed", range(6))
def test_an_antenna_without_a_dip_has_none_in_truth(seed: int) -> None:
    antenna: Antenna = without_dip(generator(seed, 1))
    assert antenna.dips() == []
    depth_db = float(np.max(-20 * np.log10(np.abs(antenna.gamma(antenna.fine_hz)))))
    assert math.isfinite(depth_db)
    assert depth_db < 4.0


def test_a_seed_gives_the_same_numbers_again() -> None:
    one = drawn_foreign(SEEDS[0])
    assert results(one, []) == results(one, [])
