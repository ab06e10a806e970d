"""How many points a stepped sweep asks for in one go, and so how often it tells of them."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from benchd.acquire import stepped
from benchd.acquire.stepped import read_points
from benchd.sweeps import SweepPlan
from drivers.analyzer import ScpiAnalyzer
from drivers.exchange import Exchange, Progress, Reply
from drivers.player import CannedPlayer
from drivers.source import ScpiSource

GRID_HZ = np.round(np.linspace(1.6e9, 1.8e9, 201))
PLAN = SweepPlan(
    method="stepped",
    start_hz=1.6e9,
    stop_hz=1.8e9,
    points=201,
    level_dbm=-10.0,
    resolution_bandwidth_hz=10e3,
    dwell_s=1e-3,
    average=2,
)


class Instruments:
    """Every point takes so long, s, on a clock of its own; a level tells its frequency."""

    def __init__(self, point_s: float) -> None:
        self.now_s = 0.0
        self._point_s = point_s
        self._tuned_hz = 0.0

    def answer(self, exchange: Exchange) -> str | None:
        if "FREQ:CENT" in exchange.message:
            self._tuned_hz = float(exchange.message.split()[-1])
        if exchange.reply is Reply.NONE:
            return None
        if "OPC" in exchange.message:
            self.now_s += self._point_s
            return "1"
        return f"{-self._tuned_hz / 1e8:.6f}"


@pytest.mark.parametrize(
    ("point_s", "at_once"), [(0.0, 64), (0.0023, 43), (0.04, 2), (0.06, 1), (3.0, 1)]
)
def test_points_are_told_of_every_tenth_of_a_second_however_long_one_takes(
    monkeypatch: pytest.MonkeyPatch, point_s: float, at_once: int
) -> None:
    instruments = Instruments(point_s)
    monkeypatch.setattr(stepped.time, "perf_counter", lambda: instruments.now_s)
    told: list[Progress] = []
    player = CannedPlayer(instruments.answer, on_progress=told.append)
    source, analyzer = ScpiSource("source"), ScpiAnalyzer("analyzer")
    level_dbm, scatter_db = player.run(read_points(GRID_HZ, PLAN, source, analyzer, 0, 201))
    assert level_dbm == pytest.approx(-GRID_HZ / 1e8, abs=1e-5)
    assert scatter_db == pytest.approx(0.0, abs=1e-9)
    done = [one.done for one in told]
    assert (done[0], done[-1]) == (0, 200)
    # The second was made while the first was read, when nobody knew yet how long it takes.
    assert {after - before for before, after in pairwise(done[1:-1])} <= {at_once}
    shown: list[Any] = [one.taken for one in told]
    assert np.concatenate([one.frequency_hz for one in shown]).tolist() == GRID_HZ.tolist()


def test_a_sweep_that_may_end_is_asked_before_each_point() -> None:
    instruments, asked = Instruments(0.0), []

    def goes_on() -> bool:
        asked.append(len(asked))
        return len(asked) <= 5

    player = CannedPlayer(instruments.answer)
    source, analyzer = ScpiSource("source"), ScpiAnalyzer("analyzer")
    points = read_points(GRID_HZ, PLAN, source, analyzer, 0, 201, goes_on=goes_on)
    level_dbm, _ = player.run(points)
    assert level_dbm.size == 5
    assert sum("FREQ:CENT" in one for one in player.messages("analyzer")) == 5
