"""Attempts to leave RF on, to lose data, or to stop the daemon for ever; none may succeed."""

from __future__ import annotations

import resource
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from tests.patience import PATIENCE_S
from tests.system.rigging import BENCH, Daemon, Process, Simulator, ending, free_port, until

SWEEP = """
recipe: one-capture
title: One capture
on_interrupt: resume
sweeps:
  main: {{method: stepped, centre: 1.7 GHz, span: 200 MHz, points: {points}, level: -10 dBm,
    resolution_bandwidth: 10 kHz, detector: rms, dwell: {dwell}}}
steps:
  - capture: {{name: open, role: open, route: middle, position: open, sweep: main}}
"""
SHORT = SWEEP.format(points=51, dwell="2 ms")
LONG = SWEEP.format(points=4001, dwell="5 ms")
HELD = """
recipe: held
title: A long hold
sweeps:
  main: {method: hold, centre: 1.7 GHz, span: 200 MHz, points: 101, level: -10 dBm,
    resolution_bandwidth: 1 MHz, for: 60 s, dwell: 2 ms}
steps:
  - capture: {name: through, role: thru, route: range, position: mount_a, sweep: main}
"""
HANDS = """
recipe: handwork
title: Two requests, then a capture
sweeps:
  main: {method: stepped, centre: 1.7 GHz, span: 200 MHz, points: 51, level: -10 dBm,
    resolution_bandwidth: 10 kHz, detector: rms, dwell: 2 ms}
steps:
  - hands: {ask: "First."}
  - route: {route: middle, position: open}
  - hands: {ask: "Second."}
  - capture: {name: open, role: open, route: middle, position: open, sweep: main}
"""


@pytest.fixture
def alone(tmp_path: Path, simulator: Simulator) -> Iterator[Daemon]:
    """A daemon without a broker."""
    running = Daemon(tmp_path, simulator, "none")
    with ending(running):
        yield running


def radiates(simulator: Simulator) -> bool:
    return bool(simulator.do("state")["rf_on"])


def serve(
    simulator: Simulator, data: Path, *options: str, bench: Path = BENCH
) -> subprocess.CompletedProcess[str]:
    """`benchd serve` that is expected to end by itself."""
    given = [part for pair in simulator.addresses.items() for part in ("--address", "=".join(pair))]
    command = [sys.executable, "-m", "benchd", "serve", "--bench", str(bench), "--data", str(data)]
    return subprocess.run(
        [*command, *given, *options],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )


def level_dbm(daemon: Daemon, job: str) -> Any:
    capture = daemon.http.get("/api/captures", params={"job": job}).json()[0]
    level, *_ = daemon.http.get(f"/api/captures/{capture['id']}/trace").json()
    assert level["name"] == "level"
    return np.array(level["values"])


# --- RF ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGINT, signal.SIGTERM])
def test_a_closed_terminal_or_an_order_to_stop_switches_rf_off(
    alone: Daemon, simulator: Simulator, number: int
) -> None:
    alone.queue_text(LONG)
    until(lambda: radiates(simulator), "the sweep to radiate")
    alone.popen.send_signal(number)
    assert alone.popen.wait(timeout=PATIENCE_S) == 0
    assert not radiates(simulator)


@pytest.fixture
def left_on(tmp_path: Path, simulator: Simulator) -> Simulator:
    """A simulator whose source radiates since the daemon was killed."""
    first = Daemon(tmp_path, simulator, "none")
    with ending(first):
        first.queue_text(LONG)
        until(lambda: radiates(simulator), "the sweep to radiate")
    assert radiates(simulator), "kill -9 leaves the source as it was"
    return simulator


def test_a_start_that_fails_on_a_taken_http_port_still_switches_rf_off(
    tmp_path: Path, left_on: Simulator
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        ended = serve(left_on, tmp_path / "data", "--http", f"127.0.0.1:{port}", "--broker=none")
    assert ended.returncode == 1
    assert f"cannot listen on http://127.0.0.1:{port}" in ended.stderr
    assert "Choose another port with --http HOST:PORT." in ended.stderr
    assert not radiates(left_on)


def test_a_start_that_fails_on_a_taken_broker_port_still_switches_rf_off(
    tmp_path: Path, left_on: Simulator
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = str(other.getsockname()[1])
        ended = serve(left_on, tmp_path / "data", "--http=127.0.0.1:0", "--embedded-port", port)
    assert ended.returncode == 1
    assert "the embedded broker cannot listen" in ended.stderr
    assert not radiates(left_on)


def test_a_start_that_fails_on_a_damaged_database_still_switches_rf_off(
    tmp_path: Path, left_on: Simulator
) -> None:
    for file in (tmp_path / "data").glob("benchd.sqlite*"):
        if not file.name.endswith(".lock"):
            file.write_bytes(b"not a database" * 1000)
    ended = serve(left_on, tmp_path / "data", "--http=127.0.0.1:0", "--broker=none")
    assert ended.returncode == 1
    assert "this is not a sound database" in ended.stderr
    assert "restore a backup" in ended.stderr
    assert not radiates(left_on)


def test_a_second_daemon_on_one_data_folder_is_refused_and_disturbs_nothing(
    alone: Daemon, simulator: Simulator, tmp_path: Path
) -> None:
    job = alone.queue_text(LONG)
    until(lambda: radiates(simulator), "the sweep to radiate")
    ended = serve(simulator, tmp_path / "data", "--http=127.0.0.1:0", "--broker=none")
    assert ended.returncode == 1
    assert f"is run by another benchd (process {alone.popen.pid})" in ended.stderr
    assert alone.job(job)["state"] == "running"
    assert radiates(simulator)


def test_a_data_folder_that_cannot_be_made_is_named(tmp_path: Path, simulator: Simulator) -> None:
    (tmp_path / "file").write_text("in the way")
    ended = serve(simulator, tmp_path / "file" / "data", "--http=127.0.0.1:0", "--broker=none")
    assert ended.returncode == 1
    assert "the data folder cannot be made: Not a directory" in ended.stderr


def test_the_lid_stops_rf_while_an_instrument_is_waited_for(
    tmp_path: Path, simulator: Simulator
) -> None:
    """A long dwell, a long trace, here a reply that does not come: the lid is asked all the same.

    The analyzer has ten minutes to answer; the lid must be seen long before that.
    """
    bench = tmp_path / "bench.yaml"
    text = BENCH.read_text()
    assert "driver: scpi-analyzer\n" in text
    bench.write_text(
        text.replace("driver: scpi-analyzer\n", "driver: scpi-analyzer\n    timeout: 600 s\n")
    )
    daemon = Daemon(tmp_path, simulator, "none", bench=bench)
    with ending(daemon):
        job = daemon.queue_text(LONG)
        until(lambda: radiates(simulator), "the sweep to radiate")
        simulator.do("fault", instrument="analyzer", mode="silent", count=1)
        simulator.do("lid", open=True)
        until(lambda: daemon.job(job)["state"] == "failed", "the open lid to be seen")
        assert daemon.job(job)["error"]["family"] == "lid-open"
        assert daemon.job(job)["message"].startswith("lid: the lid of the box is open")
        assert not radiates(simulator)


def test_a_slow_lid_contact_ends_no_sweep_and_is_still_heard(
    alone: Daemon, simulator: Simulator
) -> None:
    """Each answer comes after 0.3 s; a second question over the same link would lose it."""
    simulator.do("fault", instrument="lid", mode="late", count=1_000_000, delay_s=0.3)
    alone.until_state(alone.queue_text(SWEEP.format(points=301, dwell="5 ms")), "done")
    job = alone.queue_text(LONG)
    until(lambda: radiates(simulator), "the sweep to radiate")
    simulator.do("lid", open=True)
    until(lambda: alone.job(job)["state"] == "failed", "the open lid to be seen")
    assert alone.job(job)["error"]["family"] == "lid-open"
    assert not radiates(simulator)
    assert "trying again" not in alone.log.read_text()


def test_a_lid_contact_that_goes_silent_switches_rf_off_long_before_its_timeout(
    alone: Daemon, simulator: Simulator
) -> None:
    """It has five minutes for an answer with RF off, and ten seconds with RF on."""
    job = alone.queue_text(LONG)
    until(lambda: radiates(simulator), "the sweep to radiate")
    simulator.do("fault", instrument="lid", mode="silent", count=1_000_000)
    until(lambda: not radiates(simulator), "RF to go off", 60.0)
    simulator.do("fault", instrument="lid", mode="none")
    alone.http.post(f"/api/jobs/{job}/withdraw")
    alone.until_state(job, "withdrawn")
    assert "lid: did not answer within 10 s, so nobody knows" in alone.log.read_text()


# --- data -------------------------------------------------------------------------------------


def test_a_sweep_after_a_withdrawn_hold_reads_what_it_read_before(
    alone: Daemon, simulator: Simulator
) -> None:
    """The source was left free-running over the band; the next levels were 70 dB wrong."""
    before = alone.queue_text(SHORT)
    alone.until_state(before, "done")
    held = alone.queue_text(HELD)
    until(lambda: radiates(simulator), "the source to run freely")
    alone.http.post(f"/api/jobs/{held}/withdraw")
    until(lambda: alone.job(held)["state"] == "withdrawn", "the hold to end")
    after = alone.queue_text(SHORT)
    alone.until_state(after, "done")
    # Readings of one open within a second: noise and drift stay far below 0.1 dB.
    np.testing.assert_allclose(level_dbm(alone, after), level_dbm(alone, before), atol=0.1)


def test_instruments_switched_off_and_on_by_the_persons_hands_do_not_end_the_job(
    alone: Daemon, simulator: Simulator
) -> None:
    job = alone.queue_text(HANDS)
    alone.until_state(job, "needs-hands")
    for name in ("generator", "switch", "analyzer", "lid"):
        simulator.do("power-cycle", instrument=name)
    alone.http.post(f"/api/jobs/{job}/ready")
    until(lambda: alone.until_state(job, "needs-hands")["message"] == "Second.", "the second")
    simulator.do("power-cycle", instrument="generator")
    alone.http.post(f"/api/jobs/{job}/ready")
    alone.until_state(job, "done")


def test_a_disk_that_refuses_for_a_while_costs_time_and_no_capture(
    alone: Daemon, simulator: Simulator, tmp_path: Path
) -> None:
    """The kernel refuses to let the database grow (file size limit); then there is room again."""
    job = alone.queue_text(SHORT.replace("points: 51", "points: 2001"))
    until(lambda: radiates(simulator), "the sweep to radiate")
    _, hard = resource.prlimit(alone.popen.pid, resource.RLIMIT_FSIZE)
    resource.prlimit(alone.popen.pid, resource.RLIMIT_FSIZE, (4096, hard))
    until(lambda: alone.http.get("/api/health").json()["store"], "the trouble to be told")
    until(lambda: not radiates(simulator), "RF to go off while the disk is waited for")
    assert alone.job(job)["state"] == "running"
    sweeps = simulator.do("state")["instruments"]["analyzer"]["sweeps"]
    resource.prlimit(alone.popen.pid, resource.RLIMIT_FSIZE, (hard, hard))
    alone.until_state(job, "done")
    # After RF goes off the analyzer looks once more whether it is off; the sweep of 2,001 readings
    # is not taken again.
    assert simulator.do("state")["instruments"]["analyzer"]["sweeps"] < sweeps + 100
    assert len(level_dbm(alone, job)) == 2001
    assert alone.http.get("/api/health").json()["store"] == ""


class _Unheard(Process):
    """A daemon whose log goes to a full disk (/dev/full answers every write with ENOSPC)."""

    def __init__(self, folder: Path, simulator: Simulator) -> None:
        self._daemon = [sys.executable, "-m", "benchd", "serve", "--bench", str(BENCH)]
        given = [p for pair in simulator.addresses.items() for p in ("--address", "=".join(pair))]
        options = ["--data", str(folder / "data"), "--http=127.0.0.1:0", "--broker=none"]
        super().__init__(
            ["sh", "-c", 'exec "$@" 2>/dev/full', "sh", *self._daemon, *options, *given],
            folder / "daemon.log",
        )


def test_a_log_that_cannot_be_written_ends_no_job_and_keeps_no_rf_on(
    tmp_path: Path, simulator: Simulator
) -> None:
    daemon = _Unheard(tmp_path, simulator)
    with (
        ending(daemon),
        httpx.Client(base_url=daemon.ready()["http"], timeout=PATIENCE_S, trust_env=False) as http,
    ):
        body = {"text": LONG, "file": "long.yaml", "arguments": {}}
        job = http.post("/api/jobs", json=body).json()["id"]
        until(lambda: radiates(simulator), "the sweep to radiate")
        simulator.do("fault", instrument="analyzer", mode="stop-listening")
        ended = until(
            lambda: (found := http.get(f"/api/jobs/{job}").json())["state"] == "failed" and found,
            "the job to fail",
        )
        assert ended["error"]["family"] == "link-lost"
        assert not radiates(simulator)
        simulator.do("fault", instrument="analyzer", mode="none")
        body["text"] = SHORT
        job = http.post("/api/jobs", json=body).json()["id"]
        until(lambda: http.get(f"/api/jobs/{job}").json()["state"] == "done", "the next job")
        assert daemon.stop() == 0


# --- jobs -------------------------------------------------------------------------------------


@pytest.mark.parametrize("broker", ["mqtt://127.0.0.1:{port}", "mqtt://no-such-host.invalid"])
def test_jobs_run_without_a_broker_to_reach(
    tmp_path: Path, simulator: Simulator, broker: str
) -> None:
    daemon = Daemon(tmp_path, simulator, broker.format(port=free_port()))
    with ending(daemon):
        daemon.until_state(daemon.queue_text(SHORT), "done")
        assert daemon.stop() == 0
    assert not radiates(simulator)


def test_an_instrument_that_does_not_answer_is_named_and_jobs_without_it_run(
    tmp_path: Path, simulator: Simulator
) -> None:
    simulator.addresses["lid"] = f"TCPIP::127.0.0.1::{free_port()}::SOCKET"
    bench = tmp_path / "bench.yaml"
    text = BENCH.read_text()
    assert "lid: {instrument: lid}" in text
    bench.write_text(text.replace("lid: {instrument: lid}", ""))
    daemon = Daemon(tmp_path, simulator, "none", bench=bench)
    with ending(daemon):
        until(lambda: daemon.http.get("/api/health").json()["lost"] == ["lid"], "it to be named")
        daemon.until_state(daemon.queue_text(SHORT), "done")


def test_a_lid_contact_that_does_not_answer_fails_the_job_before_rf(
    tmp_path: Path, simulator: Simulator
) -> None:
    simulator.addresses["lid"] = f"TCPIP::127.0.0.1::{free_port()}::SOCKET"
    daemon = Daemon(tmp_path, simulator, "none")
    with ending(daemon):
        failed = daemon.until_state(daemon.queue_text(SHORT), "failed")
        assert failed["error"]["family"] == "link-lost"
        assert failed["message"].startswith("lid: cannot be reached")
        history = simulator.do("state")["instruments"]["generator"]["rf_history"]
        assert not any(is_on for _, is_on in history)
