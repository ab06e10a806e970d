"""The same recipe over many antennas that are built alike, each with its serial number.

A worksheet for one serial number asks for that very antenna before it is measured: what is fitted
by mistake would be measured as another one.
"""

from __future__ import annotations

from typing import Any

from benchd.bench import Bench
from benchd.errors import OrderRefused
from benchd.job_request import SERIAL
from benchd.recipe.cautions import HANDS_OFF_RF, OPEN_LID
from benchd.traces import Role
from benchd.worksheet import CaptureStep, HandsStep, Step, Worksheet


def with_serial(worksheet: Worksheet, serial: str | None, bench: Bench) -> Worksheet:
    """The worksheet for the antenna of that serial number; as it is without one.

    The request that comes before a capture of the antenna names the number. Where there is none,
    as with a switch, one is put in. Every step is bound to the number, so that captures and results
    carry it. Raises OrderRefused where it is not clear which antenna has the number.
    """
    if serial is None:
        return worksheet
    if SERIAL in worksheet.parameters or any(SERIAL in one.bindings for one in worksheet.steps):
        raise OrderRefused(
            f'the recipe {worksheet.recipe} has a "{SERIAL}" of its own, so it cannot be run over '
            "serial numbers",
            advice="Give its parameter or loop variable another name.",
        )
    antenna = _numbered(worksheet)
    steps = _numbered_steps(worksheet.steps, antenna, serial)
    bound = tuple(
        step.model_copy(update={"index": at, "bindings": {**step.bindings, SERIAL: serial}})
        for at, step in enumerate(steps)
    )
    said = [HANDS_OFF_RF, *([OPEN_LID] if bench.box is not None else [])]
    return worksheet.model_copy(
        update={
            "steps": bound,
            "parameters": {**worksheet.parameters, SERIAL: serial},
            "cautions": tuple(dict.fromkeys((*worksheet.cautions, *said))),
        }
    )


def _numbered(worksheet: Worksheet) -> str:
    """The antenna that has the number: the one under test."""
    captures = [step for step in worksheet.steps if isinstance(step, CaptureStep)]
    tested = dict.fromkeys(c.antenna for c in captures if c.role is Role.TEST and c.antenna)
    if len(tested) == 1:
        return next(iter(tested))
    named: Any = worksheet.parameters.get("antenna")
    if named in tested:
        return str(named)
    what = f"several antennas ({', '.join(tested)})" if tested else "no antenna"
    raise OrderRefused(
        f"the recipe {worksheet.recipe} tests {what}, so a serial number cannot belong to one",
        advice='Name the one that has it by a parameter "antenna".',
    )


def _numbered_steps(steps: tuple[Step, ...], antenna: str, serial: str) -> list[Step]:
    """The steps with the number in every request that leads to a capture of the antenna."""
    found: list[Step] = []
    asked: int | None = None  # the newest request since the last capture, as an index of `found`
    fitted = False
    for step in steps:
        if isinstance(step, HandsStep):
            asked = len(found)
        elif isinstance(step, CaptureStep):
            if step.antenna == antenna:
                if asked is not None:
                    found[asked] = _naming(found[asked], antenna, serial)
                elif not fitted:
                    found.append(_request(step, antenna, serial))
                fitted = True
            elif asked is not None:
                fitted = False  # hands have been at the bench for something else
            asked = None
        found.append(step)
    return found


def _naming(step: Step, antenna: str, serial: str) -> Step:
    assert isinstance(step, HandsStep)
    ask = f"{step.ask} ({antenna}: serial number {serial})"
    return step.model_copy(update={"ask": ask, "label": f"{step.label}, serial {serial}"})


def _request(capture: CaptureStep, antenna: str, serial: str) -> HandsStep:
    place = f"route {capture.route}" + (
        f", position {capture.position}" if capture.position is not None else ""
    )
    return HandsStep(
        index=0,
        label=f"hands: fit {antenna}, serial {serial}",
        line=capture.line,
        bindings=capture.bindings,
        ask=f"Fit {antenna}, serial number {serial} ({place}), and close the lid.",
    )
