"""The choice of the procedure by the plan's method."""

from __future__ import annotations

from benchd.acquire.hold import hold_sweep
from benchd.acquire.listed import list_sweep
from benchd.acquire.listening import listening_sweep
from benchd.acquire.plan import Procedure, Sweep, SweepInstruments
from benchd.acquire.refining import Refining, refining_sweep
from benchd.acquire.stepped import stepped_sweep
from benchd.acquire.tracking import tracking_sweep
from benchd.errors import InstrumentRefused
from benchd.sweeps import SweepPlan

_PROCEDURES = {"stepped": stepped_sweep, "hold": hold_sweep, "tracking": tracking_sweep}


def run_sweep(
    plan: SweepPlan, instruments: SweepInstruments, refining: Refining | None = None
) -> Procedure[Sweep]:
    """Run the plan by its method; with `rf: off` it only listens.

    refining: what a sweep that refines to an aim compares with.
    Raises InstrumentRefused where no such procedure exists.
    """
    procedure = list_sweep if plan.lists else _PROCEDURES.get(plan.method)
    if procedure is None:
        raise InstrumentRefused(
            f"no procedure for a {plan.method} sweep; there are {', '.join(sorted(_PROCEDURES))}"
        )
    if plan.refine_to is not None:
        return (yield from refining_sweep(plan, instruments, refining))
    if plan.rf == "off":
        procedure = listening_sweep
    return (yield from procedure(plan, instruments))
