"""A trim session on a real daemon and a virtual bench, with a person who files."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.patience import PATIENCE_S
from tests.system.rigging import PROGRAM, Daemon, Mosquitto, Simulator, ending, until
from tests.system.test_orders_kept import order

ANTENNA = "dipole r3"


@pytest.fixture
def slow_simulator(tmp_path: Path) -> Iterator[Simulator]:
    """A look takes some seconds, so that it can be caught at it."""
    bench = Simulator(tmp_path, "workshop", "--time-scale", "3")
    with ending(bench):
        yield bench


def radiated(simulator: Simulator, since_s: float = 0.0) -> list[list[Any]]:
    """Changes of RF by the simulator's own record."""
    entries = simulator.do("record", since_s=since_s)["record"]
    return [entry for entry in entries if entry[2] == "rf"]


def begin(daemon: Daemon, **wanted: Any) -> str:
    answer = daemon.http.post("/api/trim", json={"antenna": ANTENNA, **wanted})
    assert answer.status_code == 201, answer.text
    job: str = answer.json()["id"]
    return job


def asks(daemon: Daemon, job: str, step: int) -> Any:
    """Wait until the job asks in that step."""

    def there() -> Any:
        row = daemon.job(job)
        assert row["state"] not in ("failed", "withdrawn", "missed"), row["message"]
        is_asked = row["state"] == "needs-hands" and row["hands"]["step"] == step
        return row if is_asked else None

    return until(there, f"the request of step {step}")


def look(daemon: Daemon, job: str, step: int, removed_mm: float | None = None) -> None:
    body = {"step": step, "removed_mm": removed_mm}
    answer = daemon.http.post(f"/api/jobs/{job}/look", json=body)
    assert answer.status_code == 200, answer.text


def session(daemon: Daemon, job: str) -> Any:
    answer = daemon.http.get(f"/api/jobs/{job}/trim")
    assert answer.status_code == 200, answer.text
    return answer.json()


def true_dip_hz(simulator: Simulator) -> float:
    one = simulator.do("truth")["truth"]["antennas"][ANTENNA]
    return float(one["in_box"]["resonance_hz"])


def test_a_person_trims_by_the_advice_until_it_says_stop(
    daemon: Daemon, simulator: Simulator, mosquitto: Mosquitto, listener: Any
) -> None:
    # Left longer than the shipped world has it, so that there is something to file.
    design_hz = 1.74e9
    job = begin(daemon, looks=8, design_frequency="1.74 GHz")
    asks(daemon, job, 0)
    assert radiated(simulator) == []  # baselines are not taken before somebody says so
    assert daemon.http.post(f"/api/jobs/{job}/ready?step=0").status_code == 200
    step, removed_mm, cuts = 3, None, []
    while True:
        asks(daemon, job, step)
        # Between looks RF is off, by the record of the instrument itself.
        changes = radiated(simulator)
        assert changes[-1][3] is False
        assert simulator.do("state")["rf_on"] is False
        look(daemon, job, step, removed_mm)
        step += 3
        asks(daemon, job, step)
        assert len(radiated(simulator)) == len(changes) + 2  # on once, and off
        newest = session(daemon, job)["looks"][-1]
        assert newest["removed_m"] == pytest.approx(
            None if removed_mm is None else removed_mm / 1e3
        )
        dip = newest["results"]["resonance_frequency"]
        assert dip["low"] <= true_dip_hz(simulator) <= dip["high"]
        left = newest["results"]["trim_per_arm"]
        if left["state"] != "cut":
            break
        assert left["next_cut_m"] <= left["value"] / 2.0
        assert left["next_cut_m"] <= left["low"]
        removed_mm = round(left["next_cut_m"] * 1e3, 2)
        simulator.do("trim", antenna=ANTENNA, by_m=removed_mm / 1e3)
        cuts.append(removed_mm)
    assert left["state"] == "stop"
    assert "Stop:" in left["note"]
    assert len(cuts) >= 2
    assert true_dip_hz(simulator) < design_hz * 1.002  # never beyond it
    looks = session(daemon, job)["looks"]
    assert len(looks) == len(cuts) + 1
    assert len(looks[0]["return_loss_db"]) == len(looks[0]["frequency_hz"]) == 101
    # The order by MQTT ends it, and the story stands with the antenna.
    reply = order(mosquitto, listener, {"order": "s1", "verb": "stop", "job": job})
    assert reply["ok"], reply
    assert daemon.until_state(job, "done")["message"] == "stopped by order; its looks are kept"
    stored = daemon.http.get(
        "/api/results", params={"antenna": ANTENNA, "quantity": "removed_length"}
    ).json()
    assert sorted(one["result"]["value"] * 1e3 for one in stored) == pytest.approx(sorted(cuts))
    simulated_person_goes_on(daemon, simulator)


def simulated_person_goes_on(daemon: Daemon, simulator: Simulator) -> None:
    """The person of the demo trims the same antenna further, with the baselines that are stored."""
    host, port = simulator.control
    command = [sys.executable, "-m", "simulators.person", "--control", f"{host}:{port}"]
    with subprocess.Popen([*command, "--daemon", daemon.said["http"]]) as person:
        try:
            job = begin(daemon, design_frequency="1.8 GHz", span="510 MHz")
            daemon.until_state(job, "done")
        finally:
            person.kill()
    looks = session(daemon, job)["looks"]
    assert len(looks) > 2
    assert looks[-1]["results"]["trim_per_arm"]["state"] == "stop"


def test_kill_9_between_looks_and_in_a_look_loses_nothing_and_asks_again(
    tmp_path: Path, slow_simulator: Simulator, mosquitto: Mosquitto
) -> None:
    simulator = slow_simulator
    first = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(first):
        job = begin(first, looks=3)
        asks(first, job, 0)
        first.http.post(f"/api/jobs/{job}/ready?step=0")
        asks(first, job, 3)
        look(first, job, 3)
        asks(first, job, 6)
        first.kill()  # between looks
    second = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(second):
        asks(second, job, 6)
        before = len(radiated(simulator))
        look_when_it_works(second, job, 6, 0.5)
        until(lambda: simulator.do("state")["rf_on"], "the look to radiate")
        second.kill()  # in the look
    third = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(third):
        row = until(
            lambda: (one := third.job(job))["message"].startswith("benchd was interrupted") and one,
            "the look to be asked for again",
        )
        assert row["hands"]["look"] == "button"
        assert radiated(simulator)[-1][3] is False
        assert len(radiated(simulator)) == before + 2
        assert session(third, job)["noted_removed_m"] == pytest.approx(0.5e-3)
        look(third, job, row["hands"]["step"])
        asks(third, job, 9)
        looks = session(third, job)["looks"]
        assert [one["removed_m"] for one in looks] == [None, pytest.approx(0.5e-3)]
        assert third.http.post(f"/api/jobs/{job}/stop").status_code == 200
        third.until_state(job, "done")


def until_the_lid_is_seen(daemon: Daemon) -> None:
    """Wait until the daemon has asked the lid's contact anew: of two answers from now on the second
    was asked for after now."""

    def answered_at() -> Any:
        every = daemon.http.get("/api/instruments").json()
        return next(one["answered_at"] for one in every if one["name"] == "lid")

    for _ in range(2):
        before = answered_at()
        until(lambda before=before: answered_at() != before, "the lid's contact to be asked")


def look_when_it_works(daemon: Daemon, job: str, step: int, removed_mm: float) -> None:
    """Ask for a look of a session that is being resumed."""
    body = {"step": step, "removed_mm": removed_mm}
    until(
        lambda: daemon.http.post(f"/api/jobs/{job}/look", json=body).status_code == 200,
        "the resumed session to take an answer",
    )


def test_the_lid_starts_a_look_and_an_opened_lid_ends_it(
    tmp_path: Path, slow_simulator: Simulator, mosquitto: Mosquitto
) -> None:
    simulator = slow_simulator
    daemon = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(daemon):
        job = begin(daemon, looks=3, start="lid")
        worksheet = daemon.http.get(f"/api/jobs/{job}/worksheet").json()
        assert [one.get("look") for one in worksheet["steps"]][3::3] == ["lid"] * 3
        asks(daemon, job, 0)
        daemon.http.post(f"/api/jobs/{job}/ready?step=0")
        asks(daemon, job, 3)
        before = len(radiated(simulator))
        simulator.do("lid", open=True)
        # A length typed for an earlier look counts for no later one.
        late = {"removed_mm": 0.5, "step": 0}
        refused = daemon.http.post(f"/api/jobs/{job}/removed", json=late)
        assert refused.status_code == 409
        assert "has begun without it" in refused.json()["message"]
        assert daemon.http.get(f"/api/jobs/{job}/trim").json()["noted_removed_m"] is None
        body = {"removed_mm": 0.0, "step": 3}
        assert daemon.http.post(f"/api/jobs/{job}/removed", json=body).status_code == 200
        # Asked for with the lid open, there is no RF, and it is asked for again.
        look(daemon, job, 3)
        until(
            lambda: "the lid of the box is open" in daemon.job(job)["message"],
            "the look to be refused",
        )
        assert len(radiated(simulator)) == before
        asks(daemon, job, 3)
        simulator.do("lid", open=True)
        until_the_lid_is_seen(daemon)
        simulator.do("lid", open=False)
        until(lambda: simulator.do("state")["rf_on"], "the closed lid to start the look")
        simulator.do("lid", open=True)
        until(lambda: not simulator.do("state")["rf_on"], "RF to go off with the lid")
        asks(daemon, job, 3)
        assert session(daemon, job)["looks"] == []
        until_the_lid_is_seen(daemon)
        simulator.do("lid", open=False)
        asks(daemon, job, 6)
        assert len(session(daemon, job)["looks"]) == 1
        assert radiated(simulator)[-1][3] is False
        # Nobody has opened it since: nothing more starts by itself.
        assert daemon.job(job)["state"] == "needs-hands"


def test_the_terminal_looks_takes_lengths_and_stops(daemon: Daemon, simulator: Simulator) -> None:
    command = [*PROGRAM, "trim", ANTENNA, "--looks", "4", "--daemon", daemon.said["http"]]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as terminal:
        assert terminal.stdin is not None
        assert terminal.stdout is not None
        told: list[str] = []

        def until_told(words: str) -> None:
            assert terminal.stdout is not None
            for line in terminal.stdout:
                told.append(line)
                if words in line:
                    return
            raise AssertionError(f"{words!r} never came:\n{''.join(told)}")

        def types(line: str) -> None:
            assert terminal.stdin is not None
            terminal.stdin.write(line + "\n")
            terminal.stdin.flush()

        until_told("Enter: it is done")
        types("")
        until_told("stop: end the session")
        types("")
        until_told("Take off half of that")
        until_told("stop: end the session")
        simulator.do("trim", antenna=ANTENNA, by_m=0.0005)
        types("0.5 foot")
        until_told("Not answered")
        types("0.5mm")
        until_told("Look 2 after 0.5 mm taken off")
        until_told("Since the first look it has moved by")
        until_told("stop: end the session")
        types("look 3: 0.4mm")
        until_told("has no look 3")
        types("look 2: 0.4mm")
        until_told("Look 2 after 0.4 mm taken off")
        types("stop")
        until_told("stopped by order; its looks are kept")
        assert terminal.wait(PATIENCE_S) == 0
    ladder = [line for line in told if line.startswith("look ")]
    assert [line.split()[1] for line in ladder] == ["1", "1", "2", "1", "2"]
    assert all("v" in line and "|" in line for line in ladder)
