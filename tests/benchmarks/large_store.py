"""A store with as much in it as years of nights leave behind, written quickly.

Jobs, captures and results are written as rows of the tables, in the form in which the store itself
writes them, since a hundred thousand transactions would take minutes.
"""

from __future__ import annotations

import dataclasses
import hashlib
from datetime import timedelta
from pathlib import Path

from sqlalchemy import insert

from benchd.results import Budget, ResultRecord, Term
from benchd.store import Store, captures, codec
from benchd.store.database import Database
from benchd.store.readable_rows import sha256_of
from benchd.store.schema import captures as capture_table
from benchd.store.schema import job_events, jobs, results, traces, verdicts
from tests.store.examples import TAKEN_AT, capture, record, verdict, worksheet

ANTENNAS = 100
QUANTITIES = ("return_loss", "resonance_frequency", "bandwidth", "vswr", "trim_per_arm")
TERMS = 12
PORTION = 2000


def antenna(number: int, antennas: int = ANTENNAS) -> str:
    """The name of one of the antennas."""
    return f"dipole {number % antennas} r1"


def example(job_id: str, quantity: str, of: str) -> ResultRecord:
    """A result with a budget as long as those of a night."""
    kinds = ("normal", "u-shaped", "rectangular")
    terms = tuple(
        Term(f"term {n}", 0.1 * n + 0.07, "dB", kinds[n % 3], 2.0, 1.1, 0.0123 * n + 0.001)
        for n in range(TERMS)
    )
    made = record(job_id, quantity=quantity, antenna=of)
    budget = Budget(terms, 0.41, float("inf"), 1.96, 0.81, 17.4, float("inf"), "gum")
    return dataclasses.replace(made, result=dataclasses.replace(made.result, budget=budget))


def fill(place: Path, count: int, antennas: int = ANTENNAS) -> None:
    """Put `count` results and as many captures into a new store, five of each in every job; the
    jobs are of so many antennas in turn."""
    with Store.open(place) as store:
        first = store.add_job(worksheet())
    each = len(QUANTITIES)
    shot = capture(first.id)
    data = shot.traces[0].to_bytes()
    digest = hashlib.sha256(data).hexdigest()
    with Database(place).engine.begin() as connection:
        row = dict(connection.execute(jobs.select()).mappings().one())
        for start in range(0, count // each, PORTION // each):
            rows: dict[str, list[dict[str, object]]] = {
                name: [] for name in ("jobs", "events", "captures", "traces", "results", "verdicts")
            }
            for number in range(start, min(start + PORTION // each, count // each)):
                at = TAKEN_AT + timedelta(minutes=number)
                job_id, of = f"job-{number:08d}", antenna(number, antennas)
                rows["jobs"].append({
                    **row, "id": job_id, "state": "done", "created_at": at, "started_at": at,
                    "ended_at": at + timedelta(seconds=50),
                })  # fmt: skip
                rows["events"].append(
                    {"job_id": job_id, "at": at, "state": "done", "step_index": 3, "message": ""}
                )
                text = codec.verdict_to_text(verdict())
                rows["verdicts"].append({
                    "job_id": job_id, "step": "accept", "at": at, "body": text,
                    "sha256": sha256_of(job_id, "accept", text),
                })  # fmt: skip
                for index, quantity in enumerate(QUANTITIES):
                    name = f"{number:08d}-{index}"
                    taken = dataclasses.replace(
                        shot, id=f"cap-{name}", job_id=job_id, antenna=of, taken_at=at
                    )
                    rows["captures"].append(captures.row_of(taken))
                    rows["traces"].append({
                        "capture_id": taken.id, "ordinal": 0, "name": "level",
                        "form": "level_dbm", "points": 201, "sha256": digest, "data": data,
                    })  # fmt: skip
                    made = dataclasses.replace(
                        example(job_id, quantity, of), id=f"res-{name}", reduced_at=at
                    )
                    body = codec.record_to_text(made)
                    rows["results"].append({
                        "id": made.id, "bench": made.bench, "job_id": job_id, "step": made.step,
                        "quantity": quantity, "antenna": of, "reduced_at": at, "body": body,
                        "sha256": sha256_of(made.id, body),
                    })  # fmt: skip
            for table, found in zip(
                (jobs, job_events, capture_table, traces, results, verdicts),
                rows.values(),
                strict=True,
            ):
                connection.execute(insert(table), found)
