"""What is known of RF, for whoever watches the bench: as a document, and as events."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

from benchd.engine.events import EventHub
from benchd.engine.rfwatch import RfState, RfWatch
from benchd.moments import utc_text


def rf_document(rf: RfState) -> dict[str, Any]:
    """The fields of `RfState`, times as text, and `age_s`: seconds since the sources were asked.

    A watcher's own clock may be wrong, so the age is worked out here.
    """
    found = asdict(rf)
    age_s = max(0.0, (datetime.now(UTC) - rf.at).total_seconds())
    return {**found, "since": utc_text(rf.since), "at": utc_text(rf.at), "age_s": age_s}


def tell_of_rf(rf: RfWatch, hub: EventHub) -> Callable[[], None]:
    """Publish an `rf-state` event after every change; returns a function that ends that.

    Called on the event loop. Changes come from the bench thread.
    """
    loop = asyncio.get_running_loop()

    def publish() -> None:
        hub.publish("rf-state", rf_document(rf.now))

    def changed() -> None:
        # The loop may have closed while the bench thread was still at work.
        with suppress(RuntimeError):
            loop.call_soon_threadsafe(publish)

    return rf.listen(changed)
