"""The simulated switch and lid contact."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest


def test_closing_is_exclusive_within_a_bank(desk: Any) -> None:
    desk.ask("switch", "ROUT:CLOS (@101,201,301)")
    desk.ask("switch", "ROUT:CLOS (@102,302)")
    assert desk.ask("switch", "ROUT:CLOS:STAT?") == "(@102,201,302)"
    assert desk.ask("switch", "ROUT:CLOS? (@101,102,201)") == "0,1,1"
    assert desk.errors("switch") == []


def test_opening_and_reset_open(desk: Any) -> None:
    desk.ask("switch", "ROUT:CLOS (@101,201);OPEN (@101)")
    assert desk.ask("switch", "ROUT:CLOS:STAT?") == "(@201)"
    assert desk.ask("switch", "*RST;:ROUT:CLOS:STAT?") == "(@)"


def test_an_unknown_channel_moves_nothing(desk: Any) -> None:
    desk.ask("switch", "ROUT:CLOS (@101,999)")
    assert desk.errors("switch") == [
        '-224,"Illegal parameter value;no channel 999; '
        'there are 101,102,201,202,203,204,301,302,303"'
    ]
    assert desk.ask("switch", "ROUT:CLOS:STAT?") == "(@)"


def test_contacts_take_their_time(make_desk: Callable[..., Any]) -> None:
    desk = make_desk(switch={"settle_s": 0.015})
    assert desk.ask("switch", "ROUT:CLOS (@101);*OPC?") == "1"
    assert desk.time_s == pytest.approx(0.015)


def test_moving_contacts_under_power_is_counted(desk: Any) -> None:
    desk.ask("switch", "ROUT:CLOS (@101)")
    desk.ask("generator", "OUTP ON")
    desk.ask("switch", "ROUT:CLOS (@102)")
    desk.ask("switch", "ROUT:CLOS (@102)")  # moves nothing
    state = desk.bench.state()["instruments"]["switch"]
    assert (state["operations"], state["hot_operations"]) == (2, 1)


def test_the_lid_contact_tells_open_from_closed(desk: Any) -> None:
    assert desk.ask("lid", "SENS:LID?") == "0"
    desk.world.lid = True
    assert desk.ask("lid", "SENS:LID?") == "1"


def test_the_thermometer_follows_the_room(desk: Any) -> None:
    assert desk.ask("lid", "MEAS:TEMP?") == "21.0"
    desk.time_s = 1500.0
    assert desk.ask("lid", "MEAS:TEMP?") == "22.5"
