"""Two reflections of two jobs compared from their stored captures: one coupler stands behind both.

The antennas are series resonators worked out here; levels are written into the store as captures.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from benchd.results import Result
from benchd.store import JobState
from tests.reductions.captures import Notebook, terms_of

AT = 1.7e9
GRID = np.round(np.linspace(1.45e9, 1.95e9, 101))
OPTIONS: dict[str, Any] = {
    "design_frequency_hz": AT,
    "bandwidth_level_db": 10.0,
    "vswr_limit": None,
    "at_hz": [AT],
    "band_hz": {"least": 1.66e9, "most": 1.74e9},
    "antenna": "dipole r3",
}
QUANTITIES = (
    "return_loss",
    "vswr",
    "reflection_magnitude",
    "mismatch_loss",
    "worst_return_loss",
    "worst_vswr",
    "resonance_frequency",
    "loaded_q",
    "bandwidth",
    "bandwidth_low_edge",
    "bandwidth_high_edge",
)


def dipole_db(f0_hz: float) -> Any:
    """A series resonator of 70 ohm, Q 8."""
    impedance = 70.0 * (1 + 8j * (GRID / f0_hz - f0_hz / GRID))
    return 20 * np.log10(np.abs((impedance - 50) / (impedance + 50)))


def measure(notebook: Notebook, f0_hz: float, at_s: float, position: str = "antenna") -> str:
    """Open, short and antenna in a job of its own; its results are kept. Returns the job."""
    notebook.new_job()
    for role in ("open", "short"):
        notebook.capture(role, role, -20.0, at_s=at_s, route="middle", position=role,
                         grid_hz=GRID)  # fmt: skip
    notebook.capture("test", "test", -20.0 + dipole_db(f0_hz), at_s=at_s + 60, route="middle",
                     position=position, antenna="dipole r3", grid_hz=GRID)  # fmt: skip
    notebook.at(at_s + 120)
    baseline = {"open": "open", "short": "short"}
    notebook.reduce("reflection", {"test": "test"}, baseline=baseline, keep_as="match", **OPTIONS)
    return notebook.job


def compare(notebook: Notebook, quantity: str, first_job: str, at_s: float = 3000.0) -> Result:
    notebook.at(at_s)
    notebook.store.set_state(notebook.new_job(), JobState.RUNNING)
    (found,) = notebook.reduce(
        "revision-comparison", {}, quantity=quantity, first="dipole r3", second="dipole r3",
        first_job=first_job, second_job=None,
    )  # fmt: skip
    return found


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_one_antenna_measured_twice_differs_by_nothing_and_the_coupler_cancels(
    notebook: Notebook, quantity: str
) -> None:
    before = measure(notebook, 1.68e9, 0.0)
    measure(notebook, 1.68e9, 1000.0)
    found = compare(notebook, quantity, before)
    assert found.quantity == f"{quantity}_difference"
    assert_allclose(found.value, 0.0, atol=1e-6)
    assert found.low is not None
    assert found.high is not None
    assert found.low < 0.0 < found.high
    shared = terms_of(found)["coupler, common to both"].contribution
    assert found.budget is not None
    assert shared < 0.05 * found.budget.standard
    assert "No difference seen" in found.note
    assert before in found.note
    assert len(found.captures) == 6


def test_a_dip_that_moved_by_five_megahertz_is_seen_as_such(notebook: Notebook) -> None:
    before = measure(notebook, 1.68e9, 0.0)
    measure(notebook, 1.685e9, 1000.0)
    found = compare(notebook, "resonance_frequency", before)
    assert_allclose(found.value, 5e6, rtol=0.01)
    assert found.low is not None
    assert found.low > 0.0
    assert "The two differ." in found.note


def test_on_two_positions_of_a_switch_the_couplers_are_two(notebook: Notebook) -> None:
    """Two ways behind the coupler are two leaks: the results' own budgets are held together."""
    before = measure(notebook, 1.68e9, 0.0)
    measure(notebook, 1.68e9, 1000.0, position="open")
    apart = compare(notebook, "return_loss", before)
    assert "coupler, common to both" not in terms_of(apart)
    assert apart.budget is not None
    assert apart.budget.standard > 0.3


def test_the_worst_match_of_a_band_got_worse_and_is_seen_to(notebook: Notebook) -> None:
    """From 1.68 to 1.66 GHz: over 1.66 to 1.74 GHz the worst is at the band's upper end each time,
    so it differs by what the curves differ by there."""
    before = measure(notebook, 1.68e9, 0.0)
    measure(notebook, 1.66e9, 1000.0)
    found = compare(notebook, "worst_return_loss", before)
    at_end = [-float(np.interp(1.74e9, GRID, dipole_db(f0_hz))) for f0_hz in (1.68e9, 1.66e9)]
    assert found.low is not None
    assert found.high is not None
    assert found.low <= at_end[1] - at_end[0] <= found.high < 0.0
    assert "The two differ." in found.note
