"""A band is looked at up to its own ends, wherever the readings of the sweep lie."""

from __future__ import annotations

import pytest

from benchd.results import Result
from tests.reductions.captures import GRID, Notebook, one

PAIR = {"test": "test", "reference": "ref"}
SLOPE_DB_PER_HZ = -40.0 / 0.2e9
"""An antenna that falls by 40 dB over the sweep, by 0.5 dB from one reading to the next."""


def results(notebook: Notebook, band_hz: tuple[float, float]) -> tuple[Result, ...]:
    """Of a falling antenna against a flat reference."""
    falling = -44.0 + SLOPE_DB_PER_HZ * (GRID - GRID[0])
    notebook.capture("test", "test", falling, at_s=60.0, position="mount_b", antenna="dipole r3")
    notebook.capture("ref", "reference", -45.0, position="mount_a", antenna="reference dipole")
    options = {
        "method": "substitution", "antenna": "dipole r3", "reference_antenna": "reference dipole",
        "match": "none", "at_hz": list(band_hz), "band_hz": list(band_hz), "follow_drift": True,
        "travel_m": None,
    }  # fmt: skip
    return notebook.reduce("gain", PAIR, **options)


@pytest.mark.parametrize("beyond_hz", [0.0, 1.0, -1.0, 1.2e6, -1.2e6])
def test_a_gain_that_falls_is_least_at_the_end_of_the_band(
    notebook: Notebook, beyond_hz: float
) -> None:
    """Readings lie 2.5 MHz apart: a band that ends 1 Hz before a reading, or between two, has its
    least there all the same, and its greatest at its other end."""
    band_hz = (float(GRID[20]) - beyond_hz, float(GRID[60]) + beyond_hz)
    found = results(notebook, band_hz)
    first, last = [r for r in found if r.quantity == "realised_gain"]
    least, greatest = one(found, "realised_gain_min"), one(found, "realised_gain_max")
    assert least.frequency_hz == pytest.approx(band_hz[1], abs=2.0)
    assert greatest.frequency_hz == pytest.approx(band_hz[0], abs=2.0)
    # What errors do to the ends of a slope is a tenth; a reading that is left out costs 0.5 dB.
    assert least.value == pytest.approx(last.value, abs=0.15)
    assert greatest.value == pytest.approx(first.value, abs=0.15)


def test_a_narrow_band_between_few_readings_reaches_its_ends(notebook: Notebook) -> None:
    """Of a straight fall the mean is that of its ends, of which each lies 1 MHz from a reading."""
    band_hz = (float(GRID[20]) + 1e6, float(GRID[24]) - 1e6)
    found = results(notebook, band_hz)
    first, last = [r.value for r in found if r.quantity == "realised_gain"]
    assert one(found, "realised_gain_mean").value == pytest.approx((first + last) / 2.0, abs=0.01)
