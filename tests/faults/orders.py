"""Orders that must be kept, floods of them, and windows that close."""

from __future__ import annotations

import contextlib
import json
import socket
import time
from datetime import UTC, datetime, timedelta
from urllib.parse import urlsplit

from tests.faults.registry import kind
from tests.faults.scene import Scene
from tests.faults.stage import PATIENCE_S
from tests.system.rigging import until

FLOOD = 300


@kind
def withdrawn_in_a_sweep(scene: Scene) -> None:
    """A job is withdrawn while it radiates."""
    job = scene.queue(points=201)
    scene.until_sweeping(job, scene.random.randrange(2))
    scene.moment(0.4)
    scene.rf_must_be_off()
    _withdraw(scene, job)
    if scene.until_ended(job)["state"] != "withdrawn":
        scene.outcome.forgotten += 1


@kind
def withdrawn_while_a_reply_is_waited_for(scene: Scene) -> None:
    """A job is withdrawn while source or analyzer is silent, or sends its reply byte by byte."""
    job = scene.queue(points=201)
    scene.until_sweeping(job, scene.random.randrange(2))
    name = scene.random.choice(("generator", "analyzer"))
    mode = scene.random.choice(("silent", "slow"))
    scene.simulator.do("fault", instrument=name, mode=mode, count=1_000_000, delay_s=0.3)
    time.sleep(0.2)
    scene.rf_must_be_off()
    _withdraw(scene, job)
    time.sleep(2.0)
    scene.simulator.do("fault", instrument=name, mode="none")
    if scene.until_ended(job)["state"] != "withdrawn":
        scene.outcome.forgotten += 1


def _withdraw(scene: Scene, job: str) -> None:
    answer = scene.daemon.http.post(f"/api/jobs/{job}/withdraw")
    assert answer.status_code == 200, answer.text


@kind
def withdrawn_then_killed(scene: Scene) -> None:
    """A job is withdrawn while it radiates; as soon as that is answered the daemon is killed, in
    half of the runs by SIGTERM."""
    job = scene.queue(points=201)
    scene.until_sweeping(job, scene.random.randrange(2))
    _withdraw(scene, job)
    if scene.random.random() < 0.5:
        scene.stage.kill()
    else:
        scene.stage.terminate()
    scene.rf_must_be_off()
    scene.stage.start()
    state = scene.until_ended(job)["state"]
    if state != "withdrawn":
        scene.outcome.forgotten += 1
        scene.outcome.notes.append(f"withdrawn and answered, then {state}")


@kind
def hands_asked_for_at_night(scene: Scene) -> None:
    """Nobody answers a request for hands; its window closes, and the job behind it has its turn."""
    closes = datetime.now(UTC) + timedelta(seconds=scene.random.uniform(12.0, 15.0))
    asking = scene.queue(
        points=11, first='  - hands: {ask: "Fit the open."}\n', finish_by=closes.isoformat()
    )
    scene.daemon.until_state(asking, "needs-hands")
    asked_s = time.monotonic()
    behind = scene.queue(points=11)
    with contextlib.suppress(AssertionError):
        scene.until_ended(asking, 40.0)
    row = scene.daemon.job(asking)
    if row["state"] == "needs-hands":
        scene.hands_in_box(asked_s, time.monotonic())
        scene.outcome.forgotten += 1
        scene.outcome.notes.append("still waiting for hands after its window")
        _withdraw(scene, asking)
    scene.until_ended(behind)


@kind
def window_closes_in_a_sweep(scene: Scene) -> None:
    """A job is slower than it should be, and its window closes while it radiates."""
    closes_in_s = 12.0
    closes = datetime.now(UTC) + timedelta(seconds=closes_in_s)
    closes_s = time.monotonic() + closes_in_s
    job = scene.queue(points=101, finish_by=closes.isoformat())
    scene.until_sweeping(job)
    scene.simulator.do("fault", instrument="analyzer", mode="late", count=1_000_000, delay_s=0.3)
    scene.rf_must_be_off(closes_s)
    time.sleep(max(0.0, closes_s + 3.0 - time.monotonic()))
    scene.simulator.do("fault", instrument="analyzer", mode="none")
    scene.until_ended(job)


@kind
def flood_of_orders(scene: Scene) -> None:
    """Three hundred orders over the broker in a sweep, and a withdrawal among them; the clock runs
    from the moment at which the broker has it."""
    job = scene.queue(points=401)
    scene.until_sweeping(job)
    witness = scene.stage.witness
    witness.replies.clear()
    at = scene.random.randrange(FLOOD)
    mark, sent = f"{scene.outcome.seed}", 0
    for number in range(FLOOD):
        if number == at:
            withdrawal = {"verb": "withdraw", "order": f"w-{mark}", "job": job}
            sent = witness.order(json.dumps(withdrawal))
        witness.order(json.dumps({"verb": "ready", "order": f"f-{mark}-{number}", "job": "job-no"}))

    def answered() -> bool:
        return sum(one.get("order", "").startswith(f"f-{mark}-") for one in
                   list(witness.replies) if one.get("order")) >= FLOOD  # fmt: skip

    scene.rf_must_be_off(until(lambda: witness.taken_s(sent), "the broker to take it", 30.0))
    state = scene.until_ended(job)["state"]
    if state != "withdrawn":
        scene.outcome.forgotten += 1
        scene.outcome.notes.append(f"the withdrawal was not obeyed: {state}")
    try:
        until(answered, "an answer to every order", 30.0)
    except AssertionError:
        replies = {one.get("order") for one in witness.replies}
        missing = FLOOD - sum(f"f-{mark}-{number}" in replies for number in range(FLOOD))
        scene.outcome.forgotten += missing
        scene.outcome.notes.append(f"{missing} orders without an answer")


@kind
def flood_of_connections(scene: Scene) -> None:
    """Two hundred and fifty half-sent requests hold the HTTP port; then a job is withdrawn."""
    job = scene.queue(points=401)
    scene.until_sweeping(job)
    address = urlsplit(str(scene.daemon.http.base_url))
    place = (str(address.hostname), int(address.port or 80))
    held: list[socket.socket] = []
    try:
        for _ in range(250):
            with contextlib.suppress(OSError):
                wire = socket.create_connection(place, timeout=5.0)
                held.append(wire)
                wire.sendall(b"GET /api/jobs HTTP/1.1\r\nHost: 127")
        scene.rf_must_be_off()
        from_s = time.monotonic()
        with socket.create_connection(place, timeout=30.0) as wire:
            wire.settimeout(20.0)
            host = f"Host: {address.netloc}\r\nContent-Length: 0\r\nConnection: close\r\n\r\n"
            wire.sendall(f"POST /api/jobs/{job}/withdraw HTTP/1.1\r\n{host}".encode())
            try:
                answer = wire.recv(4096)
            except OSError:
                answer = b""
        if not answer.startswith(b"HTTP/1.1 200"):
            scene.outcome.forgotten += 1
            scene.outcome.notes.append(
                f"no withdrawal through the flood within {time.monotonic() - from_s:.0f} s"
            )
    finally:
        for wire in held:
            wire.close()
    until(lambda: scene.daemon.http.get("/api/health").status_code, "HTTP again", PATIENCE_S)
    # Where the flood kept it out, the job is ended now.
    scene.daemon.http.post(f"/api/jobs/{job}/withdraw")
    scene.until_ended(job)
