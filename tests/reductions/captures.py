"""A bench without instruments: captures are written as they would have come, then reduced.

Levels are plain numbers or arrays; everything else about a capture is what the workshop's bench
file and a stepped sweep would have given.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from benchd.bench import Bench, load_bench
from benchd.engine.reducing import Reducer
from benchd.results import Budget, Result, ResultRecord
from benchd.store import Store
from benchd.store.ids import new_id
from benchd.sweeps import SweepAsRun
from benchd.traces import Capture, Form, Role, Trace
from benchd.worksheet import (
    SETTINGS_MODELS,
    ReduceStep,
    ReductionSettings,
    WaitStep,
    Worksheet,
)

WORKSHOP = Path(__file__).parents[2] / "recipes" / "benches" / "workshop.yaml"
NIGHT = datetime(2026, 11, 1, 20, 0, tzinfo=UTC)
GRID = np.round(np.linspace(1.6e9, 1.8e9, 81))
INSTRUMENTS = {"generator": "Workshop,Source-6G,0001", "analyzer": "Workshop,Analyzer-6G,0002"}
NOISE_DBM = -108.0


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now = NIGHT

    def __call__(self) -> datetime:
        return self.now


class Notebook:
    """A store, a bench, and captures and results written into them at chosen times."""

    def __init__(self, folder: Path, bench: Bench | None = None) -> None:
        self.bench = bench or load_bench(WORKSHOP)
        self.clock = Clock()
        self.store = Store.open(folder / "bench.db", clock=self.clock)
        self.job = self.new_job()

    def new_job(self) -> str:
        """A job to which captures belong from now on."""
        steps = (WaitStep(index=0, label="wait", duration_s=1.0, expected_s=1.0),)
        sheet = Worksheet(
            recipe="by-the-test", title="By the test", recipe_hash="a" * 64,
            bench=self.bench.bench, bench_hash=self.bench.hash, parameters={},
            on_interrupt="resume", steps=steps, cautions=(),
        )  # fmt: skip
        self.job = self.store.add_job(sheet).id
        return self.job

    def at(self, seconds: float) -> None:
        """Let it be so many seconds after the night began."""
        self.clock.now = NIGHT + timedelta(seconds=seconds)

    def capture(
        self,
        name: str,
        role: str,
        level_dbm: Any,
        *,
        at_s: float = 0.0,
        route: str = "range",
        position: str | None = None,
        antenna: str | None = None,
        grid_hz: Any = GRID,
        noise_dbm: float | None = NOISE_DBM,
        scatter_db: float | None = None,
        readings: Mapping[str, float] | None = None,
        **settings: Any,
    ) -> Capture:
        """One capture in the present job, `at_s` seconds into the night."""
        grid = np.asarray(grid_hz, dtype=float)
        level = np.broadcast_to(np.asarray(level_dbm, dtype=float), grid.shape).copy()
        traces = [Trace("level", Form.LEVEL_DBM, grid, level)]
        if scatter_db is not None:
            traces.append(Trace("scatter", Form.RATIO_DB, grid, np.full(grid.shape, scatter_db)))
        if noise_dbm is not None:
            few = grid[:: max(1, grid.size // 4)]
            traces.append(Trace("noise", Form.LEVEL_DBM, few, np.full(few.shape, noise_dbm)))
        made = Capture(
            id=new_id("cap"),
            bench=self.bench.bench,
            job_id=self.job,
            step=name,
            role=Role(role),
            route=route,
            position=position,
            antenna=antenna,
            traces=tuple(traces),
            settings=SweepAsRun.model_validate({
                "method": "stepped", "start_hz": float(grid[0]), "stop_hz": float(grid[-1]),
                "points": grid.size, "level_dbm": -10.0, "resolution_bandwidth_hz": 1e4,
                "detector": "rms", "dwell_s": 0.002, "average": 1, **settings,
            }),
            fixtures=self.bench.route_fixtures(route),
            instruments=INSTRUMENTS,
            taken_at=NIGHT + timedelta(seconds=at_s),
            recipe_hash="a" * 64,
            worksheet_hash="b" * 64,
            readings=dict(readings or {}),
        )  # fmt: skip
        self.store.commit_capture(made, step_index_after=None)
        return made

    def result(self, result: Result, *, at_s: float = 0.0, step: str = "qualified") -> ResultRecord:
        """A stored result of the present job, reduced `at_s` seconds into the night."""
        record = ResultRecord(
            id=new_id("res"), bench=self.bench.bench, job_id=self.job, step=step,
            recipe="by-the-test", recipe_hash="a" * 64, worksheet_hash="b" * 64,
            instruments=INSTRUMENTS, reduced_at=NIGHT + timedelta(seconds=at_s), result=result,
        )  # fmt: skip
        self.store.commit_results(self.job, step, [record], [], step_index_after=None)
        return record

    def qualified(
        self, quantity: str, values: Mapping[float, float], capture: Capture, *,
        at_s: float = 0.0, freedom: float = 9.0, step: str = "qualified",
        others: tuple[Capture, ...] = (),
    ) -> None:  # fmt: skip
        """Qualification results of one reduction: frequency (Hz) -> value (dB).

        others: further captures that it came from.
        """
        for frequency_hz, value in values.items():
            budget = Budget((), 0.1, freedom, 2.0, 0.2, value - 0.2, value + 0.2)
            found = Result(quantity, value, "dB", 0.2, 2.0, frequency_hz=frequency_hz,
                           budget=budget,
                           captures=(capture.id, *(one.id for one in others)))  # fmt: skip
            self.result(found, at_s=at_s, step=step)

    def reduce(
        self,
        kind: str,
        captures: Mapping[str, str],
        *,
        baseline: Mapping[str, str] | None = None,
        max_age_s: float | None = None,
        keep_as: str = "",
        **options: Any,
    ) -> tuple[Result, ...]:
        """The results of one reduction over captures of the present job, by their names.

        keep_as: also store them, under this name, at the present time of the clock.
        """
        told = SETTINGS_MODELS[kind].from_first_form({
            "reduction": kind, "captures": dict(captures), "baseline": dict(baseline or {}),
            "max_age_s": max_age_s, "options": options,
        })  # fmt: skip
        return self.reduce_as(told, keep_as=keep_as)

    def reduce_as(self, settings: ReductionSettings, *, keep_as: str = "") -> tuple[Result, ...]:
        """The results of one reduction with these settings."""
        kind = settings.kind
        step = ReduceStep(index=1, label=f"reduce {kind}", name=keep_as or kind, settings=settings)
        sheet = self.store.worksheet(self.job)
        reducer = Reducer(self.bench, self.store, self.clock)
        found = reducer.outcome(self.job, step).results
        if keep_as:
            records = reducer.records(self.job, sheet, step)
            self.store.commit_results(self.job, keep_as, records, [], step_index_after=None)
        return found

    def with_bench(self, **changes: Any) -> None:
        """Change the bench from now on: top-level parts of its file."""
        self.bench = self.bench.model_copy(update=changes)

    def close(self) -> None:
        """Close the store."""
        self.store.close()


def one(results: tuple[Result, ...], quantity: str, antenna: str | None = None) -> Result:
    """The one result of a quantity (and antenna)."""
    (found,) = [r for r in results if r.quantity == quantity and antenna in (None, r.antenna)]
    return found


def contributions(result: Result) -> dict[str, float]:
    """Term -> contribution."""
    assert result.budget is not None
    return {line.name: line.contribution for line in result.budget.terms}


def terms_of(result: Result) -> dict[str, Any]:
    """Term name -> term."""
    assert result.budget is not None
    return {line.name: line for line in result.budget.terms}


def changed(part: Any, **fields: Any) -> Any:
    """A copy of a dataclass or of a model with some fields changed."""
    if hasattr(part, "model_copy"):
        return part.model_copy(update=fields)
    return replace(part, **fields)
