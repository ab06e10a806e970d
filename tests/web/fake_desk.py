"""A whole desk in memory: what the engine does, without a bench. Shared with the command tests."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from benchd.curves import Curve
from benchd.engine.story import story_of
from benchd.errors import OrderRefused, Problem, RecipeError, UnsafeError
from benchd.job_request import JobRequest, RecipeSource
from benchd.jobstates import UNDER_WAY
from benchd.known.in_force import InForce
from benchd.reductions.reflection_settings import Reflection
from benchd.results import Budget, Result, ResultRecord, Term, Verdict
from benchd.store import CaptureRow, JobRow, JobState, UnknownId
from benchd.sweeps import SweepAsRun, SweepPlan
from benchd.traces import Capture, Form, Role, Trace
from benchd.worksheet import (
    AcceptStep,
    CaptureStep,
    HandsStep,
    LevelRow,
    Limit,
    ReduceStep,
    Worksheet,
)

START = datetime(2026, 3, 1, 21, 4, 5, 250_000, tzinfo=UTC)
FREQUENCY_HZ = np.linspace(1.45e9, 1.95e9, 51)


@dataclass(frozen=True)
class FakeEvent:
    sequence: int
    kind: str
    data: Any


REFLECTION = Reflection.from_stored({
    "kind": "reflection", "test": "test", "design_frequency_hz": 1.7e9, "at_hz": [1.7e9],
    "baseline": {"open": "newest", "short": "newest"},
})  # fmt: skip


def worksheet(antenna: str = "dipole r3") -> Worksheet:
    sweep = SweepPlan(
        method="stepped", start_hz=1.45e9, stop_hz=1.95e9, points=51, level_dbm=-10.0,
        resolution_bandwidth_hz=1e4,
    )  # fmt: skip
    steps = (
        HandsStep(index=0, label="hands", ask=f"Fit {antenna} to the middle port.",
                  caution="RF is off while you work."),
        CaptureStep(
            index=1, label="capture test", expected_s=0.3, name="test", role="test",
            route="middle", position="antenna", antenna=antenna, sweep=sweep, switching=(),
            source="generator", analyzer="analyzer", fixtures={"coupler": "a1b2"},
            levels=(LevelRow(element="coupler", level_dbm=-10.4, limit_dbm=30.0),),
        ),
        ReduceStep(index=2, label="reduce dipole", name="dipole", settings=REFLECTION),
        AcceptStep(index=3, label="accept", limits=(Limit(quantity="return_loss", least=10.0),)),
    )  # fmt: skip
    return Worksheet(
        recipe="return-loss", title="Return loss of one antenna", recipe_hash="c0ffee",
        bench="workshop", bench_hash="beef", parameters={"antenna": antenna},
        on_interrupt="resume", steps=steps,
        cautions=("The source radiates when the lid is open: keep to your local rules.",),
    )  # fmt: skip


def return_loss_db() -> np.ndarray:
    detuning = 18 * (FREQUENCY_HZ - 1.6837e9) / 1.6837e9
    impedance = 62 * (1 + 1j * detuning)
    return -20 * np.log10(np.abs((impedance - 50) / (impedance + 50)))


def capture(
    capture_id: str = "cap-0000000000000001", job_id: str = "job-0000000000000001"
) -> Capture:
    return Capture(
        id=capture_id, bench="workshop", job_id=job_id, step="test", role=Role.TEST, route="middle",
        position="antenna", antenna="dipole r3",
        traces=(Trace("level", Form.LEVEL_DBM, FREQUENCY_HZ, -31.5 - return_loss_db()),),
        settings=SweepAsRun(
            method="stepped", start_hz=1.45e9, stop_hz=1.95e9, points=51, level_dbm=-10.0,
            resolution_bandwidth_hz=1e4, detector="rms", dwell_s=0.002,
        ),
        fixtures={"coupler": "a1b2"}, instruments={"analyzer": "Workshop,Analyzer-6G,0001,1.0"},
        taken_at=START, recipe_hash="c0ffee", worksheet_hash="feed", flags=("near-noise",),
        readings={"noise_floor_dbm": -98.2},
    )  # fmt: skip


def records(job_id: str = "job-0000000000000001") -> list[ResultRecord]:
    term = Term("directivity", 35.0, "dB", "u-shaped", 2**0.5, 1.0, 1.092)
    budget = Budget((term,), 1.112, float("inf"), 1.96, 2.18, 18.39, 21.85, "monte-carlo", 20000, 7)

    def record(number: int, result: Result) -> ResultRecord:
        return ResultRecord(
            id=f"res-000000000000000{number}", bench="workshop", job_id=job_id, step="dipole",
            recipe="return-loss", recipe_hash="c0ffee", worksheet_hash="feed",
            instruments={"analyzer": "Workshop,Analyzer-6G,0001,1.0"},
            reduced_at=START + timedelta(seconds=9), result=result,
        )  # fmt: skip

    own = {"antenna": "dipole r3", "captures": ("cap-0000000000000001",)}
    return [
        record(1, Result("resonance_frequency", 1.68372e9, "Hz", 2.13e6, 2.0, 1.68159e9, 1.68585e9,
                         **own)),
        record(2, Result("return_loss", 19.96, "dB", 2.18, 1.96, 18.39, 21.85, 1.7e9,
                         flags=("assumed-term",), budget=budget, **own)),
        record(3, Result("bandwidth", 0.1301e9, "Hz", 5e6, 2.0, 0.1251e9, 0.1351e9,
                         band_hz=(1.6201e9, 1.7502e9), **own)),
        record(4, Result("trim_per_arm", 0.00041, "m", 5.1e-5, 2.0, 3.59e-4, 4.61e-4,
                         note="Cut off half of it, then measure again.", **own)),
    ]  # fmt: skip


class FakePast:
    """Looking back: the story as the engine tells it, and differences that a test has laid out."""

    def __init__(self, desk: FakeDesk) -> None:
        self._desk = desk
        self.differences: list[Result] = []
        self.refused: list[tuple[str, str]] = []
        self.asked: list[tuple[Any, ...]] = []

    async def story(self, antenna: str) -> Any:
        found = story_of(antenna, {}, self, bench="workshop")
        if not found.revisions:
            raise UnknownId(f'there is no antenna "{antenna}".')
        return found

    def results(self, *, antenna: str, bench: str, limit: int) -> list[ResultRecord]:
        every = [record for some in self._desk.reduced.values() for record in some]
        return [record for record in every if record.result.antenna == antenna]

    def verdicts_of(self, job_ids: list[str]) -> dict[str, list[Verdict]]:
        return {job_id: [self._verdict(job_id)] for job_id in job_ids}

    def _verdict(self, job_id: str) -> Verdict:
        result = self._desk.reduced[job_id][1].result
        return Verdict("return_loss", "pass", 9.96, "at least 10 dB at 1.7 GHz", result)

    def measured_antennas(self, bench: str) -> list[str]:
        every = [record for some in self._desk.reduced.values() for record in some]
        return list(dict.fromkeys(str(record.result.antenna) for record in every))

    async def qualification(self, job_id: str) -> list[InForce]:
        self._desk._row(job_id)
        return [
            InForce("effective_directivity", "dB", "middle", "job-0000000000000000", "coupler",
                    START - timedelta(days=3), (1.4e9, 2.0e9), 33.1, 35.2, covers=True)
        ]  # fmt: skip

    async def comparison(
        self, first: str, second: str, **more: str | None
    ) -> tuple[list[Result], list[tuple[str, str]]]:
        self.asked.append((first, second, more["first_job"], more["second_job"], more["quantity"]))
        return self.differences, self.refused


@dataclass
class FakeLine:
    """Notes what it is told."""

    orders: list[tuple[Any, ...]]

    async def move(self, job_id: str, before: str | None) -> None:
        self.orders.append(("move", job_id, before))

    async def move_first(self, job_id: str) -> None:
        self.orders.append(("move first", job_id))

    async def set_priority(self, job_id: str, priority: int) -> None:
        self.orders.append(("priority", job_id, priority))


class FakeDesk:
    """Jobs that do nothing by themselves: tests move them with `move` and `say`."""

    def __init__(self) -> None:
        self.rows: dict[str, JobRow] = {}
        self.vitals: dict[str, Any] = {}
        self.timezone = "UTC"
        self.trouble = ""
        self.captured = {"cap-0000000000000001": capture()}
        self.reduced = {"job-0000000000000001": records()}
        self.kept: list[FakeEvent] = []
        self.news = asyncio.Condition()
        self.orders: list[tuple[Any, ...]] = []
        self.break_with: Exception | None = None
        self.watching = 0
        self.reads: Counter[str] = Counter()
        self.gate: asyncio.Event | None = None
        self.held = 0
        self.damaged: list[str] = []
        self.late = False
        self.past = FakePast(self)

    # -- for tests

    def add(self, job_id: str, state: str = "waiting", **more: Any) -> JobRow:
        fields: dict[str, Any] = {
            "id": job_id, "bench": "workshop", "recipe": "return-loss",
            "title": "Return loss of one antenna", "worksheet_hash": "feed",
            "state": JobState(state), "priority": 0, "created_at": START, "not_before": None,
            "finish_by": None, "started_at": None, "ended_at": None, "step_index": 0,
            "steps_total": 4, "expected_s": 38.0, "interruptions": 0, "message": "",
            "error": None, "hands": None,
        }  # fmt: skip
        self.rows[job_id] = JobRow(**{**fields, **more})
        return self.rows[job_id]

    async def say(self, kind: str, data: Any) -> None:
        async with self.news:
            self.kept.append(FakeEvent(len(self.kept) + 1, kind, data))
            self.news.notify_all()

    async def move(self, job_id: str, state: str, **more: Any) -> None:
        self.rows[job_id] = replace(self._row(job_id), state=JobState(state), **more)
        row = self.rows[job_id]
        await self.say("job", {"job": row.id, "state": row.state, "message": row.message})

    def _row(self, job_id: str) -> JobRow:
        if job_id not in self.rows:
            raise UnknownId(f'there is no job "{job_id}".', advice="benchd jobs lists them.")
        return self.rows[job_id]

    # -- the protocol

    async def queue(
        self, source: RecipeSource, arguments: Mapping[str, str], request: JobRequest
    ) -> JobRow:
        await self.check(source, arguments)
        self.orders.append(("queue", source, dict(arguments), request))
        number = len(self.rows) + 1
        return self.add(
            f"job-{number:016d}", recipe=source.name or source.file, priority=request.priority,
            not_before=request.not_before, finish_by=request.finish_by, serial=request.serial,
            batch=request.batch,
        )  # fmt: skip

    async def check(self, source: RecipeSource, arguments: Mapping[str, str]) -> Worksheet:
        if source.text is not None:
            if "recipe:" not in source.text:
                problem = Problem(
                    source.file, 3, 5, "steps[0]", 'unknown step "capure", did you mean "capture"?'
                )
                raise RecipeError([problem])
            return worksheet(arguments.get("antenna", "dipole r3"))
        if self.break_with is not None:
            raise self.break_with
        if source.name != "return-loss":
            raise OrderRefused(
                f'there is no recipe "{source.name}".', advice="benchd recipes lists them."
            )
        if arguments.get("level") == "30 dBm":
            raise UnsafeError(
                "30 dBm would reach the coupler, which takes 20 dBm.", where="step 2",
                advice="Set the level to 10 dBm or less.",
            )  # fmt: skip
        return worksheet(arguments.get("antenna", "dipole r3"))

    async def jobs(self, *, states: Sequence[str] | None = None, limit: int = 100) -> list[JobRow]:
        rows = [row for row in self.rows.values() if not states or row.state in states]
        return sorted(rows, key=lambda row: row.id, reverse=True)[:limit]

    async def job(self, job_id: str) -> JobRow:
        self.reads["job"] += 1
        return self._row(job_id)

    async def worksheet(self, job_id: str) -> Worksheet:
        self._row(job_id)
        return worksheet()

    async def withdraw(self, job_id: str) -> JobRow:
        if self._row(job_id).has_ended:
            raise OrderRefused(f"{job_id} has ended already.")
        await self.move(job_id, "withdrawn", message="withdrawn by order")
        return self.rows[job_id]

    async def ready(self, job_id: str, step: int | None = None) -> JobRow:
        if self._row(job_id).state is not JobState.NEEDS_HANDS:
            raise OrderRefused(f"{job_id} does not wait for a person.")
        if step is not None and step != (self.rows[job_id].hands or {}).get("step"):
            raise OrderRefused(f"{job_id} asks for something else now.")
        await self.move(job_id, "running", hands=None)
        return self.rows[job_id]

    async def reduce(self, job_id: str) -> list[ResultRecord]:
        self._row(job_id)
        return self.reduced.get(job_id, [])

    async def reduced_curves(self, job_id: str) -> list[Curve]:
        self._row(job_id)
        values = return_loss_db()
        trace = Trace("return_loss", Form.RATIO_DB, FREQUENCY_HZ, values)
        return [
            Curve("return_loss", trace, values - 1.0, values + 1.2, "dipole r3", reduction="dipole")
        ]

    async def bench(self) -> dict[str, Any]:
        return {
            "bench": "workshop", "title": "A bench", "timezone": self.timezone, "hash": "beef",
            "antennas": 2, "files": ["bench.yaml"], "read_at": "2026-03-01T21:00:00Z",
            "trouble": self.trouble,
        }  # fmt: skip

    async def antennas(self) -> list[dict[str, Any]]:
        return [
            {"name": "dipole r3", "design_frequency_hz": 1.7e9, "trim": {"arm_m": 0.0418}},
            {"name": "reference dipole", "design_frequency_hz": 1.7e9,
             "reference": {"gain_dbi": {"frequency_hz": [], "values": [2.1]}}},
        ]  # fmt: skip

    async def add_antenna(
        self, name: str, start: str | None, changes: Mapping[str, str]
    ) -> dict[str, Any]:
        self.orders.append(("add antenna", name, start, dict(changes)))
        return {"name": name, "design_frequency_hz": 1.7e9, "file": "antennas.yaml"}

    async def instruments(self, *, ask: bool = False) -> list[dict[str, Any]]:
        self.orders.append(("instruments", ask))
        return [
            {"name": "generator", "kind": "source", "driver": "scpi-source",
             "address": "TCPIP::127.0.0.1::50251::SOCKET",
             "identity": "Workshop,Source-6G,0001,1.0", "state": "ready", "message": "",
             "answered_at": "2026-03-01T21:04:05Z", "asked": True},
            {"name": "analyzer", "kind": "analyzer", "driver": "scpi-analyzer",
             "address": "TCPIP::127.0.0.1::50252::SOCKET", "identity": "", "state": "lost",
             "message": "does not answer", "answered_at": None, "asked": True},
        ]  # fmt: skip

    async def captures(self, *, limit: int = 100, **filters: str | None) -> list[CaptureRow]:
        wanted = {name: value for name, value in filters.items() if value is not None}
        found = [
            c for c in self.captured.values()
            if all(str(getattr(c, name)) == value for name, value in wanted.items())
        ]  # fmt: skip
        names = [n for n in CaptureRow.__dataclass_fields__ if n != "_read"]
        return [
            CaptureRow(**{n: getattr(c, n) for n in names}, _read=self.captured.__getitem__)
            for c in found[:limit]
        ]

    async def capture(self, capture_id: str) -> Capture:
        if capture_id not in self.captured:
            raise UnknownId(f'there is no capture "{capture_id}".')
        return self.captured[capture_id]

    async def results(
        self, *, job_id: str | None = None, quantity: str | None = None,
        antenna: str | None = None, limit: int = 1000,
    ) -> list[ResultRecord]:  # fmt: skip
        self.reads["results"] += 1
        found = [r for job, some in self.reduced.items() if job_id in (None, job) for r in some]
        return [
            r for r in found
            if quantity in (None, r.result.quantity) and antenna in (None, r.result.antenna)
        ][:limit]  # fmt: skip

    async def result(self, result_id: str) -> ResultRecord:
        found = [r for some in self.reduced.values() for r in some if r.id == result_id]
        if not found:
            raise UnknownId(f"there is no result {result_id}.")
        return found[0]

    async def verdicts(self, job_id: str) -> list[Verdict]:
        self._row(job_id)
        result = self.reduced.get(job_id, records())[1].result
        return [Verdict("return_loss", "pass", 9.96, "at least 10 dB at 1.7 GHz", result)]

    async def recipes(self) -> list[dict[str, Any]]:
        if self.gate is not None:
            self.held += 1
            await self.gate.wait()
        return [
            {"name": "return-loss", "title": "Return loss and resonance of one antenna",
             "about": "Against stored baselines.",
             "parameters": {
                "antenna": {"kind": "antenna", "about": "antenna at the port"},
                "centre": {"kind": "frequency", "default": "1.7 GHz"},
                "span": {"kind": "frequency", "times": "span", "of": "antenna"},
                "start": {"kind": "frequency", "times": 0.94, "of": "antenna"},
                "at": {"kind": "frequency", "of": "antenna"},
                "edge": {"kind": "length", "wavelengths": 0.68, "of": "at"},
                "delay": {"kind": "time", "periods": 0.125, "of": "at"},
                "reference": {"kind": "antenna", "choose": "reference"},
                "points": {"kind": "integer", "default": 201, "least": 11, "most": 10001,
                           "about": "how many"},
                "match": {"kind": "choice", "choices": ["none", "newest"], "default": "none"},
             }},
        ]  # fmt: skip

    def damage(self) -> list[str]:
        return self.damaged

    async def health(self) -> dict[str, Any]:
        return {"bench": "workshop", "version": "0.1.0", "state": "ready", **self.vitals}

    async def waiting_line(self, *asked: Any) -> dict[str, Any]:
        waiting = [row for row in self.rows.values() if row.state is JobState.WAITING]
        more = {"worksheet": await self.check(*asked[:2])} if asked else {}
        planned = [
            {"job": row, "id": row.id, "outcome": "runs", "starts_at": START, "hands": 1,
             "ends_at": START + timedelta(seconds=38), "needs_s": 38.0, "why": "",
             "parameters": {"antenna": "dipole r3"}, "antennas": ["dipole r3"]}
            for row in waiting
        ]  # fmt: skip
        if planned and self.late:
            planned[-1] |= {"outcome": "missed", "starts_at": None, "ends_at": None,
                            "why": "its window closes at 22:00"}  # fmt: skip
        running = next((row.id for row in self.rows.values() if row.state in UNDER_WAY), None)
        return {"words": f"{len(waiting)} wait.", "jobs": planned, "running": running,
                "running_left_s": None if running is None else 38.0, **more}  # fmt: skip

    @property
    def line(self) -> FakeLine:
        return FakeLine(self.orders)

    async def under_way(self) -> dict[str, Any]:
        running = [row for row in self.rows.values() if row.state in UNDER_WAY]
        if not running:
            return {"job": None, "step": None, "left_s": None, "sweep": None}
        sweep = {"job": running[0].id, "step": 1, "first": 0, "frequency_hz": [1.45e9],
                 "level_dbm": [-float("inf")]}  # fmt: skip
        return {"job": running[0], "step": {"index": 1}, "left_s": 12.5, "sweep": sweep}

    def rf(self) -> dict[str, Any]:
        return {
            "state": "off-verified", "since": "2026-03-01T21:00:00Z", "at": "2026-03-01T21:04:02Z",
            "sources": ["generator"], "message": "RF is off; every source has said so when asked",
            "advice": "", "asking": False, "radiates": "", "age_s": 3.0,
        }  # fmt: skip

    async def events(self, after: int | None) -> AsyncIterator[FakeEvent]:
        at = len(self.kept) if after is None else after
        self.watching += 1
        try:
            while True:
                async with self.news:
                    await self.news.wait_for(lambda at=at: len(self.kept) > at)
                    fresh = self.kept[at:]
                for event in fresh:
                    at = event.sequence
                    yield event
        finally:
            self.watching -= 1
