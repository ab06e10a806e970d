"""List sweeps on the virtual bench, in memory: the same trace as stepped, and no wrong one.

The list of a simulated instrument moves by pulses alone, at simulated times; what the analyzer
reads follows from where the source was then.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest

from benchd.acquire import Sweep, SweepInstruments, TriggerMissed, confirmed, run_sweep
from benchd.acquire.list_check import first_difference, telling_points
from benchd.errors import InstrumentRefused
from benchd.sweeps import ListSteps, Refine, SweepPlan
from drivers.analyzer import ScpiAnalyzer
from drivers.exchange import Batch, Progress, Reply
from drivers.source import ScpiSource
from simulators.instruments.all_instruments import Workbench
from simulators.instruments.analyzer import Analyzer
from simulators.instruments.clock import SimulatedClock
from simulators.instruments.source import Source
from simulators.world import World
from simulators.world.model import TriggerCableModel, TriggersModel
from tests.coverage_study.memory import MemoryPlayer
from tests.drivers.dialects import BENCHES
from tests.simulators.servers.harness import workshop_model

G, A = "generator", "analyzer"
CABLES = {
    "hand-in-hand": [(G, A), (A, G)],
    "source-leads": [(G, A)],
    "analyzer-leads": [(A, G)],
    "source-by-command": [],
    "analyzer-by-command": [],
}
BY_TRIGGER = ["hand-in-hand", "source-leads", "analyzer-leads"]
POINTS = 61
SETTLE_S = 0.003  # of the workshop's source
SOURCE = ScpiSource(G, {}, {"list": True})
ANALYZER = ScpiAnalyzer(A, {}, {"list": True})
BOTH = SweepInstruments(ANALYZER, SOURCE)


def bench(wiring: str | None, *, dialect: str = "plain", **faults: Any) -> Workbench:
    """The workshop with the open standard, on a clock that moves by waiting alone."""
    cables = tuple(
        TriggerCableModel(sender=sender, receiver=receiver)
        for sender, receiver in CABLES.get(wiring or "", [])
    )
    model = workshop_model()
    spoken = tuple(one.model_copy(update={"dialect": dialect}) for one in model.instruments)
    triggers = TriggersModel(cables=cables, **faults)
    band = {"frequency_start_hz": 1.4e9, "frequency_stop_hz": 2.0e9}
    model = model.model_copy(update={"triggers": triggers, "instruments": spoken, **band})
    found = Workbench(World(model), SimulatedClock(0.0, lambda: 0.0))
    for channel in (101, 201, 301):
        found.world.close_channel(channel)
    return found


def plan(wiring: str | None, **changes: Any) -> SweepPlan:
    steps = {key: changes.pop(key) for key in ("if_missed", "list_points") if key in changes}
    lists = None if wiring is None else ListSteps.model_validate(
        {"wiring": wiring, "source_settle_s": SETTLE_S, "analyzer_settle_s": 0.0, "late_s": 1e-4,
         "points": steps.get("list_points", 1000),
         "if_missed": steps.get("if_missed", "step-by-command")}
    )  # fmt: skip
    settings: dict[str, Any] = {
        "method": "stepped", "start_hz": 1.5e9, "stop_hz": 1.9e9, "points": POINTS,
        "level_dbm": -10.0, "resolution_bandwidth_hz": 100e3, "dwell_s": 0.001, "lists": lists,
    }  # fmt: skip
    return SweepPlan.model_validate(settings | changes)


class Watching(MemoryPlayer):
    """Notes every message, and the radiating state when it was sent."""

    def __init__(self, workbench: Workbench) -> None:
        super().__init__(workbench)
        self.bench = workbench
        self.sent: list[tuple[str, str, bool]] = []

    def perform(self, batch: Batch) -> list[Any]:
        on = self.bench.rf_is_on()
        self.sent += [(one.instrument, one.message, on) for one in batch]
        return super().perform(batch)


def swept(workbench: Workbench, chosen: SweepPlan) -> Sweep:
    drivers = {G: SOURCE, A: ANALYZER}
    return MemoryPlayer(workbench).run(confirmed(run_sweep(chosen, BOTH), drivers))


@cache
def stepped(**changes: Any) -> Sweep:
    """The same sweep point by point, by command."""
    return swept(bench(None), plan(None, **changes))


def list_of(workbench: Workbench, name: str) -> dict[str, Any]:
    found: dict[str, Any] = workbench.instruments[name].state()["list"]
    return found


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"average": 3},
        {"refine": Refine(around="resonance", span_hz=2e7, points=11)},
        {"list_points": 20},
        {"detector": "peak"},
    ],
    ids=["plain", "average", "refined", "split", "peak"],
)
@pytest.mark.parametrize("wiring", CABLES)
def test_by_lists_the_trace_is_the_one_that_stepping_gives(
    wiring: str, changes: dict[str, Any]
) -> None:
    """Within 0.05 dB, ten times the noise of a reading 60 dB above it (4.34 sqrt(2e-6/100))."""
    expected = stepped(**{key: one for key, one in changes.items() if key != "list_points"})
    workbench = bench(wiring)
    found = swept(workbench, plan(wiring, **changes))
    assert (found.flags, found.remarks) == ((), ())
    np.testing.assert_array_equal(found.frequency_hz, expected.frequency_hz)
    np.testing.assert_allclose(found.level_dbm, expected.level_dbm, atol=0.05)
    assert found.noise_dbm is not None
    assert found.again_dbm is not None
    assert (found.scatter_db is None) == (changes.get("average", 1) == 1)
    assert [list_of(workbench, name)["running"] for name in (G, A)] == [False, False]


@pytest.mark.parametrize("wiring", ["hand-in-hand", "analyzer-leads", "source-by-command"])
@pytest.mark.parametrize("dialect", ["terse", "chatty"])
def test_instruments_of_another_spelling_are_led_by_what_the_bench_file_says(
    dialect: str, wiring: str
) -> None:
    """Two invented makes; their list commands share no word with the standard, or answer with
    headers."""
    (source_words, source_options), (analyzer_words, analyzer_options) = (
        BENCHES[dialect][name] for name in (G, A)
    )
    both = SweepInstruments(
        ScpiAnalyzer(A, analyzer_words, {**analyzer_options, "list": True}),
        ScpiSource(G, source_words, {**source_options, "list": True}),
    )
    workbench = bench(wiring, dialect=dialect)
    found = MemoryPlayer(workbench).run(run_sweep(plan(wiring), both))
    assert (found.flags, found.remarks) == ((), ())
    np.testing.assert_allclose(found.level_dbm, stepped().level_dbm, atol=0.05)
    for name in (G, A):
        assert workbench.instruments[name].status.errors.texts() == []


FAULTS: list[dict[str, Any]] = [
    {"missed": (1,)},
    {"missed": (30,)},
    {"missed": (POINTS,)},
    {"missed": (20, 21)},
    {"missed": (10,), "extra": (40,)},
    {"extra": (10,), "missed": (40,)},
    {"jitter_s": 0.006},
    {"delay_s": 0.0045},
]


@pytest.mark.parametrize("fault", FAULTS, ids=str)
@pytest.mark.parametrize("wiring", BY_TRIGGER)
def test_whatever_becomes_of_the_pulses_the_trace_is_right_and_what_was_missed_is_named(
    wiring: str, fault: dict[str, Any]
) -> None:
    found = swept(bench(wiring, **fault), plan(wiring))
    np.testing.assert_allclose(found.level_dbm, stepped().level_dbm, atol=0.05)
    if wiring == "hand-in-hand" and "missed" not in fault:
        # Each waits for the other: late pulses cost time and nothing else.
        assert found.flags == ()
        return
    assert found.flags == ("trigger-missed",)
    (remark,) = found.remarks
    assert remark.endswith("stepped by command instead")
    named = {"source-leads": A, "analyzer-leads": G}.get(wiring)
    assert named is None or remark.startswith(f"{named} missed a trigger")


@pytest.mark.parametrize("point", [1, 30, POINTS])
@pytest.mark.parametrize(("victim", "other"), [(G, A), (A, G)])
def test_hand_in_hand_it_is_known_who_missed_a_trigger_and_where(
    point: int, victim: str, other: str
) -> None:
    """The cable to the one loses a pulse: both stop at that point, the other is not blamed."""
    workbench = bench("hand-in-hand")
    workbench.bus.missed = {point}
    pulse = workbench.bus.pulse

    def lossy(sender: str, time_s: float) -> None:
        workbench.bus.missed = {point} if sender == other else set()
        pulse(sender, time_s)

    workbench.bus.pulse = lossy  # type: ignore[method-assign]
    chosen = plan("hand-in-hand")
    found = swept(workbench, chosen)
    at_hz = np.linspace(1.5e9, 1.9e9, POINTS).round()[point - 1]
    assert found.readings == {"trigger_missed_at_hz": at_hz}
    assert found.remarks[0].startswith(f"{victim} missed a trigger at ")


@pytest.mark.parametrize("wiring", BY_TRIGGER)
def test_where_the_recipe_wants_lists_alone_a_missed_trigger_is_an_error(wiring: str) -> None:
    workbench = bench(wiring, missed=(30,))
    with pytest.raises(TriggerMissed, match="missed a trigger") as caught:
        swept(workbench, plan(wiring, if_missed="fail"))
    assert caught.value.family == "trigger-missed"
    assert caught.value.where == (A if wiring == "source-leads" else G)


@pytest.mark.parametrize("wiring", ["source-by-command", "analyzer-by-command"])
def test_a_command_that_did_not_move_the_list_is_noticed(wiring: str) -> None:
    workbench = bench(wiring)
    one = workbench.instruments[G if wiring == "source-by-command" else A]
    assert isinstance(one, Source | Analyzer)
    triggers = 0
    trigger = one._list.trigger

    def deaf_once(time_s: float) -> None:
        nonlocal triggers
        triggers += 1
        if triggers != 25:
            trigger(time_s)

    one._list.trigger = deaf_once  # type: ignore[method-assign]
    expected = stepped()
    found = swept(workbench, plan(wiring))
    np.testing.assert_allclose(found.level_dbm, expected.level_dbm, atol=0.05)
    assert found.flags == ("trigger-missed",)
    assert f"{one.name} missed a trigger: it still waits after 60 of 61" in found.remarks[0]


@pytest.mark.parametrize("wiring", BY_TRIGGER)
def test_everything_is_loaded_before_rf_comes_on_and_nobody_talks_while_a_list_runs(
    wiring: str,
) -> None:
    player = Watching(bench(wiring))
    player.run(run_sweep(plan(wiring), BOTH))
    on = [message for _, message, rf in player.sent if rf]
    before = [message for _, message, rf in player.sent if not rf]
    assert sum(message.startswith(":SOUR:LIST:FREQ ") for message in before) == 1
    assert before[-2:] == [":SOUR:POW:LEV:IMM:AMPL?", ":OUTP:STAT ON"]
    # Armed, asked, started; then the question whether it is over.
    assert on[:5] == [
        ":INIT:IMM", ":STAT:OPER:COND?", ":INIT:IMM", ":STAT:OPER:COND?", ":STAT:OPER:COND?"
    ]  # fmt: skip
    assert player.bench.instruments[G].values["mode"] == "cw"


def test_a_long_sweep_is_split_so_that_no_list_lasts_long_or_is_a_message_too_long() -> None:
    player = Watching(bench("hand-in-hand"))
    player.run(run_sweep(plan("hand-in-hand", points=901, dwell_s=0.0002), BOTH))
    loads = [message for _, message, _ in player.sent if ":SOUR:LIST:FREQ " in message]
    assert [len(load) < 4096 for load in loads] == [True] * 3
    player = Watching(bench("hand-in-hand"))
    player.run(run_sweep(plan("hand-in-hand", points=21, dwell_s=0.4), BOTH))
    # Five points of 0.4 s and a little are more than 2 s.
    assert sum(":SOUR:LIST:FREQ " in message for _, message, _ in player.sent) == 6


def test_an_instrument_that_holds_fewer_points_than_stated_is_named() -> None:
    workbench = bench("hand-in-hand")
    player = MemoryPlayer(workbench)
    one = workbench.instruments[A]
    assert isinstance(one, Analyzer)
    load = one._list.load
    one._list.load = lambda most, *f: load(most, *f[:32])  # type: ignore[method-assign]
    with pytest.raises(InstrumentRefused, match="took 32 points of a list of 61") as caught:
        player.run(run_sweep(plan("hand-in-hand"), BOTH))
    assert caught.value.where.startswith("analyzer")
    assert not workbench.rf_is_on()


@pytest.mark.parametrize("wiring", BY_TRIGGER)
def test_without_questions_that_may_be_lacking_a_missed_trigger_is_found_all_the_same(
    wiring: str,
) -> None:
    dumb: dict[str, str | None] = {"list_place_query": None, "list_points_query": None}
    both = SweepInstruments(
        ScpiAnalyzer(A, dumb, {"list": True}), ScpiSource(G, dumb, {"list": True})
    )
    workbench = bench(wiring, missed=(30,))
    found = MemoryPlayer(workbench).run(run_sweep(plan(wiring), both))
    np.testing.assert_allclose(found.level_dbm, stepped().level_dbm, atol=0.05)
    assert (found.flags, found.readings) == (("trigger-missed",), {})
    assert "at which point cannot be known" in found.remarks[0]


def test_who_looks_on_sees_each_point_once_and_after_a_missed_trigger_only_the_right_ones() -> None:
    for wiring, missed in (("hand-in-hand", ()), ("hand-in-hand", (30,)), ("source-leads", (30,))):
        seen: dict[float, float] = {}
        twice: list[float] = []

        def look(progress: Progress, seen: Any = seen, twice: Any = twice) -> None:
            taken = progress.taken
            if taken is None:
                return
            if taken.is_all:
                seen.clear()
            for frequency_hz, level_dbm in zip(taken.frequency_hz, taken.level_dbm, strict=True):
                if float(frequency_hz) in seen:
                    twice.append(float(frequency_hz))
                seen[float(frequency_hz)] = float(level_dbm)

        player = MemoryPlayer(bench(wiring, missed=missed))
        player._on_progress = look
        sweep = player.run(run_sweep(plan(wiring, list_points=20), BOTH))
        assert twice == []
        assert seen == dict(zip(sweep.frequency_hz.tolist(), sweep.level_dbm.tolist(), strict=True))


def test_readings_shifted_by_one_are_found_though_all_counts_are_right() -> None:
    """An analyzer that sends the reading of each point for the next one."""
    workbench = bench("hand-in-hand")
    analyzer = workbench.instruments[A]
    assert isinstance(analyzer, Analyzer)
    read = analyzer._read_list

    def shifted() -> None:
        was_listed = analyzer._listed is not None
        read()
        if was_listed and analyzer._trace_dbm is not None:
            analyzer._trace_dbm = np.roll(analyzer._trace_dbm, 1)

    analyzer._read_list = shifted  # type: ignore[method-assign]
    expected = stepped()
    found = swept(workbench, plan("hand-in-hand"))
    assert found.flags == ("trigger-missed",)
    assert "a reading by command" in found.remarks[0]
    np.testing.assert_allclose(found.level_dbm, expected.level_dbm, atol=0.05)


def test_a_path_that_breaks_in_mid_list_is_no_missed_trigger() -> None:
    """All points that are read again are lost then; the check of the capture says what it was."""

    class Pulling(Watching):
        def perform(self, batch: Batch) -> list[Any]:
            values = super().perform(batch)
            if batch[0].reply is Reply.BLOCK:
                self.bench.move(lambda: self.bench.world.pull("sense_cable"))
            return values

    sweep = Pulling(bench("hand-in-hand")).run(run_sweep(plan("hand-in-hand"), BOTH))
    assert sweep.flags == ()
    assert sweep.again_dbm is not None
    assert sweep.again_dbm < float(np.max(sweep.level_dbm)) - 40.0


def test_points_that_tell_of_a_shift_and_when_two_readings_disagree() -> None:
    level = np.array([-30.0, -30.1, -45.0, -30.2, -30.3, -33.0, -30.5])
    assert telling_points(level) == [6, 1, 4, 0]
    noise = np.full(3, -90.0)
    chosen = plan("hand-in-hand")
    steady = np.array([-30.0, -89.0, -40.0])
    assert first_difference(steady, steady + np.array([0.05, 9.0, 0.05]), noise, chosen) is None
    assert first_difference(steady, steady + np.array([0.0, 0.0, 0.2]), noise, chosen) == 2
    assert first_difference(steady, steady + np.array([0.0, 30.0, 0.0]), noise, chosen) == 1
