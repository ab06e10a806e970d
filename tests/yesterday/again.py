"""What today's code makes of a database that was kept: all of it read, all of it reduced again."""

from __future__ import annotations

import json
import lzma
import math
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np

from benchd.bench import load_bench
from benchd.curves import as_traces
from benchd.engine.reducing import Reducer
from benchd.quantities import Where, quantity
from benchd.reductions.limits import hold_against
from benchd.results import Result, ResultRecord, Verdict
from benchd.store import Store
from benchd.traces import Trace
from benchd.worksheet import AcceptStep, ReduceStep

HERE = Path(__file__).parent
BENCHES = ("workshop", "good-box")
CHANGED = HERE / "changed.json"
CURVES = HERE / "curves.json"

SAME = 1e-9
"""Numbers this close, as a share of their own size, are the same: another processor's or library's
sine and logarithm may differ in the last digits. On the computer that recorded them they are the
same bit for bit; `python -m tests.yesterday compare` counts how many are."""

_NUMBERS = ("value", "low", "high", "expanded_uncertainty", "coverage_factor")


@dataclass(frozen=True)
class Again:
    """One kept database, opened by today's code in a folder of its own."""

    bench: str
    store: Store
    reducer: Reducer

    @classmethod
    def opened(cls, bench: str, folder: Path) -> Again:
        """Unpack it and let the migrations bring it up to date."""
        file = unpacked(bench, folder)
        store = Store.open(file)
        return cls(bench, store, Reducer(load_bench(HERE / f"{bench}.yaml"), store))

    def jobs(self) -> list[Any]:
        """Jobs that were reduced, oldest first."""
        done = [job for job in self.store.jobs(bench=self.bench) if job.state == "done"]
        return sorted(done, key=lambda job: job.created_at)

    def stored(self, job_id: str) -> list[ResultRecord]:
        """The job's results as they were stored."""
        return self.store.results(job_id=job_id)

    def reduced(self, job_id: str) -> tuple[list[ResultRecord], list[Verdict], list[Trace]]:
        """The job's results, verdicts and curves as they come out today."""
        worksheet = self.store.worksheet(job_id)
        records: list[ResultRecord] = []
        verdicts: list[Verdict] = []
        curves: list[Trace] = []
        for step in worksheet.steps:
            if isinstance(step, ReduceStep):
                records += self.reducer.records(job_id, worksheet, step)
                found = self.reducer.outcome(job_id, step).curves
                curves += [one.trace for one in as_traces(found)]
            elif isinstance(step, AcceptStep):
                verdicts += hold_against(step.limits, records)
        return records, verdicts, curves


def unpacked(bench: str, folder: Path) -> Path:
    """The database as it was kept, in a folder where it may be written to."""
    file = folder / f"{bench}.sqlite"
    file.write_bytes(lzma.decompress((HERE / f"{bench}.sqlite.xz").read_bytes()))
    return file


def name_of(job: Any, record: ResultRecord) -> str:
    """What a result is, in words that outlive its id: job, step, quantity, antenna, where."""
    result = record.result
    places = {
        Where.FREQUENCY: result.frequency_hz,
        Where.BAND: result.band_hz or result.frequency_hz,
    }
    where = places.get(quantity(result.quantity).where) or ""
    return f"{job.id} {record.step}: {result.quantity} of {result.antenna} at {where}"


def as_fields(result: Result) -> dict[str, Any]:
    """A result as plain values. Its note is left out: words may be chosen better at any time."""
    found = {name: getattr(result, name) for name in _NUMBERS}
    found |= {"unit": result.unit, "flags": list(result.flags)}
    found["captures"] = list(result.captures)
    if result.budget is not None:
        found["budget"] = {
            field.name: getattr(result.budget, field.name)
            for field in fields(result.budget)
            if field.name != "terms"
        }
        found["terms"] = [
            [getattr(term, field.name) for field in fields(term)] for term in result.budget.terms
        ]
    return json.loads(json.dumps(found))  # type: ignore[no-any-return]


def by_name(job: Any, records: list[ResultRecord]) -> dict[str, dict[str, Any]]:
    """Results by what they are; where two have one name they are numbered."""
    found: dict[str, dict[str, Any]] = {}
    for record in records:
        name = first = name_of(job, record)
        number = 1
        while name in found:
            number += 1
            name = f"{first} ({number})"
        found[name] = as_fields(record.result)
    return found


def same(one: Any, other: Any, *, within: float = SAME) -> bool:
    """Whether two plain values are the same, numbers within a share of their size."""
    if isinstance(one, float | int) and isinstance(other, float | int):
        if not (math.isfinite(one) and math.isfinite(other)):
            return repr(one) == repr(other)
        return abs(one - other) <= within * max(abs(one), abs(other))
    if isinstance(one, list | tuple) and isinstance(other, list | tuple):
        pairs = zip(one, other, strict=False)
        return len(one) == len(other) and all(same(a, b, within=within) for a, b in pairs)
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(
            same(one[key], other[key], within=within) for key in one
        )
    return bool(one == other)


def differing(
    then: dict[str, dict[str, Any]], now: dict[str, dict[str, Any]], *, within: float = SAME
) -> dict[str, Any]:
    """Per result, what is another today: {name: {field: value}}; `gone` and `new` say so."""
    found: dict[str, Any] = {name: "gone" for name in then if name not in now}
    for name, today in now.items():
        if name not in then:
            found[name] = {"new": today}
            continue
        apart = {
            key: today.get(key)
            for key in {**then[name], **today}
            if not same(then[name].get(key), today.get(key), within=within)
        }
        if apart:
            found[name] = apart
    return found


def gist(curve: Trace) -> list[float]:
    """A curve in five numbers: its length, first, middle and last value, and its mean."""
    values = np.real(curve.values)
    finite = values[np.isfinite(values)]
    return [
        float(values.size),
        *(float(values[place]) for place in (0, values.size // 2, -1)),
        float(np.mean(finite)),
    ]
