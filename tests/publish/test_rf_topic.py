"""The retained topic `rf`, with real brokers: told at once, whatever waits in the outbox."""

from __future__ import annotations

import asyncio
import json
from typing import Any

from benchd.engine.rfwatch import RfWatch
from benchd.publish import BrokerSettings
from benchd.store import Store
from tests.publish.listening import heard, heard_on, listening, pumping
from tests.publish.test_payloads import check
from tests.publish.test_pump import a_night


async def test_a_later_subscriber_reads_how_rf_stands_now(
    store: Store, settings: BrokerSettings
) -> None:
    rf = RfWatch()
    async with pumping(store, settings, rf=rf), listening(settings.port) as witness:
        rf.off_verified(["generator"])
        while (await heard_on(witness, "rf"))["state"] != "off-verified":
            pass
        rf.not_verified(["generator"], "generator: no answer")
        while (await heard_on(witness, "rf"))["state"] != "not-verified":
            pass
        async with listening(settings.port, "benchd/workshop/rf") as late:
            (message,) = await heard(late, 1, "/rf")
    assert message.retain is True
    assert check(message.payload.decode()) == "benchd.rf/1"
    told = json.loads(message.payload)
    now = rf.now
    assert (told["state"], told["sources"], told["message"], told["advice"]) == (
        "not-verified", ["generator"], now.message, now.advice,
    )  # fmt: skip


async def test_it_does_not_wait_for_a_long_outbox(store: Store, settings: BrokerSettings) -> None:
    """A change made while thousands of messages wait is told before most of them."""
    results = 3000
    await asyncio.to_thread(a_night, store, results)
    rf, told = RfWatch(), 0
    async with listening(settings.port) as witness, pumping(store, settings, rf=rf):
        changed = False
        async for message in witness.messages:
            topic = str(message.topic)
            told += topic.endswith("/result")
            if told > 10 and not changed:
                changed = True
                rf.not_verified(["generator"], "generator: no answer")
            if topic.endswith("/rf") and b"generator: no answer" in bytes(message.payload):
                break
    assert told < results, "it came before the outbox was empty"


async def test_the_last_word_before_a_stop_is_how_rf_was_left(
    store: Store, settings: BrokerSettings
) -> None:
    rf = RfWatch()
    heard_topics: list[Any] = []
    async with listening(settings.port) as witness:
        async with pumping(store, settings, rf=rf):
            rf.on(["generator"])
            while (await heard_on(witness, "rf"))["state"] != "on":
                pass
            rf.off_verified(["generator"])
        async for message in witness.messages:
            heard_topics.append(message)
            if b'"offline"' in bytes(message.payload):
                break
    before = [m for m in heard_topics if str(m.topic).endswith("/rf")]
    assert b'"off-verified"' in bytes(before[-1].payload)
