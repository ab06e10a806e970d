"""Examples of what a night at the workshop leaves behind."""

from datetime import UTC, datetime
from typing import Any

import numpy as np

from benchd.results import Budget, Result, ResultRecord, Term, Verdict
from benchd.store.ids import new_id
from benchd.sweeps import SweepAsRun
from benchd.traces import Capture, Form, Role, Trace
from benchd.worksheet import HandsStep, WaitStep, Worksheet

TAKEN_AT = datetime(2026, 3, 1, 21, 30, 15, 123456, tzinfo=UTC)


def worksheet(**changes: Any) -> Worksheet:
    fields: dict[str, Any] = {
        "recipe": "return-loss",
        "title": "Return loss of one antenna",
        "recipe_hash": "a" * 64,
        "bench": "workshop",
        "bench_hash": "b" * 64,
        "parameters": {"antenna": "dipole r3", "centre": 1.7e9, "points": 201},
        "on_interrupt": "resume",
        "steps": (
            HandsStep(index=0, label="fit", ask="Fit dipole r3.", caution="RF is off."),
            WaitStep(index=1, label="settle", duration_s=10.0, expected_s=10.0),
            WaitStep(index=2, label="settle again", duration_s=0.1, expected_s=0.1),
        ),
        "cautions": ("Keep clear of the open box.",),
    }
    return Worksheet(**{**fields, **changes})


def trace(points: int = 201, seed: int = 1) -> Trace:
    noise = np.random.default_rng(seed).normal(size=points)
    return Trace("level", Form.LEVEL_DBM, np.linspace(1.45e9, 1.95e9, points), -20 + noise)


def capture(job_id: str, **changes: Any) -> Capture:
    fields: dict[str, Any] = {
        "id": new_id("cap"),
        "bench": "workshop",
        "job_id": job_id,
        "step": "test",
        "role": Role.TEST,
        "route": "middle",
        "position": "antenna",
        "antenna": "dipole r3",
        "traces": (trace(),),
        "settings": SweepAsRun(
            method="stepped",
            start_hz=1.45e9,
            stop_hz=1.95e9,
            points=201,
            level_dbm=-10.0,
            resolution_bandwidth_hz=1e4,
            lid="open",
        ),
        "fixtures": {"coupler": "c0ffee"},
        "instruments": {"generator": "Workshop,Source-6G,0001,1.0"},
        "taken_at": TAKEN_AT,
        "recipe_hash": "a" * 64,
        "worksheet_hash": "c" * 64,
        "flags": ("near-noise",),
        "bindings": {"position": "mount_a", "repeat": 2, "band": (1.0, 2.0)},
        "readings": {"temperature_c": 22.5, "noise_floor_dbm": float("-inf")},
    }
    return Capture(**{**fields, **changes})


def budget() -> Budget:
    terms = (
        Term("directivity", 35.0, "dB", "u-shaped", 2**0.5, -1.3, 0.41, source="coupler"),
        Term("noise", 0.02, "dB", "normal", 1.0, 1.0, 0.02, degrees_of_freedom=9.0, assumed=True),
    )
    return Budget(terms, 0.41, float("inf"), 1.96, 0.81, 17.4, float("inf"), "monte-carlo", 10, 7)


def result(**changes: Any) -> Result:
    fields: dict[str, Any] = {
        "quantity": "return_loss",
        "value": 18.234567890123456,
        "unit": "dB",
        "expanded_uncertainty": 0.81,
        "coverage_factor": 1.96,
        "low": 17.4,
        "high": None,
        "frequency_hz": 1.7e9,
        "band_hz": (1.45e9, 1.95e9),
        "antenna": "dipole r3",
        "flags": ("below-directivity",),
        "captures": ("cap-1", "cap-2"),
        "budget": budget(),
        "note": "",
    }
    return Result(**{**fields, **changes})


def record(job_id: str, *, id: str | None = None, **changes: Any) -> ResultRecord:
    return ResultRecord(
        id=id or new_id("res"),
        bench="workshop",
        job_id=job_id,
        step="dipole",
        recipe="return-loss",
        recipe_hash="a" * 64,
        worksheet_hash="c" * 64,
        instruments={"generator": "Workshop,Source-6G,0001,1.0"},
        reduced_at=TAKEN_AT,
        result=result(**changes),
        bindings={"position": "mount_a"},
    )


def verdict(**changes: Any) -> Verdict:
    fields: dict[str, Any] = {
        "quantity": "return_loss",
        "outcome": "pass",
        "margin": 8.2,
        "limit": "return_loss at 1.7 GHz at least 10 dB",
        "result": result(),
    }
    return Verdict(**{**fields, **changes})
