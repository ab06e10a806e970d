"""The level of a full reflection at the port, from the baselines of a capture."""

from __future__ import annotations

from benchd.errors import NormalisationRefused
from benchd.known.captures import Baselines
from benchd.known.carrier_levels import carrier_trace
from benchd.reduce.normalise import onto_grid, open_short_mean_db
from benchd.traces import FloatArray


def full_reflection_dbm(baselines: Baselines) -> tuple[FloatArray, FloatArray]:
    """Frequencies (Hz) and levels (dBm) that a full reflection reads, shape (n,) each: of open and
    short the mean in dB, as a capture is normalised. Raises NormalisationRefused without any."""
    traces = [carrier_trace(one) for one in baselines.opening.values()]
    if not traces:
        raise NormalisationRefused(["baselines: none was taken before the capture"])
    grid = traces[0].frequency_hz
    levels = [onto_grid(one.frequency_hz, one.decibels, grid) for one in traces]
    return grid, levels[0] if len(levels) == 1 else open_short_mean_db(*levels[:2])
