"""What source and analyzer share of a list: its commands, and how it stands."""

from __future__ import annotations

from typing import Any

from simulators.instruments.base import Action
from simulators.instruments.clock import SimulatedClock
from simulators.instruments.dialect import Dialect
from simulators.instruments.lists import Stepper
from simulators.instruments.settings import NumberSetting
from simulators.scpi import Number
from simulators.world import InstrumentModel

MOST_LIST_POINTS = 1000
"""Points of a list where the world file names no other limit."""

_COUNT = NumberSetting(0, 0, 100_001, whole=True)


def list_actions(
    stepper: Stepper, model: InstrumentModel, clock: SimulatedClock, dialect: Dialect
) -> dict[str, Action]:
    """The actions of a list that source and analyzer share."""
    most = model.limits.list_points_max or MOST_LIST_POINTS

    def up_to_now() -> Stepper:
        stepper.bus.advance(clock.now_s())
        return stepper

    def trigger() -> None:
        up_to_now().trigger(clock.now_s())

    def load(*frequencies_hz: Any) -> None:
        up_to_now().load(most, *frequencies_hz)

    def place() -> str:
        return dialect.answer("LIST:POINts:CURRent", _COUNT, str(up_to_now().place))

    def points() -> str:
        count = str(len(stepper.frequencies_hz))
        return dialect.answer("LIST:FREQuency:POINts", _COUNT, count)

    def doing() -> str:
        up_to_now()
        return "RESTS" if not stepper.running else "WAITS" if stepper.waiting else "STEPS"

    return {
        "load list": Action(load, (Number("HZ"),) * (most + 1), 1),
        "list points": Action(points),
        "list place": Action(place),
        "list doing": Action(doing),
        "trigger": Action(trigger),
    }


def list_state(stepper: Stepper) -> dict[str, Any]:
    """How a list stands, for tests."""
    return {
        "running": stepper.running,
        "points": len(stepper.frequencies_hz),
        "place": stepper.place,
        "ignored": stepper.ignored,
    }
