"""Traces and captures: what was recorded, and everything that produced it.

A trace is plain data. Its bytes form (`Trace.to_bytes`) is NumPy's own array format, so that
reading back is bit-exact on any machine.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
BoolArray = NDArray[np.bool_]


PATH_BROKEN = "path-broken"
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
class Trace:
    """One quantity over frequency.

    frequency_hz: shape (n,), strictly rising, Hz.
    values: shape (n,), float64 in dBm or dB, or complex128 as a linear ratio.
    visited: shape (n,), False where a `hold` sweep never saw the source in that bin.
    """

    name: str
    form: Form
    frequency_hz: FloatArray
    values: FloatArray | ComplexArray
    visited: BoolArray | None = None

    def __post_init__(self) -> None:
        if self.frequency_hz.ndim != 1 or self.frequency_hz.shape != self.values.shape:
            raise ValueError(
                f"trace {self.name}: {self.frequency_hz.shape} frequencies do not match "
                f"{self.values.shape} values"
            )
        if self.visited is not None and self.visited.shape != self.values.shape:
            raise ValueError(f"trace {self.name}: `visited` does not match the values")
        if self.frequency_hz.size > 1 and not np.all(np.diff(self.frequency_hz) > 0):
            raise ValueError(f"trace {self.name}: frequencies must rise strictly")

    def to_bytes(self) -> bytes:
        """The arrays as one NPZ archive (uncompressed NumPy format), bit-exact."""
        out = io.BytesIO()
        arrays: dict[str, Any] = {"frequency_hz": self.frequency_hz, "values": self.values}
        if self.visited is not None:
            arrays["visited"] = self.visited
        np.savez(out, allow_pickle=False, **arrays)
        return out.getvalue()

    @classmethod
    def from_bytes(cls, name: str, form: Form, data: bytes) -> Trace:
        """Inverse of `to_bytes`. Raises ValueError on damaged data."""
        with np.load(io.BytesIO(data), allow_pickle=False) as archive:
            return cls(
                name=name,
                form=form,
                frequency_hz=archive["frequency_hz"],
                values=archive["values"],
                visited=archive["visited"] if "visited" in archive.files else None,
            )


@dataclass(frozen=True, eq=False)
class Capture:
    """One recorded set of traces with everything that produced it.

    settings: the sweep as it was run: method, start_hz, stop_hz, points, level_dbm,
        resolution_bandwidth_hz, video_bandwidth_hz, detector, dwell_s, average, ... (SI units).
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
    settings: dict[str, Any]
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
