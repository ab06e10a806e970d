"""Publishing for as long as the daemon lives, and how it stands, for `health`."""

from __future__ import annotations

import asyncio
from typing import Any

import structlog

from benchd.engine.desk import BenchDesk
from benchd.engine.rfwatch import RfWatch
from benchd.publish import BrokerSettings, Pump
from benchd.store import Store

_log = structlog.get_logger(__name__)

AGAIN_S = 30.0


class Publishing:
    """One pump after the other to one broker."""

    def __init__(self, store: Store, bench: str, rf: RfWatch) -> None:
        self._store = store
        self._bench = bench
        self._rf = rf
        self._pump: Pump | None = None

    def document(self) -> dict[str, Any] | None:
        """How the way to the broker stands; None where there is none."""
        if self._pump is None:
            return None
        status = self._pump.status
        return {
            "connected": status.connected,
            "address": status.address,
            "message": status.message,
            "delivered": status.delivered,
        }

    async def run(self, broker: BrokerSettings, desk: BenchDesk, restate: bool) -> None:
        """Publish for ever. A fault there must not end the measuring: it begins again."""
        while True:
            self._pump = Pump(
                self._store, self._bench, broker, handler=desk, rf=self._rf, restate=restate
            )
            try:
                await self._pump.run()
            except Exception:
                _log.exception("a fault in benchd ended publishing", next_try_s=AGAIN_S)
            await asyncio.sleep(AGAIN_S)
