"""A sweep as it was run is its plan; what a capture never named is not made up when it is told."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from benchd.sweeps import Refine, SweepAsRun, SweepPlan

PLAN = SweepPlan(
    method="stepped", start_hz=1.45e9, stop_hz=1.95e9, points=51, level_dbm=-10.0,
    resolution_bandwidth_hz=1e4, refine=Refine(around="resonance", span_hz=4e7, points=41),
)  # fmt: skip
FIRST: dict[str, Any] = {
    "method": "stepped", "start_hz": 1.45e9, "stop_hz": 1.95e9, "points": 51, "level_dbm": -10.0,
    "resolution_bandwidth_hz": 1e4, "detector": "rms",
}  # fmt: skip


def test_what_was_run_is_the_plan_and_the_lid() -> None:
    ran = SweepAsRun.of(PLAN, lid="open")
    assert isinstance(ran, SweepPlan)
    assert ran.refine == PLAN.refine
    assert ran.stated() == {**PLAN.model_dump(mode="json"), "lid": "open"}
    assert list(ran.stated()) == [*SweepPlan.model_fields, "lid"], "the order that stores hold"


def test_an_older_capture_tells_what_it_named_and_works_with_the_defaults() -> None:
    ran = SweepAsRun.model_validate(FIRST)
    assert ran.stated() == FIRST
    assert (ran.average, ran.rf, ran.lid) == (1, "on", None)


@pytest.mark.parametrize(
    "changed", [{"method": "sideways"}, {"detector": "nose"}, {"lid": "ajar"}, {"points": "many"}]
)
def test_what_no_sweep_can_be_is_refused(changed: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        SweepAsRun.model_validate({**FIRST, **changed})
