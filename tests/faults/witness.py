"""A subscriber that was there all the time: what came, what came twice, what never came."""

from __future__ import annotations

import threading
import time
from typing import Any

import paho.mqtt.client as paho

from benchd.publish import Subscriber
from tests.patience import PATIENCE_S

BENCH = "workshop"


class Witness:
    """Reads the bench's messages as the README tells strangers to, over any number of restarts.

    results: ids of the results that counted, in the order of their coming.
    passes: results and limits that were announced as held.
    """

    def __init__(self, port: int) -> None:
        self._lock = threading.Lock()
        self._reader = Subscriber()
        self._subscribed = threading.Event()
        self._taken: dict[int, float] = {}
        self.results: set[str] = set()
        self.verdicts: list[dict[str, Any]] = []
        self.replies: list[dict[str, Any]] = []
        self.client = paho.Client(
            paho.CallbackAPIVersion.VERSION2, client_id="witness", clean_session=False
        )
        self.client.on_connect = lambda *_: self.client.subscribe(f"benchd/{BENCH}/#", qos=1)
        self.client.on_subscribe = lambda *_: self._subscribed.set()
        self.client.on_message = self._read
        self.client.on_publish = lambda _c, _d, number, *_: self._taken.setdefault(
            number, time.monotonic()
        )
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self._subscribed.wait(PATIENCE_S), "the subscription was not acknowledged"

    def _read(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        with self._lock:
            reading = self._reader.feed(message.topic, message.payload)
            if message.topic.endswith("/orders/reply"):
                self.replies.append(reading.message)
            if reading.kind not in ("new", "late"):
                return
            if reading.message.get("schema") == "benchd.result/1":
                self.results.add(reading.message["result"])
            elif reading.message.get("schema") == "benchd.verdict/1":
                self.verdicts.append(reading.message)

    @property
    def gaps(self) -> tuple[tuple[int, int], ...]:
        """Sequence numbers that never came."""
        with self._lock:
            return self._reader.gaps

    def order(self, payload: str) -> int:
        """Give an order over the broker; returns its number before it has been sent."""
        return self.client.publish(f"benchd/{BENCH}/orders", payload, qos=1).mid

    def taken_s(self, number: int) -> float | None:
        """When the broker said that it has an order, `time.monotonic`; None while it did not."""
        return self._taken.get(number)

    def close(self) -> None:
        """Hang up."""
        self.client.disconnect()
        self.client.loop_stop()
