"""What a report says of how a sweep was run."""

from __future__ import annotations

from benchd.report.paper.sections import sweep_words
from benchd.sweeps import RefineTo, SweepPlan


def plan(**more: object) -> SweepPlan:
    settings: dict[str, object] = {
        "method": "stepped", "start_hz": 1.6e9, "stop_hz": 1.8e9, "points": 201,
        "level_dbm": -10.0, "resolution_bandwidth_hz": 1e4,
    }  # fmt: skip
    return SweepPlan.model_validate(settings | more)


def test_a_sweep_that_refines_says_how_much_of_its_grid_it_may_read_and_for_what() -> None:
    assert "1.6 GHz to 1.8 GHz, 201 points, source at" in sweep_words(plan())
    refine = RefineTo(to_hz=5e5, reach_hz=8e6, at_most_points=51)
    assert (
        "1.6 GHz to 1.8 GHz, at most 51 of 201 points, chosen to know resonance and edges to "
        "500 kHz, source at -10 dBm"
    ) in sweep_words(plan(refine=refine))
