"""Traces: what they run over, and a phase that is never lost in silence."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from benchd.errors import ReductionRefused
from benchd.reduce.normalise import normalised
from benchd.reductions.repeated_captures import stacked
from benchd.sweeps import SweepAsRun
from benchd.traces import Axis, Capture, Form, Role, Trace, frequency_axis

GRID = np.array([1.6e9, 1.7e9, 1.8e9])
LEVEL = Trace("level", Form.LEVEL_DBM, GRID, np.array([-30.0, -31.0, -32.0]))
RATIO = Trace("ratio", Form.RATIO_COMPLEX, GRID, np.array([0.1 + 0.2j, 0.3j, -0.1 + 0j]))


def capture(*traces: Trace) -> Capture:
    return Capture(
        id="cap-1", bench="small", job_id="job-1", step="antenna", role=Role.TEST, route="middle",
        position=None, antenna="dipole r3", traces=traces,
        settings=SweepAsRun(
            method="stepped", start_hz=1.6e9, stop_hz=1.8e9, points=3, level_dbm=-10.0,
            resolution_bandwidth_hz=1e4,
        ), fixtures={},
        instruments={}, taken_at=datetime(2026, 3, 1, tzinfo=UTC),
        recipe_hash="", worksheet_hash="",
    )  # fmt: skip


def test_plain_numbers_are_frequencies() -> None:
    assert LEVEL.along == LEVEL.axis
    assert (LEVEL.along.name, LEVEL.along.unit) == ("frequency", "Hz")
    assert LEVEL.frequency_hz is GRID


def test_a_complex_ratio_has_no_level() -> None:
    """Half of |0.3j| would be gone, and nobody would see it."""
    assert LEVEL.decibels.tolist() == [-30.0, -31.0, -32.0]
    with pytest.raises(ReductionRefused, match="ratio is a complex ratio and has no level in dB"):
        _ = RATIO.decibels
    with pytest.raises(ReductionRefused, match="complex ratio"):
        stacked([capture(RATIO)], "reduce")


def test_a_complex_ratio_keeps_its_phase_when_it_is_normalised() -> None:
    one = Trace("ratio", Form.RATIO_COMPLEX, GRID, np.full(3, 2j))
    found = normalised(RATIO, [one], other_grid=False)
    assert found.values.tolist() == pytest.approx([0.1 - 0.05j, 0.15 + 0j, 0.05j])


def test_changing_what_was_read_out_changes_no_trace() -> None:
    LEVEL.decibels[0] = 0.0
    assert LEVEL.values[0] == -30.0


@pytest.mark.parametrize(
    ("axis", "words"),
    [
        (Axis("angle", "deg", np.array([-10.0, 0.0, 10.0])), "over angle"),
        (Axis("time", "s", np.array([0.0, 1.0, 2.5])), "over time"),
    ],
)
def test_other_axes_are_stored_and_are_no_frequencies(axis: Axis, words: str) -> None:
    trace = Trace("pattern", Form.LEVEL_DBM, axis, np.array([-3.0, 0.0, -3.5]))
    again = Trace.from_bytes("pattern", Form.LEVEL_DBM, trace.to_bytes())
    assert (again.along.name, again.along.unit) == (axis.name, axis.unit)
    assert again.along.values.tolist() == axis.values.tolist()
    with pytest.raises(ReductionRefused, match=f"{words}, not over frequency"):
        _ = again.frequency_hz


def test_a_trace_over_frequency_is_stored_as_it_always_was() -> None:
    with np.load(io.BytesIO(LEVEL.to_bytes())) as archive:
        assert archive.files == ["frequency_hz", "values"]
    again = Trace.from_bytes("level", Form.LEVEL_DBM, LEVEL.to_bytes())
    assert again.frequency_hz.tolist() == GRID.tolist()
    assert again.along.unit == frequency_axis(GRID).unit


LONG = 5001
EVEN_HZ = np.linspace(1.45e9, 1.95e9, LONG)
A_BIT_OFF_HZ = np.where(np.arange(LONG) == 7, np.nextafter(EVEN_HZ, 2e9), EVEN_HZ)
READ = np.random.default_rng(3).normal(-30.0, 5.0, LONG)
AS_SENT = READ.astype(np.float32).astype(np.float64)
WITH_NOTHING = np.where(np.arange(LONG) == 7, -np.inf, AS_SENT)
WITH_ZEROS = np.where(np.arange(LONG) % 2 == 0, -0.0, AS_SENT)
UNKNOWN = np.where(np.arange(LONG) == 7, np.nan, AS_SENT)


@pytest.mark.parametrize(
    ("frequency_hz", "values", "names"),
    [
        (EVEN_HZ, AS_SENT, ["even_frequency_hz", "values_in_single"]),
        (EVEN_HZ, WITH_NOTHING, ["even_frequency_hz", "values_in_single"]),
        (EVEN_HZ, WITH_ZEROS, ["even_frequency_hz", "values_in_single"]),
        (EVEN_HZ, UNKNOWN, ["even_frequency_hz", "values"]),
        (EVEN_HZ, READ, ["even_frequency_hz", "values"]),
        (EVEN_HZ, 1e200 * READ, ["even_frequency_hz", "values"]),
        (EVEN_HZ, READ * (1 + 1j), ["even_frequency_hz", "values"]),
        (A_BIT_OFF_HZ, AS_SENT, ["frequency_hz", "values_in_single"]),
        (np.geomspace(1e9, 2e9, LONG), READ, ["frequency_hz", "values"]),
    ],
    ids=["single", "nothing", "zeros", "nan", "double", "huge", "complex", "a bit off", "uneven"],
)
def test_a_long_trace_is_stored_in_fewer_bytes_where_no_bit_is_lost(
    frequency_hz: Any, values: Any, names: list[str]
) -> None:
    form = Form.RATIO_COMPLEX if np.iscomplexobj(values) else Form.LEVEL_DBM
    trace = Trace("level", form, frequency_hz, values)
    data = trace.to_bytes()
    with np.load(io.BytesIO(data)) as archive:
        assert archive.files == names
    again = Trace.from_bytes("level", form, data)
    assert again.frequency_hz.tobytes() == frequency_hz.tobytes()
    assert (again.values.dtype, again.values.tobytes()) == (values.dtype, values.tobytes())
    assert again.sha256 == trace.sha256
    bytes_each = (8 if "frequency_hz" in names else 0) + (
        4 if "values_in_single" in names else values.itemsize
    )
    assert len(data) < bytes_each * LONG + 2000


def test_a_damaged_rule_of_frequencies_is_refused() -> None:
    data = Trace("level", Form.LEVEL_DBM, EVEN_HZ, AS_SENT).to_bytes()
    with np.load(io.BytesIO(data)) as archive:
        arrays = dict(archive)
    out = io.BytesIO()
    np.savez(out, **{**arrays, "even_frequency_hz": arrays["even_frequency_hz"][:3]})
    with pytest.raises(ValueError, match="not enough values"):
        Trace.from_bytes("level", Form.LEVEL_DBM, out.getvalue())


def test_an_axis_rises_and_fits_its_values() -> None:
    with pytest.raises(ValueError, match="trace x: frequencies must rise strictly"):
        Trace("x", Form.LEVEL_DBM, GRID[::-1], np.zeros(3))
    with pytest.raises(ValueError, match="trace x: 3 frequencies do not match 2 values"):
        Trace("x", Form.LEVEL_DBM, GRID, np.zeros(2))


def test_a_capture_gives_a_trace_by_its_name() -> None:
    assert capture(LEVEL).trace("level") is LEVEL
    assert capture(LEVEL).trace("noise") is None
