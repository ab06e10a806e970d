"""CSV and Touchstone: what is written reads back to the same numbers, elsewhere too."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import skrf
from hypothesis import given
from hypothesis import strategies as st

from benchd.curves import Curve
from benchd.errors import UserError
from benchd.report.tables import capture_csv, results_csv
from benchd.report.touchstone import touchstone_of_return_loss, touchstone_of_trace
from benchd.results import Result, ResultRecord
from benchd.sweeps import SweepAsRun
from benchd.traces import Capture, Form, Role, Trace
from benchd.web.documents import decode_curves, encode_curves
from tests.report.named import gather

FREQUENCY_HZ = np.linspace(1.45e9, 1.95e9, 11)
NOW = datetime(2026, 3, 1, 21, 4, 5, tzinfo=UTC)


def _capture(*traces: Trace, **more: Any) -> Capture:
    fields: dict[str, Any] = {
        "id": "cap-1", "bench": "workshop", "job_id": "job-1", "step": "test", "role": Role.TEST,
        "route": "middle", "position": None, "antenna": None, "traces": traces,
        "settings": SweepAsRun(
            method="vector", start_hz=1.45e9, stop_hz=1.95e9, points=11, level_dbm=-10.0,
            resolution_bandwidth_hz=1e3, sweep_time_s=None,
        ), "fixtures": {}, "instruments": {},
        "taken_at": NOW, "recipe_hash": "c0ffee", "worksheet_hash": "feed",
    }  # fmt: skip
    return Capture(**{**fields, **more})


def _blocks(text: str) -> list[list[dict[str, str]]]:
    body = "\n".join(line for line in text.split("\n") if not line.startswith("#"))
    return [list(csv.DictReader(io.StringIO(block))) for block in body.strip().split("\n\n")]


def test_traces_on_one_grid_share_their_rows() -> None:
    rng = np.random.default_rng(5)
    level = Trace("level", Form.LEVEL_DBM, FREQUENCY_HZ, rng.normal(-40, 5, 11),
                  visited=rng.random(11) > 0.3)  # fmt: skip
    ratio = Trace("ratio", Form.RATIO_COMPLEX, FREQUENCY_HZ,
                  rng.normal(size=11) + 1j * rng.normal(size=11))  # fmt: skip
    other = Trace("other grid!", Form.RATIO_DB, FREQUENCY_HZ[:3] / 3.0, rng.normal(size=3))
    first, second = _blocks(capture_csv(_capture(level, ratio, other)))
    assert list(first[0]) == [
        "frequency_hz", "level_dbm", "level_visited", "ratio_real", "ratio_imaginary",
    ]  # fmt: skip
    assert [float(row["level_dbm"]) for row in first] == level.values.tolist()
    assert level.visited is not None
    assert [row["level_visited"] == "1" for row in first] == level.visited.tolist()
    read = [complex(float(row["ratio_real"]), float(row["ratio_imaginary"])) for row in first]
    assert read == ratio.values.tolist()
    assert [float(row["other_grid_db"]) for row in second] == other.values.tolist()
    assert [float(row["frequency_hz"]) for row in second] == other.frequency_hz.tolist()


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=20))
def test_any_finite_number_survives_csv(values: list[float]) -> None:
    trace = Trace("x", Form.RATIO_DB, np.arange(1.0, len(values) + 1), np.array(values))
    (rows,) = _blocks(capture_csv(_capture(trace)))
    assert [float(row["x_db"]) for row in rows] == values


def test_a_line_break_in_a_name_cannot_leave_the_comments() -> None:
    trace = Trace("level", Form.LEVEL_DBM, FREQUENCY_HZ, np.zeros(11))
    text = capture_csv(_capture(trace, antenna="dipole\n1,2\r\nx"))
    assert len([line for line in text.splitlines() if not line.startswith("#")]) == 12
    assert "antenna: dipole 1,2 x" in text


def test_comments_name_units_and_provenance() -> None:
    result = Result(
        "resonance_frequency", 1.6837e9, "Hz", 2.1e6, 2.0, 1.6816e9, 1.6858e9,
        antenna='dipole "r3", long', flags=("near-noise", "edge-of-band"),
        captures=("cap-1", "cap-2"),
    )  # fmt: skip
    record = ResultRecord("res-1", "workshop", "job-1", "dipole", "return-loss", "c0ffee", "feed",
                          {"analyzer": "Workshop,Analyzer-6G"}, NOW, result)  # fmt: skip
    text = results_csv([record])
    assert text.splitlines()[:7] == [
        "# benchd results",
        "# value, low, high and expanded_uncertainty are in the unit of the row's `unit` column",
        "# low and high are the ends of the 95 % interval; flags and captures are separated by ;",
        "# axis, axis_unit and axis_value tell where a result holds: frequency, or another axis",
        "# bench: workshop",
        "# recipes: return-loss (c0ffee)",
        "# instrument: analyzer = Workshop,Analyzer-6G",
    ]
    ((row,),) = _blocks(text)
    assert {key: row[key] for key in ("antenna", "value", "flags", "captures", "band_low_hz")} == {
        "antenna": 'dipole "r3", long',
        "value": "1683700000.0",
        "flags": "near-noise;edge-of-band",
        "captures": "cap-1;cap-2",
        "band_low_hz": "",
    }


def test_scikit_rf_reads_a_complex_trace(tmp_path: Path) -> None:
    """Oracle: scikit-rf reads Touchstone 1 (File Format Specification, Rev. 1.1)."""
    rng = np.random.default_rng(6)
    values = rng.normal(size=11) + 1j * rng.normal(size=11)
    trace = Trace("s11", Form.RATIO_COMPLEX, FREQUENCY_HZ, values)
    file = tmp_path / "complex.s1p"
    file.write_text(touchstone_of_trace(trace, ["größe ±1", "two\nlines"]), encoding="ascii")
    network = skrf.Network(str(file))
    np.testing.assert_allclose(network.f, FREQUENCY_HZ, rtol=1e-15)
    np.testing.assert_allclose(network.s[:, 0, 0], values, rtol=1e-15)
    assert network.z0[0, 0] == 50
    assert file.read_text(encoding="ascii").splitlines()[:2] == ["! gr??e ?1", "! two lines"]


def test_scikit_rf_reads_scalar_return_loss_with_angle_zero(tmp_path: Path) -> None:
    values = np.linspace(10.0, 30.0, 11)
    (reduced,) = gather([Trace("dipole/return_loss", Form.RATIO_DB, FREQUENCY_HZ, values)])
    file = tmp_path / "scalar.s1p"
    text = touchstone_of_return_loss(reduced, ["job-1"])
    file.write_text(text, encoding="ascii")
    network = skrf.Network(str(file))
    np.testing.assert_allclose(network.s_db[:, 0, 0], -values, atol=1e-12)
    np.testing.assert_array_equal(network.s_deg[:, 0, 0], np.zeros(11))
    # Handbook tables: return loss 10, 20, 30 dB is a VSWR of 1.925, 1.222, 1.065.
    np.testing.assert_allclose(network.s_vswr[[0, 5, 10], 0, 0], [1.925, 1.222, 1.065], atol=5e-4)
    assert text.splitlines()[1:4] == [
        "! Scalar measurement: only the magnitude was measured.",
        "! The angle column is 0 by convention and carries no information.",
        "# HZ S DB R 50",
    ]


def test_a_grid_that_a_sweep_chose_is_written_as_it_is(tmp_path: Path) -> None:
    """Frequencies that do not lie evenly, as those of a sweep that refines."""
    grid = FREQUENCY_HZ[[0, 4, 5, 6, 10]]
    values = np.array([1.0, 9.0, 21.0, 8.0, 0.5])
    (reduced,) = gather([Trace("return_loss", Form.RATIO_DB, grid, values)])
    file = tmp_path / "chosen.s1p"
    file.write_text(touchstone_of_return_loss(reduced), encoding="ascii")
    network = skrf.Network(str(file))
    np.testing.assert_array_equal(network.f, grid)
    np.testing.assert_allclose(network.s_db[:, 0, 0], -values, atol=1e-12)
    (rows,) = _blocks(capture_csv(_capture(Trace("level", Form.LEVEL_DBM, grid, -values))))
    assert [float(row["frequency_hz"]) for row in rows] == grid.tolist()
    assert [float(row["level_dbm"]) for row in rows] == (-values).tolist()


def test_points_without_a_value_are_left_out_and_counted(tmp_path: Path) -> None:
    values = np.array([10.0, np.nan, np.inf, 20.0])
    (reduced,) = gather([Trace("return_loss", Form.RATIO_DB, np.arange(1e9, 5e9, 1e9), values)])
    text = touchstone_of_return_loss(reduced)
    assert "! 2 points without a finite value are left out." in text
    file = tmp_path / "gaps.s1p"
    file.write_text(text, encoding="ascii")
    np.testing.assert_allclose(skrf.Network(str(file)).f, [1e9, 4e9])


def test_what_is_no_reflection_has_no_touchstone_form() -> None:
    level = Trace("level", Form.LEVEL_DBM, FREQUENCY_HZ, np.zeros(11))
    with pytest.raises(UserError, match=r'"level" holds values in dBm, not a complex ratio'):
        touchstone_of_trace(level)
    (gain,) = gather([Trace("yagi/realised_gain", Form.RATIO_DB, FREQUENCY_HZ, np.zeros(11))])
    with pytest.raises(UserError, match='"realised_gain" is not a reflection'):
        touchstone_of_return_loss(gain)


def test_curves_go_over_the_wire_with_what_they_are_of() -> None:
    grid, values = FREQUENCY_HZ, np.linspace(1.0, 2.0, FREQUENCY_HZ.size)

    def curve(antenna: str | None, part: str = "") -> Curve:
        trace = Trace("gain", Form.RATIO_DB, grid, values)
        return Curve("gain", trace, values - 1.0, values + 1.0, antenna, part, "range/3")

    sent = encode_curves([curve("dipole r3"), curve("yagi r2"), curve(None, "lid, left")])
    assert [one["name"] for one in sent[::3]] == [
        "range/3/dipole r3/gain", "range/3/yagi r2/gain", "range/3/gain lid, left",
    ]  # fmt: skip
    found = decode_curves(json.loads(json.dumps(sent)))
    assert [(one.reduction, one.antenna, one.part) for one in found] == [
        ("range/3", "dipole r3", ""), ("range/3", "yagi r2", ""), ("range/3", None, "lid, left"),
    ]  # fmt: skip
    for one in found:
        assert one.low is not None
        assert one.high is not None
        np.testing.assert_array_equal(one.low, values - 1.0)
        np.testing.assert_array_equal(one.values, values)
        np.testing.assert_array_equal(one.high, values + 1.0)


def test_an_interval_on_another_grid_than_its_curve_is_refused() -> None:
    trace = Trace("gain", Form.RATIO_DB, FREQUENCY_HZ, np.zeros(FREQUENCY_HZ.size))
    with pytest.raises(ValueError, match="an interval of gain is not on the grid of its curve"):
        Curve("gain", trace, np.zeros(5))
