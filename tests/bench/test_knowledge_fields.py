"""What a bench file may state for uncertainty: drift, accuracy, tolerances, echoes."""

from __future__ import annotations

import hashlib
import json
from typing import Any

import pytest

from benchd.bench import Bench, parse_bench
from benchd.errors import BenchFileError
from benchd.units import Kind, UnitError, parse

STATED = """\
bench: stated
title: Everything stated
instruments:
  generator: {kind: source, driver: scpi-source, address: "TCPIP::127.0.0.1::5001::SOCKET",
    frequency: [10 MHz, 6 GHz], level: [-60 dBm, 15 dBm], frequency_accuracy: 0.5 ppm,
    drift: {change: 0.02 dB, within: 1 h, per_kelvin: 0.008 dB}}
  analyzer: {kind: analyzer, driver: scpi-analyzer, address: "TCPIP::127.0.0.1::5002::SOCKET",
    frequency: [9 kHz, 3 GHz], drift: {change: 0.05 dB, within: 12 h}}
fixtures:
  port_cable: {kind: cable, loss: 0.1 dB, reflection_repeatability: {1 GHz: 60 dB, 2 GHz: 54 dB}}
box: {inside: [600 mm, 400 mm, 400 mm], gain_spread: 0.5 dB, gain_spread_positions: 8,
  echo: {1 GHz: -20 dB, 3 GHz: -30 dB},
  polarisation_tolerance: 3 deg, finite_range: 0.1 dB}
antennas:
  yagi r2: {design_frequency: 1.7 GHz, largest_dimension: 141 mm, phase_centre: -6 mm,
    least_return_loss: 9 dB, trim: {arm: 40 mm, arm_uncertainty: 0.3 mm, scaling_error: 10 %},
    reference: {gain: 9 dBi, gain_is: gain, uncertainty: 0.5 dB, return_loss: 12 dB,
      return_loss_uncertainty: 1 dB}}
routes:
  range: {kind: transmission, source: generator, out: [], port: near, far_port: far, back: [],
    analyzer: analyzer}
"""


def bench() -> Bench:
    return parse_bench(STATED, file="stated.yaml")


def test_what_is_stated_is_read_in_base_units() -> None:
    found: Any = bench()
    source, analyzer = found.instruments["generator"], found.instruments["analyzer"]
    yagi = found.antennas["yagi r2"]
    assert source.drift.model_dump() == {
        "change_db": 0.02, "within_s": 3600.0, "per_kelvin_db": 0.008,
    }  # fmt: skip
    assert analyzer.drift.model_dump() == {
        "change_db": 0.05, "within_s": 43200.0, "per_kelvin_db": None,
    }  # fmt: skip
    assert (source.frequency_accuracy_ppm, analyzer.frequency_accuracy_ppm) == (0.5, None)
    assert found.box.echo_db.at(1e9) == -20.0
    assert (found.box.gain_spread_db.at(1e9), found.box.gain_spread_positions) == (0.5, 8)
    assert found.fixtures["port_cable"].reflection_repeatability_db.at(2e9) == 54.0
    assert (found.box.polarisation_tolerance_deg, found.box.finite_range_db.at(1e9)) == (3.0, 0.1)
    assert (yagi.phase_centre_m, yagi.least_return_loss_db.at(1e9)) == (-0.006, 9.0)
    assert (yagi.trim.arm_uncertainty_m, yagi.trim.scaling_error_ppm) == (0.0003, 1e5)
    assert yagi.reference.return_loss_uncertainty_db == 1.0


@pytest.mark.parametrize(
    ("text", "ppm"), [("2 ppm", 2.0), ("50 ppb", 0.05), ("10 %", 1e5), ("0.5%", 5e3)]
)
def test_proportions_have_units_of_their_own(text: str, ppm: float) -> None:
    assert parse(text, Kind.PROPORTION) == pytest.approx(ppm, rel=1e-12)


def test_a_bare_number_is_no_proportion() -> None:
    with pytest.raises(UnitError, match='expected a proportion with its unit, such as "2 ppm"'):
        parse("0.000002", Kind.PROPORTION)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (", within: 12 h", "", 'instruments.analyzer.drift: the key "within" is missing: time'),
        ("within: 1 h", "within: 0 s", "found 0 s, expected more than 0 s"),
        ("0.5 ppm", "0.5 Hz", '"Hz" is not a unit of proportion'),
        ("polarisation_tolerance: 3 deg", "polarisation_tolerance: 60 deg", "expected 45 deg or"),
        ("gain_spread_positions: 8", "gain_spread_positions: 1", "found 1, expected 2 to 10000"),
        ("2 GHz: 54 dB", "2 GHz: -54 dB", "expected 0 dB or more"),
        ("finite_range: 0.1 dB", "finite_range: -0.1 dB", "expected 0 dB or more"),
    ],
)
def test_what_cannot_be_is_refused(old: str, new: str, words: str) -> None:
    assert STATED.count(old) == 1
    with pytest.raises(BenchFileError) as refusal:
        parse_bench(STATED.replace(old, new), file="stated.yaml")
    assert words in str(refusal.value)


PATH = "path_spread: 0.8 dB, path_spread_positions: 8, path_spread_of: [yagi r2, yagi r2]"


def test_the_spread_of_a_path_stands_beside_that_of_a_difference() -> None:
    text = STATED.replace("gain_spread: 0.5 dB,", f"gain_spread: 0.5 dB, {PATH},")
    found: Any = parse_bench(text, file="stated.yaml")
    assert (found.box.path_spread_db.at(1e9), found.box.path_spread_positions) == (0.8, 8)
    assert (found.box.path_spread_of, found.box.gain_spread_of) == (["yagi r2", "yagi r2"], None)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[yagi r2, yagi r2]", "[yagi r2, yagi r3]", "box.path_spread_of[2]: there is no antenna"),
        ("[yagi r2, yagi r2]", "[yagi r2]", "box.path_spread_of"),
        ("path_spread: 0.8 dB", "path_spread: 0.8", "path_spread"),
    ],
)
def test_a_spread_of_antennas_that_do_not_exist_is_refused(old: str, new: str, words: str) -> None:
    text = STATED.replace("gain_spread: 0.5 dB,", f"gain_spread: 0.5 dB, {PATH.replace(old, new)},")
    with pytest.raises(BenchFileError) as refusal:
        parse_bench(text, file="stated.yaml")
    assert words in str(refusal.value)


def test_a_box_without_the_new_keys_keeps_the_hash_that_stored_captures_have() -> None:
    """Captures taken before these keys existed still fit: what is not stated is not hashed."""
    found: Any = bench()
    before = {
        key: value
        for key, value in found.box.model_dump(mode="json").items()
        if not key.startswith("path_spread") and key != "gain_spread_of"
    }
    text = json.dumps(before, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    expected = hashlib.sha256(text.encode()).hexdigest()[:12]
    assert found.route_fixtures("range")["box"] == expected
    other: Any = parse_bench(
        STATED.replace("gain_spread: 0.5 dB,", f"gain_spread: 0.5 dB, {PATH},"), file="s.yaml"
    )
    assert other.route_fixtures("range")["box"] != expected
