"""What is known of the bench itself: its baselines now, and what every qualification found.

Nothing is worked out here but ages; results and verdicts are those that were stored.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from benchd.bench import Bench
from benchd.engine.story import MOST_RESULTS
from benchd.known.level_drift import age_of, drift_after_db
from benchd.quantities import Feeds, Worst, every, place, quantity
from benchd.results import Result, ResultRecord
from benchd.rounding import band_words, duration_words, size_words
from benchd.store import CaptureRow, Store
from benchd.traces import PATH_BROKEN, Role
from benchd.wording import flag_words, quantity_words, result_text, where_words

BASELINE_ROLES = (Role.OPEN, Role.SHORT, Role.LOAD, Role.THRU, Role.EMPTY, Role.REFERENCE)
LOOKED_AT = 300
MOST_RUNS = 40
MAX_AGE = "max_age"
JUDGED = {1.0: "good enough", 0.0: "not good enough"}
CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class BaselineState:
    """The newest baseline of one kind: same role, route, position and sweep.

    age_s: at the time of asking. drift_db: half-width of the drift that the bench file expects
    within that age; None where it states none. max_age_s: what the newest watch of this route over
    time allows; None where none was made. text: all of it in a sentence.
    """

    capture: str
    job: str
    role: str
    route: str
    position: str | None
    sweep: str
    taken_at: datetime
    age_s: float
    drift_db: float | None
    max_age_s: float | None
    flags: str
    text: str


@dataclass(frozen=True, slots=True)
class Found:
    """One quantity that a qualification found; of several frequencies, the worst.

    value, low, high: in `unit`. where: the place of that value, in words.
    """

    quantity: str
    words: str
    value: float
    unit: str
    low: float | None
    high: float | None
    text: str
    where: str


@dataclass(frozen=True, slots=True)
class Qualified:
    """One run of a qualification.

    verdict: "good enough", "not good enough" or "cannot tell". changed: the parts of its path that
    the bench file describes otherwise than for the run before of the same kind on the same route.
    """

    kind: str
    words: str
    job: str
    recipe: str
    at: datetime
    route: str
    verdict: str
    note: str
    flags: str
    found: tuple[Found, ...]
    changed: tuple[str, ...]


def baselines(bench: Bench, store: Store, now: datetime) -> list[BaselineState]:
    """The newest of every kind of baseline, those of one route together, the youngest first."""
    allowed = _max_ages(bench, store)
    found: dict[tuple[str, ...], BaselineState] = {}
    for role in BASELINE_ROLES:
        for row in store.captures(bench=bench.bench, role=role, limit=LOOKED_AT):
            if row.route not in bench.routes or PATH_BROKEN in row.flags:
                continue
            settings = row.settings
            key = (
                row.route, role.value, row.position or "", row.antenna or "",
                f"{settings.start_hz} {settings.stop_hz} {settings.points} {settings.level_dbm}",
            )  # fmt: skip
            if key not in found:
                found[key] = _state(bench, row, now, allowed.get(row.route))
    return sorted(found.values(), key=lambda one: (one.route, one.age_s))


def _state(bench: Bench, row: CaptureRow, now: datetime, max_age_s: float | None) -> BaselineState:
    age_s = age_of(row.taken_at, now)
    drift_db = drift_after_db(bench, row.route, age_s)
    words = [f"{duration_words(age_s)} old"]
    if drift_db is None:
        words.append("how far it drifts is not stated in the bench file")
    else:
        words.append(f"may have drifted by {size_words(drift_db, 'dB')}")
    if max_age_s is not None:
        limit = duration_words(max_age_s)
        words.append(
            f"older than the {limit} that the watch over time allows"
            if age_s > max_age_s
            else f"the watch over time allows {limit}"
        )
    settings = row.settings
    return BaselineState(
        capture=row.id,
        job=row.job_id,
        role=row.role.value,
        route=row.route,
        position=row.position,
        sweep=f"{band_words(settings.start_hz, settings.stop_hz, 'Hz')}, {settings.points} points",
        taken_at=row.taken_at,
        age_s=age_s,
        drift_db=drift_db,
        max_age_s=max_age_s,
        flags=flag_words(row.flags),
        text="; ".join(words),
    )


def _max_ages(bench: Bench, store: Store) -> dict[str, float]:
    """By route: the greatest age that the newest watch over time allows, s."""
    found: dict[str, float] = {}
    for record in store.results(quantity=MAX_AGE, bench=bench.bench, limit=LOOKED_AT):
        route = _path(store, record)[0]
        if route and math.isfinite(record.result.value):
            found.setdefault(route, record.result.value)
    return found


def kinds() -> tuple[str, ...]:
    """Kinds of qualification: those that give a verdict."""
    return tuple(kind for row in every() if row.is_verdict for kind in row.given_by)


def qualified(bench: Bench, store: Store) -> list[Qualified]:
    """Every stored run of every qualification, the newest first of each kind."""
    found: list[Qualified] = []
    for kind in kinds():
        verdicts = store.results(quantity=f"{kind}_verdict", bench=bench.bench, limit=MOST_RUNS)
        runs = [_run(store, kind, verdict) for verdict in verdicts]
        for number, (one, parts) in enumerate(runs):
            before = next(
                (there for other, there in runs[number + 1 :] if other.route == one.route), None
            )
            found.append(_with_changes(one, parts, before))
    return found


def _run(store: Store, kind: str, verdict: ResultRecord) -> tuple[Qualified, dict[str, str]]:
    records = [
        record
        for record in store.results(job_id=verdict.job_id, limit=MOST_RESULTS)
        if record.step == verdict.step and kind in quantity(record.result.quantity).given_by
        and not quantity(record.result.quantity).is_verdict
    ]  # fmt: skip
    names = sorted({record.result.quantity for record in records}, key=place)
    route, parts = _path(store, verdict)
    result = verdict.result
    return (
        Qualified(
            kind=kind,
            words=quantity_words(f"{kind}_verdict").removesuffix(" verdict"),
            job=verdict.job_id,
            recipe=verdict.recipe,
            at=verdict.reduced_at,
            route=route,
            verdict=JUDGED.get(result.value, CANNOT_TELL),
            note=result.note,
            flags=flag_words(result.flags),
            found=tuple(
                _found(_worst([r.result for r in records if r.result.quantity == name]))
                for name in names
            ),
            changed=(),
        ),
        parts,
    )


def _with_changes(
    one: Qualified, parts: dict[str, str], before: dict[str, str] | None
) -> Qualified:
    if before is None:
        return one
    names = [name for name in (*parts, *before) if parts.get(name) != before.get(name)]
    return replace(one, changed=tuple(dict.fromkeys(names)))


def _worst(results: Sequence[Result]) -> Result:
    """The worst of several values of one quantity, as the table of quantities says. Of a ratio that
    stands for a size, such as a directivity, that is the least."""
    known = [one for one in results if math.isfinite(one.value)] or list(results)
    row = quantity(known[0].quantity)
    if row.feeds is Feeds.SIZE or row.worst is Worst.LEAST:
        return min(known, key=lambda one: one.value)
    if row.worst is Worst.FARTHEST:
        return max(known, key=lambda one: abs(one.value))
    return max(known, key=lambda one: one.value)


def _found(result: Result) -> Found:
    return Found(
        quantity=result.quantity,
        words=quantity_words(result.quantity),
        value=result.value,
        unit=result.unit,
        low=result.low,
        high=result.high,
        text=result_text(result),
        where=where_words(result),
    )


def _path(store: Store, record: ResultRecord) -> tuple[str, dict[str, str]]:
    """Route and parts, by the hash of their description, of a result's first capture."""
    for capture_id in record.result.captures[:1]:
        for row in store.captures(job_id=record.job_id):
            if row.id == capture_id:
                return row.route, row.fixtures
    return "", {}
