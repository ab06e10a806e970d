"""Sweeps with RF off: the source is never spoken to, whatever the method."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from benchd.acquire import SweepInstruments, run_sweep
from benchd.sweeps import SweepPlan
from drivers.analyzer import ScpiAnalyzer
from drivers.exchange import Exchange
from drivers.player import CannedPlayer
from drivers.source import ScpiSource

SOURCE = ScpiSource("generator")
ANALYZER = ScpiAnalyzer("analyzer", options={"trace_format": "ascii"})
LEVELS_DBM = [-97.0, -98.0, -60.0, -97.5, -98.5]


def plan(**changes: object) -> SweepPlan:
    settings: dict[str, object] = {
        "method": "stepped",
        "start_hz": 1.6e9,
        "stop_hz": 1.8e9,
        "points": 5,
        "level_dbm": -10.0,
        "resolution_bandwidth_hz": 10e3,
        "rf": "off",
    }
    return SweepPlan.model_validate(settings | changes)


def quiet_bench(spoken_to: list[str]) -> Callable[[Exchange], str | None]:
    """An analyzer that hears one transmitter in the middle of five points."""
    readings = iter(LEVELS_DBM * 10)

    def answer(exchange: Exchange) -> str | None:
        spoken_to.append(exchange.instrument)
        message = exchange.message
        if message.endswith(":TRAC:DATA? TRACE1"):
            one = message.startswith(":INIT") or ":INIT" in message
            return f"{next(readings):.2f}" if one else ",".join(map(str, LEVELS_DBM))
        if message.endswith("*OPC?"):
            return "1"
        if message.endswith(":SWE:TIME?"):
            return "0.01"
        return "0" if exchange.message.endswith("?") else None

    return answer


@pytest.mark.parametrize(
    "settings",
    [{"method": "stepped"}, {"method": "hold", "free_run_s": 0.2}, {"method": "tracking"}],
    ids=lambda settings: settings["method"],
)
def test_a_listening_sweep_never_speaks_to_the_source(settings: dict[str, object]) -> None:
    spoken_to: list[str] = []
    player = CannedPlayer(quiet_bench(spoken_to))
    instruments = SweepInstruments(analyzer=ANALYZER, source=SOURCE)
    sweep = player.run(run_sweep(plan(**settings), instruments))
    assert set(spoken_to) == {"analyzer"}
    np.testing.assert_array_equal(sweep.frequency_hz, np.linspace(1.6e9, 1.8e9, 5))
    np.testing.assert_allclose(sweep.level_dbm, LEVELS_DBM, atol=1e-9)
    assert [trace.name for trace in sweep.traces()] == ["level"]
