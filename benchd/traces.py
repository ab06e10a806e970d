"""Traces and captures: what was recorded, and everything that produced it.

A trace is plain data. Its bytes form (`Trace.to_bytes`) is NumPy's own array format, so that
reading back is bit-exact on any machine.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchd.errors import ReductionRefused
from benchd.sweeps import SweepAsRun
from benchd.units import FREQUENCY, HERTZ

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
BoolArray = NDArray[np.bool_]

_LONG = 4096  # points from which on it is worth while to store a trace in fewer bytes


PATH_BROKEN = "path-broken"

REMOVED = "removed_m"
"""Reading of a look of a trim session: what was taken off each arm since the look before, m."""
"""Flag of a capture, or a result of one, that no working path gives."""


class Form(StrEnum):
    """What the values of a trace are."""

    LEVEL_DBM = "level_dbm"
    RATIO_DB = "ratio_db"
    RATIO_COMPLEX = "ratio_complex"


class Role(StrEnum):
    """What a capture is of."""

    OPEN = "open"
    SHORT = "short"
    LOAD = "load"
    THRU = "thru"
    EMPTY = "empty"
    REFERENCE = "reference"
    TEST = "test"


@dataclass(frozen=True, eq=False)
class Axis:
    """What a trace runs over: its name ("frequency", "angle", "time"), its unit ("Hz", "deg", "s"),
    and the values, shape (n,), strictly rising."""

    name: str
    unit: str
    values: FloatArray

    def __post_init__(self) -> None:
        if self.values.ndim != 1 or not np.all(self.values[1:] > self.values[:-1]):
            what = "frequencies" if self.name == FREQUENCY else f"values of the axis {self.name}"
            raise ValueError(f"{what} must rise strictly")


def frequency_axis(frequency_hz: FloatArray) -> Axis:
    """The axis of nearly every trace so far."""
    return Axis(FREQUENCY, HERTZ, frequency_hz)


def _npz(arrays: dict[str, Any]) -> bytes:
    """An archive as `np.savez` makes it, without its detour over a buffer of 16 MB.

    That detour costs more than reading the trace from the instrument.
    """
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, one in arrays.items():
            array = np.asarray(one, order="C")
            with archive.open(f"{name}.npy", "w", force_zip64=True) as file:
                header = np.lib.format.header_data_from_array_1_0(array)
                np.lib.format.write_array_header_1_0(file, header)
                file.write(array.reshape(-1).view(np.uint8).data)
    return out.getvalue()


def _even(start: float, step: float, stop: float, count: float) -> FloatArray:
    """Values at even distances; one product and one sum each, which IEEE 754 leaves no choice."""
    values = np.arange(int(count), dtype=np.float64)
    values *= step
    values += start
    values[-1] = stop
    return values


@dataclass(frozen=True, eq=False)
class Trace:
    """One quantity along an axis.

    axis: shape (n,). Given as plain numbers it is frequency, Hz.
    values: shape (n,), float64 in dBm or dB, or complex128 as a linear ratio.
    visited: shape (n,), False where a `hold` sweep never saw the source in that bin.
    """

    name: str
    form: Form
    axis: Axis | FloatArray
    values: FloatArray | ComplexArray
    visited: BoolArray | None = None

    def __post_init__(self) -> None:
        if not isinstance(self.axis, Axis):
            try:
                object.__setattr__(self, "axis", frequency_axis(self.axis))
            except ValueError as error:
                raise ValueError(f"trace {self.name}: {error}") from None
        if self.along.values.shape != self.values.shape:
            counts = self.along.values.size, self.values.size
            what = "frequencies" if self.along.name == FREQUENCY else f"{self.along.name}s"
            raise ValueError(
                f"trace {self.name}: {counts[0]} {what} do not match {counts[1]} values"
            )
        if self.visited is not None and self.visited.shape != self.values.shape:
            raise ValueError(f"trace {self.name}: `visited` does not match the values")

    @property
    def along(self) -> Axis:
        """What the trace runs over."""
        assert isinstance(self.axis, Axis), "made one when the trace was made"
        return self.axis

    @property
    def frequency_hz(self) -> FloatArray:
        """The axis as frequencies, Hz. Raises ReductionRefused for a trace over anything else."""
        if self.along.name != FREQUENCY:
            raise ReductionRefused(
                f"the trace {self.name} runs over {self.along.name}, not over frequency"
            )
        return self.along.values

    @property
    def decibels(self) -> FloatArray:
        """The values in dBm or dB, as the form says; a copy.

        Raises ReductionRefused for a complex ratio: its phase would be lost in silence. Whoever
        wants its magnitude says so.
        """
        if self.form is Form.RATIO_COMPLEX or np.iscomplexobj(self.values):
            raise ReductionRefused(
                f"the trace {self.name} is a complex ratio and has no level in dB or dBm",
                advice="Take its magnitude, 20 lg |ratio|, where the phase does not count.",
            )
        return np.array(self.values, dtype=np.float64)

    @property
    def sha256(self) -> str:
        """Checksum of axis, then values, as little-endian doubles (complex values as pairs of
        real and imaginary part), hexadecimal. Anybody can work it out from exported numbers."""
        kind = "<c16" if np.iscomplexobj(self.values) else "<f8"
        numbers = self.along.values.astype("<f8").tobytes() + self.values.astype(kind).tobytes()
        return hashlib.sha256(numbers).hexdigest()

    def to_bytes(self) -> bytes:
        """The arrays as one NPZ archive (uncompressed NumPy format), bit-exact.

        Of long traces, what says the same in fewer bytes is stored instead, since writing them to a
        disk takes longer than all else: single precision, and of even frequencies the rule.
        """
        single = self._in_single_precision()
        arrays: dict[str, Any] = (
            {"values": self.values} if single is None else {"values_in_single": single}
        )
        if self.along.name == FREQUENCY:
            rule = self._rule_of_frequencies()
            name = "frequency_hz" if rule is None else "even_frequency_hz"
            arrays = {name: self.along.values if rule is None else rule, **arrays}
        else:
            arrays |= {"axis": self.along.values, "axis_name": np.array(self.along.name)}
            arrays["axis_unit"] = np.array(self.along.unit)
        if self.visited is not None:
            arrays["visited"] = self.visited
        return _npz(arrays)

    def _in_single_precision(self) -> NDArray[np.float32] | None:
        """The values of a long trace as an instrument sent them in four bytes each; None where a
        single bit would be lost."""
        values = self.values
        if values.size < _LONG or values.dtype != np.float64:
            return None
        with np.errstate(over="ignore"):
            # The first few tell nearly always, without a look at all the others.
            if not np.array_equal(values[:64].astype(np.float32), values[:64]):
                return None
            single = values.astype(np.float32)
        return single if np.array_equal(single, values) else None

    def _rule_of_frequencies(self) -> FloatArray | None:
        """Start, step, stop (Hz) and count of a long even axis; None where they do not give every
        frequency to the last bit."""
        values = self.along.values
        if values.size < _LONG or values.dtype != np.float64:
            return None
        start_hz, stop_hz, count = float(values[0]), float(values[-1]), values.size
        step_hz = (stop_hz - start_hz) / (count - 1)
        is_even = np.array_equal(_even(start_hz, step_hz, stop_hz, count), values)
        return np.array([start_hz, step_hz, stop_hz, count]) if is_even else None

    @classmethod
    def from_bytes(cls, name: str, form: Form, data: bytes) -> Trace:
        """Inverse of `to_bytes`. Raises ValueError on damaged data."""
        with np.load(io.BytesIO(data), allow_pickle=False) as archive:
            if "axis" in archive.files:
                words = str(archive["axis_name"]), str(archive["axis_unit"])
                axis = Axis(*words, archive["axis"])
            elif "even_frequency_hz" in archive.files:
                start_hz, step_hz, stop_hz, count = archive["even_frequency_hz"].tolist()
                axis = frequency_axis(_even(start_hz, step_hz, stop_hz, count))
            else:
                axis = frequency_axis(archive["frequency_hz"])
            is_single = "values_in_single" in archive.files
            return cls(
                name=name,
                form=form,
                axis=axis,
                values=(
                    archive["values_in_single"].astype(np.float64)
                    if is_single
                    else archive["values"]
                ),
                visited=archive["visited"] if "visited" in archive.files else None,
            )


@dataclass(frozen=True, eq=False)
class Capture:
    """One recorded set of traces with everything that produced it.

    settings: the plan of the sweep as it was run.
    fixtures: name -> short hash of the fixture's description on the route at that time.
    instruments: name -> identity string as the instrument gave it.
    readings: anything else measured beside it (temperature_c, noise_floor_dbm, ...).
    """

    id: str
    bench: str
    job_id: str
    step: str
    role: Role
    route: str
    position: str | None
    antenna: str | None
    traces: tuple[Trace, ...]
    settings: SweepAsRun
    fixtures: dict[str, str]
    instruments: dict[str, str]
    taken_at: datetime
    recipe_hash: str
    worksheet_hash: str
    flags: tuple[str, ...] = ()
    bindings: dict[str, Any] = field(default_factory=dict)
    readings: dict[str, float] = field(default_factory=dict)

    @property
    def level(self) -> Trace:
        """The first trace: the level in dBm, or the complex ratio of a network analyzer."""
        return self.traces[0]

    def trace(self, name: str) -> Trace | None:
        """The trace of a name, such as "noise"; None where the capture has none of it."""
        return next((trace for trace in self.traces if trace.name == name), None)
