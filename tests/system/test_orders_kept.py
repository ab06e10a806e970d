"""Orders and windows on a real daemon: kill -9 right after the answer, and the clock at night."""

from __future__ import annotations

import json
import signal
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest

from tests.system.rigging import Daemon, Listener, Mosquitto, Simulator, ending, until

SLOW = """
recipe: slow
title: A sweep that takes an hour
sweeps:
  main: {method: stepped, start: 1.6 GHz, stop: 1.8 GHz, points: 36001, level: -10 dBm,
    resolution_bandwidth: 10 kHz, dwell: 100 ms}
steps:
  - capture: {role: test, route: middle, position: antenna, antenna: dipole r3, sweep: main}
"""
BY_HAND = """
recipe: by-hand
title: One antenna, fitted by hand, nobody there
sweeps:
  main: {start: 1.6 GHz, stop: 1.8 GHz, points: 5, level: -10 dBm, resolution_bandwidth: 10 kHz}
steps:
  - hands: {ask: Fit the antenna., %s}
  - capture: {role: test, route: middle, position: antenna, antenna: dipole r3, sweep: main}
"""
QUICK = """
recipe: quick
title: Five points, no hands
sweeps:
  main: {start: 1.6 GHz, stop: 1.8 GHz, points: 5, level: -10 dBm, resolution_bandwidth: 10 kHz}
steps:
  - capture: {role: open, route: middle, position: open, sweep: main}
"""


def rf_history(simulator: Simulator) -> list[bool]:
    history = simulator.do("state")["instruments"]["generator"]["rf_history"]
    return [is_on for _, is_on in history]


def order(mosquitto: Mosquitto, listener: Listener, body: dict[str, Any]) -> dict[str, Any]:
    """Give an order over MQTT and wait for its answer."""
    sender = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id="operator")
    sender.connect("127.0.0.1", mosquitto.port)
    sender.loop_start()
    try:
        text = json.dumps(body)
        sender.publish("benchd/workshop/orders", text, qos=1).wait_for_publish(60.0)
        reply: dict[str, Any] = until(
            lambda: next(
                (one for one in listener.on("/orders/reply") if one["order"] == body["order"]), None
            ),
            "the answer to the order",
        )
    finally:
        sender.disconnect()
        sender.loop_stop()
    return reply


@pytest.mark.parametrize("end", [signal.SIGKILL, signal.SIGTERM])
@pytest.mark.parametrize("door", ["http", "mqtt"])
def test_a_withdrawal_that_was_answered_holds_over_the_end_of_the_daemon(
    tmp_path: Path,
    simulator: Simulator,
    mosquitto: Mosquitto,
    listener: Listener,
    door: str,
    end: signal.Signals,
) -> None:
    first = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(first):
        until(lambda: listener.on("/presence"), "the daemon to be on the broker")
        job = first.queue_text(SLOW)
        until(lambda: simulator.do("state")["rf_on"], "the sweep to radiate")
        if door == "http":
            assert first.http.post(f"/api/jobs/{job}/withdraw").status_code == 200
        else:
            reply = order(mosquitto, listener, {"order": "w1", "verb": "withdraw", "job": job})
            assert reply["ok"], reply
        first.popen.send_signal(end)
        first.popen.wait()
    on_before = rf_history(simulator).count(True)
    second = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(second):
        row = second.until_state(job, "withdrawn")
        assert row["message"] == "withdrawn by order"
        # The queue works again, and RF came on for its job only.
        second.until_state(second.queue_text(QUICK), "done")
        assert rf_history(simulator).count(True) == on_before + 1
        assert simulator.do("state")["rf_on"] is False


def test_a_job_that_was_queued_is_there_after_kill_9(
    tmp_path: Path, simulator: Simulator, mosquitto: Mosquitto, listener: Listener
) -> None:
    first = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(first):
        job = first.queue_text(QUICK)
        first.kill()
    second = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(second):
        second.until_state(job, "done")


def test_an_answered_request_is_made_again_after_kill_9_and_rf_stays_off_until_then(
    tmp_path: Path, simulator: Simulator, mosquitto: Mosquitto, listener: Listener
) -> None:
    first = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(first):
        text = BY_HAND % "caution: Mind the cable."
        job = first.queue_text(text.replace("points: 5", "points: 36001, dwell: 100 ms"))
        first.until_state(job, "needs-hands")
        assert first.http.post(f"/api/jobs/{job}/ready?step=0").json()["state"] == "running"
        until(lambda: simulator.do("state")["rf_on"], "the sweep to radiate")
        first.kill()
    on_before = rf_history(simulator).count(True)
    second = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(second):
        asking = until(
            lambda: (
                (row := second.job(job))["message"].startswith("benchd was interrupted") and row
            ),
            "the job to ask again",
        )
        assert asking["hands"]["ask"].endswith("no hands are in the box: Fit the antenna.")
        assert asking["hands"]["caution"] == "Mind the cable."
        assert rf_history(simulator).count(True) == on_before
        assert second.http.post(f"/api/jobs/{job}/ready?step=0").status_code == 200
        until(lambda: rf_history(simulator).count(True) > on_before, "the sweep to go on")


def test_a_sweep_under_way_ends_with_its_window_and_says_so_everywhere(
    daemon: Daemon, simulator: Simulator, listener: Listener
) -> None:
    # What the worksheet expects fits; the analyzer is slower than the bench file says.
    text = SLOW.replace("36001", "40").replace("dwell: 100 ms", "dwell: 10 ms, average: 10")
    closes = datetime.now(UTC) + timedelta(seconds=30)
    answer = daemon.http.post(
        "/api/jobs", json={"text": text, "file": "t.yaml", "finish_by": closes.isoformat()}
    )
    assert answer.status_code == 201, answer.text
    job = answer.json()["id"]
    until(lambda: simulator.do("state")["rf_on"], "the sweep to radiate")
    simulator.do("fault", instrument="analyzer", mode="late", count=100000, delay_s=0.3)
    row = daemon.until_state(job, "missed")
    assert row["error"]["family"] == "window-closed"
    assert "step 1 of 1 (capture test on middle/antenna); RF is off" in row["message"]
    assert simulator.do("state")["rf_on"] is False
    late = datetime.fromisoformat(row["ended_at"]) - closes
    assert timedelta(0) <= late
    told = until(
        lambda: [m for m in listener.on(f"/job/{job}") if m["state"] == "missed"], "MQTT to tell"
    )
    assert told[-1]["message"] == row["message"]


def test_a_request_that_nobody_answers_lets_the_night_go_on(
    daemon: Daemon, simulator: Simulator, listener: Listener
) -> None:
    asking = daemon.queue_text(BY_HAND % "patience: 1 s")
    daemon.until_state(asking, "needs-hands")
    other = daemon.queue_text(QUICK)
    daemon.until_state(other, "done")
    daemon.until_state(asking, "needs-hands")
    told = [m["message"] for m in listener.on(f"/job/{asking}") if m["state"] == "waiting"]
    assert any("waiting jobs run first and RF may come on" in message for message in told), told
    assert rf_history(simulator).count(True) == 1, "for the job that needs no hands"
