"""Whoever reaches the broker on board cannot have RF switched on: a whole daemon, attacked."""

from __future__ import annotations

import json
import socket
from pathlib import Path
from urllib.parse import urlsplit

from tests.publish.test_embedded_hostile import connect, publish
from tests.system.rigging import Daemon, Listener, Simulator, ending, until


def attack(port: int, orders: dict[str, bytes]) -> None:
    """Each order as a last will, as a message, and both retained; then break the connection."""
    for payload in orders.values():
        for retain in (False, True):
            will = ("benchd/workshop/orders", payload)
            for packets in (
                (connect("evil", will=will, will_retain=retain),),
                (connect("evil"), publish("benchd/workshop/orders", payload, retain=retain)),
            ):
                with socket.create_connection(("127.0.0.1", port), timeout=60) as line:
                    line.sendall(packets[0])
                    line.recv(4)  # CONNACK
                    for packet in packets[1:]:
                        line.sendall(packet)


def test_a_guest_of_the_broker_on_board_neither_queues_nor_answers_nor_withdraws(
    tmp_path: Path, simulator: Simulator
) -> None:
    daemon = Daemon(tmp_path, simulator, "embedded", options=("--embedded-port", "0"))
    with ending(daemon):
        port = urlsplit(daemon.said["broker"]).port
        assert port is not None
        job = daemon.queue("gain-pair-by-swap")
        step = daemon.until_state(job, "needs-hands")["hands"]["step"]
        loud = {"antenna": "dipole r3", "level": "10 dBm"}
        orders = {
            "queue": {"recipe": "return-loss", "arguments": loud, "priority": 100},
            "ready": {"job": job},
            "ready with its step": {"job": job, "step": step},
            "withdraw": {"job": job},
        }
        attack(
            port,
            {
                name: json.dumps({"verb": name.split()[0], "order": name, **fields}).encode()
                for name, fields in orders.items()
            },
        )
        # The daemon has had time to act once it has published what comes after the attack.
        listener = Listener(port, client_id="witness")
        later = daemon.queue("open-short-baseline")
        until(lambda: listener.on(f"/job/{later}"), "the next job to be told")
        assert listener.on("/orders/reply") == []
        listener.close()
        assert daemon.job(job)["state"] == "needs-hands"
        assert {one["id"] for one in daemon.http.get("/api/jobs").json()} == {job, later}
        assert simulator.do("state")["rf_on"] is False
