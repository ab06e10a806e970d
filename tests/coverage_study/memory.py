"""A virtual bench in memory: benchd's own rig and procedures, no sockets, simulated time.

Every message still goes through the driver's text, the instrument's parser and back; only the
link between them is missing. Time moves by waiting alone, so that a seed fixes everything.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np

from benchd.acquire import SweepInstruments, run_sweep
from benchd.acquire.capture_check import broken_path
from benchd.acquire.zeroing import zero_of
from benchd.bench import Bench
from benchd.engine.capture_commit import capture_of
from benchd.engine.driver_errors import translated
from benchd.engine.reducing import Reducer
from benchd.engine.refining import refining_of
from benchd.engine.rig import Rig
from benchd.engine.stored_inputs import StoredInputs
from benchd.errors import UnknownId
from benchd.results import Result, ResultRecord
from benchd.traces import Capture, Role
from benchd.worksheet import CaptureStep, HandsStep, ReduceStep, RouteStep, Worksheet
from drivers.exchange import Batch, Reply
from drivers.framing import block_of_message
from drivers.player import BatchPlayer
from simulators.instruments.all_instruments import Workbench
from simulators.instruments.clock import SimulatedClock
from simulators.scpi import Conversation
from simulators.world import World

MORNING = datetime(2026, 1, 5, 6, 0, tzinfo=UTC)
_LARGEST_REPLY = 1 << 20


class MemoryPlayer(BatchPlayer):
    """Performs batches on simulated instruments; waiting moves their clock."""

    def __init__(self, workbench: Workbench) -> None:
        super().__init__()
        self._clock = workbench.clock
        self._talks = {name: Conversation(one) for name, one in workbench.instruments.items()}

    def perform(self, batch: Batch) -> list[Any]:
        """All messages are sent before any reply is read, as over real links."""
        replies: dict[str, list[bytes]] = {}
        for exchange in batch:
            self._talks[exchange.instrument].receive(exchange.message.encode("latin-1") + b"\n")
            replies[exchange.instrument] = []
        while True:
            wake_s = float("inf")
            for name, found in replies.items():
                fresh, again_s = self._talks[name].advance(self._clock.now_s())
                found += fresh
                if again_s is not None:
                    wake_s = min(wake_s, again_s)
            if wake_s == float("inf"):
                break
            self._clock.skip_to(wake_s)
        values: list[Any] = []
        for exchange in batch:
            if exchange.reply is Reply.NONE:
                values.append(None)
                continue
            raw = replies[exchange.instrument].pop(0)
            if exchange.reply is Reply.BLOCK:
                block = block_of_message(raw, exchange.block_bytes, _LARGEST_REPLY)
                values.append(exchange.value(block))
            else:
                values.append(exchange.value(raw.decode("latin-1").rstrip("\r\n")))
        return values

    def _wait(self, seconds: float) -> None:
        self._clock.skip_to(self._clock.now_s() + seconds)


class MemoryRig(Rig):
    """benchd's rig with its procedures played in memory."""

    def __init__(self, bench: Bench, workbench: Workbench) -> None:
        super().__init__(bench)
        self._player = MemoryPlayer(workbench)

    def _connect_one(self, name: str) -> None:
        """Always connected."""

    def _play(self, procedure: Any, links: Any, **_: Any) -> Any:
        with translated():
            return self._player.run(procedure)

    def _lid_watched(self, wanted: Any) -> Any:
        """Nobody opens the lid, and a second thread would draw random numbers at its own times."""
        return nullcontext()

    def identities(self, names: Iterable[str]) -> dict[str, str]:
        """As the bench file has them."""
        return {name: self.bench.instruments[name].identity or "" for name in names}


@dataclass
class Shelf:
    """Captures in the order they were taken; what reductions ask of a store."""

    kept: list[Capture] = field(default_factory=list)

    def captures(
        self,
        *,
        bench: str | None = None,
        route: str | None = None,
        role: Role | None = None,
        antenna: str | None = None,
        job_id: str | None = None,
        limit: int | None = None,
    ) -> list[Any]:
        """Newest first."""
        asked = {"bench": bench, "route": route, "role": role, "antenna": antenna, "job_id": job_id}
        found = [
            capture
            for capture in reversed(self.kept)
            if all(value is None or getattr(capture, key) == value for key, value in asked.items())
        ]
        return [_row(capture) for capture in found[:limit]]

    def capture(self, capture_id: str) -> Capture:
        """The capture of an id."""
        for one in self.kept:
            if one.id == capture_id:
                return one
        raise UnknownId(f"there is no capture {capture_id}")

    def job(self, job_id: str) -> Any:
        """No job is queued here."""
        raise UnknownId(f"there is no job {job_id}")

    def results(self, **_: Any) -> list[Any]:
        """None: what this owner's qualification found stands in the bench file."""
        return []

    def file(self, records: list[ResultRecord]) -> None:
        """Results of one reduction; a shelf that answers with them keeps them."""


def _row(capture: Capture) -> Any:
    return SimpleNamespace(
        id=capture.id,
        step=capture.step,
        route=capture.route,
        taken_at=capture.taken_at,
        flags=capture.flags,
        settings=capture.settings,
        instruments=capture.instruments,
        load=lambda: capture,
    )


class VirtualBench:
    """One world, the bench file its owner wrote, and everything measured on it.

    hands: does in the world what a hands step asks for; called with the workbench and the text.
    """

    def __init__(
        self, world: World, bench: Bench, hands: Callable[[Workbench, str], None] | None = None
    ) -> None:
        self.world, self.bench = world, bench
        # A clock that stands still unless somebody waits.
        self.clock = SimulatedClock(0.0, monotonic=lambda: 0.0)
        self.workbench = Workbench(world, self.clock)
        self.rig = MemoryRig(bench, self.workbench)
        self.shelf = Shelf()
        self._hands = hands
        self._jobs = 0

    def wait(self, seconds: float) -> None:
        """Time passes: rooms warm up, instruments drift."""
        self.clock.skip_to(self.clock.now_s() + seconds)

    def run(self, worksheet: Worksheet) -> list[Result]:
        """All steps in order; the results of all reduce steps."""
        self._jobs += 1
        job_id = f"job-{self._jobs}"
        results: list[Result] = []
        for step in worksheet.steps:
            if isinstance(step, CaptureStep):
                self.shelf.kept.append(self._captured(job_id, worksheet, step))
            elif isinstance(step, RouteStep):
                self.rig.rf_off()
                self.rig.switch(step.switching)
            elif isinstance(step, HandsStep):
                self.rig.rf_off()
                assert self._hands is not None, f"nobody there to: {step.ask}"
                self._hands(self.workbench, step.ask)
                self.wait(30.0)
            elif isinstance(step, ReduceStep):
                reducer = Reducer(self.bench, self.shelf)
                found = reducer.records(job_id, worksheet, step)
                self.shelf.file(found)
                results += [record.result for record in found]
        return results

    def _captured(self, job_id: str, worksheet: Worksheet, step: CaptureStep) -> Capture:
        self.rig.rf_off()
        self.rig.switch(step.switching)
        drivers = self.rig.drivers
        instruments = SweepInstruments(
            analyzer=drivers[step.analyzer],
            source=drivers[step.source],
            zero=zero_of(self.bench, step.analyzer),
        )
        names = list(dict.fromkeys((step.source, step.analyzer)))
        inputs = StoredInputs(
            self.shelf,  # type: ignore[arg-type]
            self.bench,
            self.rig.identities(self.bench.instruments),
            MORNING + timedelta(seconds=self.clock.now_s()),
        )
        refining = refining_of(inputs, job_id, worksheet, step, self.clock.now_s)
        procedure = run_sweep(step.sweep, instruments, refining)
        sweep = self.rig.measure(procedure, names, lambda _: None)
        # No bench of the study is broken: an alarm would be a false one.
        broken = broken_path(self.bench, step, sweep)
        assert broken is None, broken
        identities = self.rig.identities([*names, *(one.instrument for one in step.switching)])
        capture = capture_of(
            job_id, worksheet, step, sweep, broken=None, instruments=identities, readings={}
        )
        return replace(
            capture,
            id=f"cap-{len(self.shelf.kept)}",
            taken_at=MORNING + timedelta(seconds=self.clock.now_s()),
        )


def db(ratio: Any) -> Any:
    """20 lg of a magnitude, dB."""
    return 20.0 * np.log10(np.abs(ratio))
