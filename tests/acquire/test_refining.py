"""The refining sweep against canned instruments: what is read, in what order, and when it ends."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from benchd.acquire import grid_hz, run_sweep
from benchd.acquire.refining import Refining
from benchd.errors import InstrumentRefused
from benchd.sweeps import RefineTo, SweepPlan
from drivers.exchange import Exchange, Progress
from drivers.player import CannedPlayer
from tests.acquire.test_procedures import BOTH, Bench, plan

STEP_HZ = 1e6
REFINE = RefineTo(to_hz=0.3e6, reach_hz=8 * STEP_HZ, at_most_points=60)


def refined(**changes: Any) -> SweepPlan:
    """A sweep over 200 MHz in steps of 1 MHz that refines."""
    refine = REFINE.model_copy(update=changes)
    return plan(points=201, refine=refine, dwell_s=0.01)


def known(clock: Any = lambda: 0.0, **changes: Any) -> Refining:
    """A baseline of -30 dBm, where the canned bench has its full reflection."""
    told: dict[str, Any] = {
        "full_hz": np.array([1.6e9, 1.8e9]),
        "full_dbm": np.array([-30.0, -30.0]),
        "edge_levels_db": (10.0,),
        "near_hz": None,
        "always_hz": (),
        "point_s": 0.02,
        "clock": clock,
    }
    return Refining(**{**told, **changes})


def test_it_reads_a_part_of_its_grid_with_rf_on_and_gives_it_by_rising_frequency() -> None:
    bench = Bench()
    player = CannedPlayer(bench)
    sweep = player.run(run_sweep(refined(), BOTH, known()))
    grid = grid_hz(refined())
    assert set(sweep.frequency_hz.tolist()) <= set(grid.tolist())
    assert np.all(np.diff(sweep.frequency_hz) > 0)
    assert sweep.frequency_hz.size <= REFINE.at_most_points
    offsets = (sweep.frequency_hz - 1.7e9) / 20e6
    np.testing.assert_allclose(sweep.level_dbm, -30.0 - 20.0 / (1.0 + offsets**2), atol=1e-5)
    # Noise first, with RF off; then all readings and the highest again, RF on throughout.
    assert bench.rf_at_each_reading == [False] * 20 + [True] * (sweep.frequency_hz.size + 1)
    assert player.messages("generator").count(":OUTP:STAT ON") == 1
    assert sweep.flags == ()
    assert sweep.remarks == ()
    assert sweep.readings["refined_to_hz"] <= REFINE.to_hz
    # The dip is 20 dB deep at 1.7 GHz: 10 dB lie 20 MHz from there, and readings close to that.
    for edge_hz in (1.68e9, 1.72e9):
        assert np.abs(sweep.frequency_hz - edge_hz).min() <= STEP_HZ


def test_points_are_told_in_the_order_in_which_they_are_read_the_coarse_ones_first() -> None:
    told: list[tuple[float, float]] = []
    steps: list[tuple[int, int]] = []

    def note(progress: Progress) -> None:
        steps.append((progress.done, progress.total))
        if progress.taken is not None:
            told.extend(zip(progress.taken.frequency_hz, progress.taken.level_dbm, strict=True))

    player = CannedPlayer(Bench(), on_progress=note)
    sweep = player.run(run_sweep(refined(), BOTH, known()))
    read = np.array(sorted(zip(sweep.frequency_hz, sweep.level_dbm, strict=True)))
    np.testing.assert_allclose(np.array(sorted(told)), read, rtol=1e-12)
    frequencies = [frequency_hz for frequency_hz, _ in told]
    coarse = grid_hz(refined())[::8].tolist()
    assert frequencies[: len(coarse)] == coarse
    assert frequencies != sorted(frequencies)
    assert [done for done, _ in steps] == sorted(done for done, _ in steps)
    assert steps[-1] == (sweep.frequency_hz.size, sweep.frequency_hz.size)
    assert {total for _, total in steps} == {REFINE.at_most_points, sweep.frequency_hz.size}


def test_a_bound_on_points_ends_it_and_the_capture_says_so() -> None:
    sweep = CannedPlayer(Bench()).run(
        run_sweep(refined(at_most_points=34, to_hz=1e3), BOTH, known())
    )
    assert sweep.frequency_hz.size == 34
    assert sweep.flags == ("refined-in-part",)
    assert sweep.readings["refined_to_hz"] > 1e3


def test_a_bound_on_time_counts_from_the_first_reading_and_is_never_passed() -> None:
    bench = Bench()

    def clock() -> float:
        return 100.0 + 0.02 * sum(bench.rf_at_each_reading)

    sweep = CannedPlayer(bench).run(
        run_sweep(refined(at_most_s=0.61, to_hz=1e3), BOTH, known(clock))
    )
    assert sweep.frequency_hz.size == 30
    assert sweep.flags == ("refined-in-part",)
    assert sweep.remarks == (
        "it refined in part: at_most_time is reached, and resonance or edges are less sure than "
        "asked for",
    )


def test_averages_and_their_scatter_belong_to_the_frequencies_that_were_read() -> None:
    wanted = refined().model_copy(update={"average": 3})
    bench = Bench()
    count = [0]

    def answer(exchange: Exchange) -> str | None:
        reply = bench(exchange)
        if exchange.message.endswith("TRACE1") and bench.rf and reply is not None:
            count[0] += 1
            return f"{float(reply) + (0.0, 0.3, 0.6)[count[0] % 3]:.6f}"
        return reply

    sweep = CannedPlayer(answer).run(run_sweep(wanted, BOTH, known()))
    assert sweep.scatter_db is not None
    assert sweep.scatter_db.shape == sweep.frequency_hz.shape
    np.testing.assert_allclose(sweep.scatter_db, 0.3, atol=1e-6)


def test_without_a_baseline_nothing_is_radiated() -> None:
    player = CannedPlayer(Bench())
    with pytest.raises(InstrumentRefused, match="compares with a baseline, and there is none"):
        player.run(run_sweep(refined(), BOTH))
    assert player.messages("generator") == []


def test_an_overload_and_a_source_that_does_not_stand_where_it_should_are_found_as_ever() -> None:
    bench = Bench()

    def overloaded(exchange: Exchange) -> str | None:
        return "8" if exchange.message == ":STAT:QUES:EVEN?" else bench(exchange)

    assert CannedPlayer(overloaded).run(run_sweep(refined(), BOTH, known())).flags == ("overload",)
    stuck = Bench()

    def elsewhere(exchange: Exchange) -> str | None:
        if exchange.message == ":SOUR:FREQ:CW?" and stuck.rf:
            return "1650000000"
        return stuck(exchange)

    with pytest.raises(InstrumentRefused, match="found 1650000000 Hz"):
        CannedPlayer(elsewhere).run(run_sweep(refined(), BOTH, known()))
