"""A subscriber that knows only the broker's address and a topic: what anybody would see."""

from __future__ import annotations

import asyncio
import threading
import time
from types import TracebackType
from typing import Self

import aiomqtt

from benchd.errors import BenchdError
from benchd.publish import Subscriber

CONNECT_WITHIN_S = 10.0


class DemoSubscriber:
    """Subscribes to everything of one bench in a thread of its own. Use as a context manager."""

    def __init__(self, url: str, bench: str) -> None:
        host, _, port = url.removeprefix("mqtt://").rpartition(":")
        self._host, self._port = host, int(port)
        self._topic = f"benchd/{bench}/#"
        self._reader = Subscriber()
        self._messages: list[tuple[str, str]] = []
        self._listening = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, daemon=True, name="demo subscriber")

    def __enter__(self) -> Self:
        self._thread.start()
        if not self._listening.wait(CONNECT_WITHIN_S):
            raise BenchdError("the broker did not take a subscription", where=self._host)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._loop.call_soon_threadsafe(self._task.cancel)
        self._thread.join(timeout=5.0)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._task = self._loop.create_task(self._listen())
        try:
            self._loop.run_until_complete(self._task)
        except asyncio.CancelledError:
            pass
        finally:
            self._loop.close()

    async def _listen(self) -> None:
        async with aiomqtt.Client(
            self._host,
            self._port,
            protocol=aiomqtt.ProtocolVersion.V311,
            identifier="stranger",
        ) as client:
            await client.subscribe(self._topic, qos=1)
            self._listening.set()
            async for message in client.messages:
                payload = message.payload
                text = payload.decode(errors="replace") if isinstance(payload, bytes) else ""
                topic = str(message.topic)
                if self._reader.feed(topic, text).kind != "duplicate":
                    self._messages.append((topic, text))

    @property
    def gaps(self) -> tuple[tuple[int, int], ...]:
        """Sequence numbers that never came."""
        return self._reader.gaps

    def by_topic(self) -> dict[str, list[str]]:
        """Payloads by topic, topics in the order of their first message."""
        found: dict[str, list[str]] = {}
        for topic, text in list(self._messages):
            found.setdefault(topic, []).append(text)
        return found

    def wait_for_results(self, count: int, patience_s: float = 120.0) -> None:
        """Until so many results have come. Raises BenchdError if they do not."""
        deadline = time.monotonic() + patience_s
        while sum(topic.endswith("/result") for topic, _ in list(self._messages)) < count:
            if time.monotonic() > deadline:
                raise BenchdError(
                    f"only {len(self._messages)} messages came; {count} results were committed",
                    where="subscriber",
                )
            time.sleep(0.02)
