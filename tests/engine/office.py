"""A bench office for tests: queue and desk over a real store, with a rig that only takes notes."""

from __future__ import annotations

import asyncio
import threading
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from benchd.acquire import Sweep
from benchd.engine.desk import BenchDesk
from benchd.engine.events import EventHub
from benchd.engine.queue import JobQueue
from benchd.errors import LinkLost
from benchd.job_request import JobRequest, RecipeSource
from benchd.store import JobRow, JobState, Store
from tests.patience import PATIENCE_S

ROOT = Path(__file__).resolve().parents[2]
WAITING = """
recipe: pauses
title: Waits, measures nothing
on_interrupt: {on_interrupt}
steps:
  - wait: {{for: {seconds} s}}
"""


ONE_CAPTURE = """
recipe: one-capture
title: One capture
sweeps:
  main: {method: stepped, start: 1.6 GHz, stop: 1.8 GHz, points: 11, level: -10 dBm,
    resolution_bandwidth: 10 kHz, detector: rms, dwell: 1 ms}
steps:
  - capture: {name: open, role: open, route: middle, position: open, sweep: main}
"""


@dataclass
class QuietRig:
    """Counts RF-off requests; `lost` of them fail first."""

    stop: threading.Event = field(default_factory=threading.Event)
    lost: int = 0
    rf_offs: int = 0
    log: list[str] = field(default_factory=list)

    def rf_off(self) -> None:
        self.rf_offs += 1
        self.log.append("rf off")
        if self.rf_offs <= self.lost:
            raise LinkLost("does not answer", where="generator")

    def try_connect(self) -> None:
        self.log.append("connect")

    def rf_not_verified(self) -> list[str]:
        """Every source has confirmed OFF."""
        return []

    drivers: Any = field(default_factory=lambda: defaultdict(object))
    identity: str = "Workshop,Instrument"

    def switch(self, settings: Any) -> None:
        """Note it."""
        self.log.append("switch")

    def set_path(self, settings: Any) -> None:
        """As the rig does where nothing was set ahead."""
        self.rf_off()
        self.switch(settings)

    switch_ahead = set_path

    def measure(
        self,
        procedure: Any,
        names: list[str],
        on_progress: Any,
        *,
        lid: Any,
        then: Any = None,
        radiates: str = "",
    ) -> Sweep:
        """A flat trace; the procedure itself is not run."""
        self.log.append("measure")
        return Sweep(np.array([1.6e9, 1.7e9, 1.8e9]), np.array([-29.0, -29.5, -30.0]))

    def opened(self, settings: Any) -> dict[str, list[int]]:
        """Every switch stands as it was set."""
        return {}

    def temperature_c(self) -> dict[str, float]:
        """No thermometer."""
        return {}

    def identities(self, names: Iterable[str]) -> dict[str, str]:
        """Every instrument calls itself the same."""
        return dict.fromkeys(names, self.identity)

    def states(self) -> list[Any]:
        return []


@dataclass
class Office:
    """Everything of one bench but its instruments."""

    store: Store
    desk: BenchDesk
    queue: JobQueue
    rig: QuietRig
    hub: EventHub

    async def text(
        self, seconds: float = 0.01, on_interrupt: str = "resume", **more: Any
    ) -> JobRow:
        recipe = WAITING.format(seconds=seconds, on_interrupt=on_interrupt)
        return await self.desk.queue(
            RecipeSource(text=recipe, file="pauses.yaml"), {}, JobRequest(**more)
        )

    async def until(self, job_id: str, state: JobState) -> JobRow:
        async with asyncio.timeout(PATIENCE_S):
            while (row := await self.desk.job(job_id)).state is not state:
                await asyncio.sleep(0.005)
        return row
