"""The broker dies, stands still, or has strangers on it."""

from __future__ import annotations

import json
import os
import signal
import socket
import time

import paho.mqtt.client as paho

from tests.faults.registry import kind
from tests.faults.scene import Scene
from tests.faults.stage import PATIENCE_S
from tests.system.rigging import until


@kind
def kill_9_of_the_broker(scene: Scene) -> None:
    """kill -9 of Mosquitto at a drawn moment of a job; it starts again a little later."""
    job = scene.queue()
    scene.until_sweeping(job, scene.random.randrange(3))
    scene.moment()
    broker = scene.stage.broker
    assert broker.process is not None
    broker.process.kill()
    broker.process.wait()
    scene.moment(2.0)
    broker.start()
    scene.until_ended(job)
    scene.note_committed()
    scene.replay_gaps()


@kind
def broker_stands_still(scene: Scene) -> None:
    """Mosquitto neither answers nor hangs up for a while."""
    job = scene.queue()
    scene.until_sweeping(job, scene.random.randrange(3))
    broker = scene.stage.broker
    assert broker.process is not None
    os.kill(broker.process.pid, signal.SIGSTOP)
    try:
        scene.moment(3.0)
    finally:
        os.kill(broker.process.pid, signal.SIGCONT)
    scene.until_ended(job)
    scene.note_committed()


def _on_board(scene: Scene) -> int:
    """A daemon with the broker on board; its port."""
    if scene.stage.daemon is not None:
        scene.stage.terminate()
    # A database of its own: what it publishes, the subscriber on the other broker never hears.
    data = str(scene.stage.folder / "on-board")
    daemon = scene.stage.start(broker="embedded", options=("--embedded-port", "0", "--data", data))
    return int(str(daemon.said["broker"]).rpartition(":")[2])


def _guest(port: int, topic: str, payload: str, *, retain: bool, client_id: str = "guest") -> None:
    """A client without a password that dies with a will."""
    client = paho.Client(
        paho.CallbackAPIVersion.VERSION2, client_id=client_id, protocol=paho.MQTTv311
    )
    client.will_set(topic, payload, qos=1, retain=retain)
    try:
        client.connect("127.0.0.1", port)
        client.loop_start()
        deadline = time.monotonic() + 3.0
        while not client.is_connected() and time.monotonic() < deadline:
            time.sleep(0.01)
        client.publish(topic, payload, qos=1, retain=retain)
        wire = client.socket()
        if wire is not None:
            wire.shutdown(socket.SHUT_RDWR)
    except OSError:
        pass  # turned away at the door
    finally:
        client.loop_stop()


@kind
def will_of_a_guest_with_an_order(scene: Scene) -> None:
    """Somebody without a password dies on the broker on board, leaving an order as a will: to
    queue a job at 10 dBm, or to answer a request for hands."""
    port = _on_board(scene)
    if scene.outcome.seed % 2:
        order = {"verb": "queue", "order": "w1", "recipe": "open-short-baseline",
                 "arguments": {"level": "10 dBm", "points": "11"}}  # fmt: skip
        before = len(scene.daemon.http.get("/api/jobs").json())
        _guest(port, "benchd/workshop/orders", json.dumps(order), retain=False)
        scene.moment(1.5)
        scene.rf_must_be_off()
        if len(scene.daemon.http.get("/api/jobs").json()) != before:
            scene.outcome.forgotten += 1
    else:
        job = scene.queue(first='  - hands: {ask: "Fit the open."}\n')
        scene.daemon.until_state(job, "needs-hands")
        asked_s = time.monotonic()
        order = {"verb": "ready", "order": "w2", "job": job}
        _guest(port, "benchd/workshop/orders", json.dumps(order), retain=False)
        scene.moment(1.5)
        scene.hands_in_box(asked_s, time.monotonic())
        if scene.daemon.job(job)["state"] != "needs-hands":
            scene.outcome.forgotten += 1
        scene.daemon.http.post(f"/api/jobs/{job}/withdraw")
        scene.jobs.remove(job)
    scene.stage.terminate()
    scene.stage.start()


@kind
def forged_retained_state(scene: Scene) -> None:
    """Somebody without a password leaves a forged result on the broker on board, as a message and
    as a will; a reader then looks what stands there."""
    port = _on_board(scene)
    topic = "benchd/workshop/latest/dipole r3/return_loss"
    _guest(port, topic, '{"forged": true}', retain=True)
    heard: list[bytes] = []
    reader = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
    reader.on_connect = lambda *_: reader.subscribe("benchd/#", qos=1)
    reader.on_message = lambda _c, _d, message: heard.append(message.payload)
    reader.connect("127.0.0.1", port)
    reader.loop_start()
    try:
        until(lambda: any(b"presence" in one for one in heard), "the bench's presence", PATIENCE_S)
        scene.moment(0.5)
    finally:
        reader.disconnect()
        reader.loop_stop()
    scene.outcome.forgotten += any(b"forged" in one for one in heard)
    scene.stage.terminate()
    scene.stage.start()


@kind
def client_id_of_benchd_is_stolen(scene: Scene) -> None:
    """Somebody takes over benchd's own session on the broker on board, again and again, and
    leaves a will with an order there."""
    port = _on_board(scene)
    job = scene.queue(first='  - hands: {ask: "Fit the open."}\n')
    scene.daemon.until_state(job, "needs-hands")
    asked_s = time.monotonic()
    order = json.dumps({"verb": "ready", "order": "s1", "job": job})
    for name in ("benchd-workshop", "benchd-workshop-handover", "benchd"):
        _guest(port, "benchd/workshop/orders", order, retain=False, client_id=name)
    scene.moment(1.0)
    scene.hands_in_box(asked_s, time.monotonic())
    if scene.daemon.job(job)["state"] != "needs-hands":
        scene.outcome.forgotten += 1
    scene.daemon.http.post(f"/api/jobs/{job}/withdraw")
    scene.jobs.remove(job)
    scene.stage.terminate()
    scene.stage.start()
