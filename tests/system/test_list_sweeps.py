"""Lists by trigger through the whole daemon: traces, missed triggers, and RF whatever happens."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.system.rigging import BENCH, Daemon, Simulator, ending, until

RECIPE = """
recipe: one-by-lists
title: The open standard, and the antenna by lists
sweeps:
  main: {{method: stepped, centre: 1.7 GHz, span: 400 MHz, points: {points}, level: -10 dBm,
    resolution_bandwidth: 100 kHz, dwell: {dwell}{more}}}
steps:
  - capture: {{name: open, role: open, route: middle, position: open, sweep: main}}
  - capture: {{name: antenna, role: test, route: middle, position: antenna, antenna: dipole r3,
      sweep: main}}
"""


def recipe(*, points: int = 41, dwell: str = "1 ms", step_by: str = "") -> str:
    more = f", step_by: {step_by}" if step_by else ""
    return RECIPE.format(points=points, dwell=dwell, more=more)


@dataclass
class Workshop:
    """The shipped bench, whose instruments step through lists hand in hand, and its daemon."""

    folder: Path
    simulator: Simulator
    bench: Path

    def daemon(self) -> Daemon:
        return Daemon(self.folder, self.simulator, "none", bench=self.bench)


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Workshop]:
    folder = tmp_path_factory.mktemp("lists")
    text = BENCH.read_text()
    wired_to = {"    settle: 3 ms\n": "analyzer", "    noise_figure: 25 dB\n": "generator"}
    for after, other in wired_to.items():
        line = f"    list: {{points: 1000, settle: 3 ms, trigger_from: {other}}}\n"
        assert after in text
        text = text.replace(after, after + line, 1)
    (folder / "lists.yaml").write_text(text)
    with ending(simulator := Simulator(folder)):
        yield Workshop(folder, simulator, folder / "lists.yaml")


@pytest.fixture(scope="module")
def daemon(workshop: Workshop) -> Iterator[Daemon]:
    """One for all that leaves it as it was."""
    running = workshop.daemon()
    with ending(running):
        yield running


@pytest.fixture
def simulator(workshop: Workshop) -> Simulator:
    """Its instruments, with no pulse lost and the lid closed."""
    workshop.simulator.do("triggers", missed=[])
    workshop.simulator.do("lid", open=False)
    return workshop.simulator


def captures(daemon: Daemon, job: str) -> dict[str, dict[str, Any]]:
    found = daemon.http.get("/api/captures", params={"job": job}).json()
    return {one["step"]: daemon.http.get(f"/api/captures/{one['id']}").json() for one in found}


def levels(daemon: Daemon, capture: dict[str, Any]) -> np.ndarray:
    traces = daemon.http.get(f"/api/captures/{capture['id']}/trace").json()
    (trace,) = [one for one in traces if one["name"] == "level"]
    return np.array(trace["values"])


def in_mid_list(simulator: Simulator) -> bool:
    state = simulator.do("state")
    lists = [state["instruments"][name]["list"] for name in ("generator", "analyzer")]
    return bool(state["rf_on"] and all(one["running"] and one["place"] > 1 for one in lists))


def at_rest(simulator: Simulator) -> bool:
    """RF is off, and no list runs."""
    state = simulator.do("state")
    names = ("generator", "analyzer")
    return not state["rf_on"] and not any(
        state["instruments"][name]["list"]["running"] for name in names
    )


def test_captures_by_lists_are_those_by_command_and_a_missed_trigger_is_told(
    daemon: Daemon, simulator: Simulator, workshop: Workshop
) -> None:
    stepped, listed = daemon.queue_text(recipe(step_by="command")), daemon.queue_text(recipe())
    for job in (stepped, listed):
        daemon.until_state(job, "done")
    assert simulator.do("state")["instruments"]["analyzer"]["list"]["place"] == 41
    by_command, by_list = captures(daemon, stepped), captures(daemon, listed)
    for name in ("open", "antenna"):
        assert by_list[name]["flags"] == by_command[name]["flags"] == []
        # The noise of a reading near the dip, 30 dB above it: 4.34 sqrt(2e-3/100) is 0.02 dB.
        np.testing.assert_allclose(
            levels(daemon, by_list[name]), levels(daemon, by_command[name]), atol=0.2
        )
    simulator.do("triggers", missed=[20])
    job = daemon.queue_text(recipe())
    message = daemon.until_state(job, "done")["message"]
    assert message.startswith(
        "done; capture open on middle/open: generator missed a trigger at 1.69 GHz: "
    )
    assert message.endswith("; stepped by command instead, and 1 more like it")
    for capture in captures(daemon, job).values():
        assert capture["flags"] == ["trigger-missed"]
        assert capture["readings"]["trigger_missed_at_hz"] == 1.5e9 + 19 * 10e6
        np.testing.assert_allclose(
            levels(daemon, capture), levels(daemon, by_command[capture["step"]]), atol=0.2
        )
    said = (workshop.folder / "daemon.log").read_text()
    assert "generator missed a trigger at 1.69 GHz" in said
    job = daemon.queue_text(recipe(step_by="list"))
    failed = daemon.until_state(job, "failed")
    assert failed["error"]["family"] == "trigger-missed"
    assert failed["error"]["where"] == "generator"
    assert at_rest(simulator)


def test_a_list_is_left_at_once_by_withdrawal_and_lid_and_rf_goes_off(
    daemon: Daemon, simulator: Simulator
) -> None:
    slow = recipe(points=11, dwell="150 ms")
    job = daemon.queue_text(slow)
    until(lambda: in_mid_list(simulator), "a list to run")
    daemon.http.post(f"/api/jobs/{job}/withdraw").raise_for_status()
    daemon.until_state(job, "withdrawn")
    until(lambda: at_rest(simulator), "the list to be left")
    job = daemon.queue_text(slow)
    until(lambda: in_mid_list(simulator), "a list to run")
    simulator.do("lid", open=True)
    assert daemon.until_state(job, "failed")["error"]["family"] == "lid-open"
    until(lambda: at_rest(simulator), "the list to be left")


def test_a_source_that_goes_silent_in_mid_list_ends_the_sweep_and_is_switched_off(
    daemon: Daemon, simulator: Simulator
) -> None:
    """Its link is opened anew, OFF is the first word there, and the sweep begins again."""
    before = len(simulator.do("state")["instruments"]["generator"]["rf_history"])
    job = daemon.queue_text(recipe(points=11, dwell="150 ms"))
    until(lambda: in_mid_list(simulator), "a list to run")
    simulator.do("fault", instrument="generator", mode="close", count=1)
    daemon.until_state(job, "done")
    history = simulator.do("state")["instruments"]["generator"]["rf_history"]
    # On for the list that was broken off, off, on again for open, off, on for antenna, off.
    assert [is_on for _, is_on in history[before:]] == [True, False, True, False, True, False]
    assert [one["flags"] for one in captures(daemon, job).values()] == [[], []]


def test_the_commands_of_lists_are_tried_on_the_instruments_with_rf_off(
    daemon: Daemon, simulator: Simulator
) -> None:
    before = len(simulator.do("state")["instruments"]["generator"]["rf_history"])
    for name, count in (("generator", 13), ("analyzer", 15)):
        found = daemon.http.post("/api/instruments/test", params={"name": name}).json()
        tried = [one for one in found["commands"] if one["command"].startswith("list_")]
        refused = {one["command"]: one for one in tried if one["outcome"] != "taken"}
        assert len(tried) == count
        assert set(refused) <= {"list_fetch"}, refused
        assert found["rf_after"] == "off, verified"
    assert at_rest(simulator)
    assert len(simulator.do("state")["instruments"]["generator"]["rf_history"]) == before


def test_after_kill_9_in_mid_list_rf_goes_off_and_the_list_is_left(workshop: Workshop) -> None:
    """On a bench of its own, beside the other daemon's."""
    simulator = Simulator(workshop.folder)
    other = replace(workshop, folder=workshop.folder / "killed", simulator=simulator)
    other.folder.mkdir()
    first = other.daemon()
    with ending(simulator, first):
        job = first.queue_text(recipe(points=11, dwell="150 ms"))
        until(lambda: in_mid_list(simulator), "a list to run")
        first.kill()
        state = simulator.do("state")
        mode = state["instruments"]["generator"]["settings"]["mode"]
        assert (state["rf_on"], mode) == (True, "list")
        before = len(state["instruments"]["generator"]["rf_history"])
        second = other.daemon()
        with ending(second):
            history = simulator.do("state")["instruments"]["generator"]["rf_history"]
            assert [is_on for _, is_on in history[before:]][:1] == [False]
            second.until_state(job, "done")
            assert [one["flags"] for one in captures(second, job).values()] == [[], []]
        assert at_rest(simulator)
