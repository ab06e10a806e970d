"""Orders over MQTT to a whole daemon that is killed: each is carried out once."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.system.rigging import Daemon, Listener, Mosquitto, Simulator, ending, until

pytestmark = pytest.mark.needs("mosquitto")

ORDERS = "benchd/workshop/orders"


def answers(listener: Listener, order: str) -> list[dict[str, Any]]:
    return [one for one in listener.on("/orders/reply") if one["order"] == order]


def test_an_order_repeated_after_kill_9_gets_the_same_answer_and_is_carried_out_once(
    tmp_path: Path, simulator: Simulator, mosquitto: Mosquitto, listener: Listener
) -> None:
    fields: dict[str, Any] = {"verb": "queue", "order": "a1", "recipe": "gain-pair-by-swap"}
    fields["arguments"] = {"antenna": "yagi r2"}
    first = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(first):
        listener.client.publish(ORDERS, json.dumps(fields), qos=1)
        (answer,) = until(lambda: answers(listener, "a1"), "the answer")
        assert answer["ok"], answer
        job = answer["job"]["job"]
        step = first.until_state(job, "needs-hands")["hands"]["step"]
        ready = {"verb": "ready", "order": "r1", "job": job, "step": step}
        listener.client.publish(ORDERS, json.dumps(ready), qos=1)
        (done,) = until(lambda: answers(listener, "r1"), "the answer to ready")
        assert done["ok"], done
        first.kill()
    second = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(second):
        second.until_state(job, "needs-hands")
        for again, before in ((fields, answer), (ready, done)):
            order = again["order"]
            listener.client.publish(ORDERS, json.dumps(again), qos=1)
            until(lambda order=order: len(answers(listener, order)) == 2, "the answer again")
            assert answers(listener, order) == [before, before]
        assert len(second.http.get("/api/jobs").json()) == 1
        # The answer of before the crash does not answer the request after it.
        assert second.job(job)["state"] == "needs-hands"
        assert simulator.do("state")["rf_on"] is False
        withdraw = {"verb": "withdraw", "order": "w1", "job": job}
        listener.client.publish(ORDERS, json.dumps(withdraw), qos=1)
        (gone,) = until(lambda: answers(listener, "w1"), "the withdrawal")
        assert gone["ok"], gone
        second.until_state(job, "withdrawn")
