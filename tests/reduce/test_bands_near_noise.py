"""Edges of a band near the noise, on a curve that levels off just beyond the upper one.

So do antennas behind a matching section. The curve is this file's own; the noise is that of an rms
detector, worked out from complex samples.
"""

from __future__ import annotations

import numpy as np
import pytest

from benchd.reduce.bandwidth import band_results
from benchd.reduce.budget_inputs import Known, ReflectionKnowledge

GRID = np.linspace(1.45e9, 1.95e9, 101)
FINE = np.linspace(1.45e9, 1.95e9, 5001)
SAMPLES = 20
TRIALS = 60
LEAST = 0.86
"""Binomial: three standard deviations of 60 trials at 95 % are 8.4 %."""


def squared(f: np.ndarray) -> np.ndarray:
    """A dip at 1.67 GHz; above it |G| rises to 0.40 and levels off there, the level being 0.316."""
    away = (f - 1.67e9) / 1e8
    size = np.where(away < 0.0, 0.45 * np.abs(away), 0.40 * np.tanh(1.2 * np.abs(away)))
    return np.asarray(0.004 + size**2)


def edges() -> tuple[float, float]:
    inside = FINE[squared(FINE) < 0.1]
    return float(inside[0]), float(inside[-1])


def measured(level_over_noise_db: float, rng: np.random.Generator) -> np.ndarray:
    noise = 0.1 * 10.0 ** (-level_over_noise_db / 10.0)
    parts = rng.normal(0.0, np.sqrt(noise / 2.0), (2, SAMPLES, GRID.size))
    carrier = np.sqrt(squared(GRID))
    return 10.0 * np.log10(np.mean((carrier + parts[0]) ** 2 + parts[1] ** 2, axis=0))


@pytest.mark.parametrize("level_over_noise_db", [1.0, 5.0])
def test_edges_hold_and_are_evenly_off(level_over_noise_db: float) -> None:
    """Off by no more than a few megahertz on average: once 5 MHz too far out, all to one side."""
    rng = np.random.default_rng(17)
    known = ReflectionKnowledge(
        directivity_db=Known(60.0), source_match_db=Known(40.0), tracking_db=Known(0.0),
        linearity_db=Known(0.0), connector_sd_db=Known(0.0), joint_gamma_sd=Known(0.0),
        drift_db=Known(0.0), line_delay_s=Known(1e-9), frequency_error=Known(0.0),
        dynamic_range_db=Known(10.0 + level_over_noise_db), independent_samples=float(SAMPLES),
    )  # fmt: skip
    held, off = [], []
    for _ in range(TRIALS):
        _, low, high = band_results(GRID, measured(level_over_noise_db, rng), 10.0, 1.67e9, known)
        for found, true_hz in zip((low, high), edges(), strict=True):
            assert found.low is not None
            assert found.high is not None
            assert "near-noise" in found.flags
            held.append(found.low <= true_hz <= found.high)
            off.append((found.value - true_hz) / ((found.high - found.low) / 2.0))
    assert np.mean(held[::2]) >= LEAST
    assert np.mean(held[1::2]) >= LEAST
    assert abs(np.mean(off[::2])) < 0.25
    assert abs(np.mean(off[1::2])) < 0.25
