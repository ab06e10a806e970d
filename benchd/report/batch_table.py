"""One recipe over many antennas built alike: every value, and how far they are spread.

The spread is that of the values as they were measured: the sample standard deviation holds what the
antennas differ by and what each measurement strayed by. Errors that all of them share, such as
those of one coupler and one baseline, are not in it; each value's own interval holds them.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from benchd.quantities import Where, quantity
from benchd.reductions.limits import UNMEASURED
from benchd.results import Result, ResultRecord, Verdict
from benchd.rounding import (
    rounded_words,
    size_words,
)
from benchd.short_list import looked_for_first
from benchd.wording import flag_words, quantity_words, result_text, where_words

MOST_COLUMNS = 4
FAILED = frozenset({"fail", "fail-marginal", "absent"})


@dataclass(frozen=True)
class BatchJob:
    """One job of a batch. job: as the HTTP API gives it."""

    job: Mapping[str, Any]
    records: Sequence[ResultRecord] = ()
    verdicts: Sequence[Verdict] = ()


@dataclass(frozen=True, slots=True)
class Value:
    """What one antenna was found to be. text: with its interval. value: None where it was not
    measured, as `flags` say in words. outcome: of the limit on it, "" where there is none."""

    text: str
    value: float | None
    low: float | None
    high: float | None
    flags: str
    outcome: str


@dataclass(frozen=True, slots=True)
class Row:
    """One serial number, by the newest of its jobs. outcome: "pass", "fail", "cannot-tell", or ""
    where no limit was held against it. again: how many earlier jobs it had."""

    serial: str
    job: str
    state: str
    message: str
    outcome: str
    values: tuple[Value | None, ...]
    again: int


@dataclass(frozen=True, slots=True)
class Spread:
    """One column over all rows. Numbers in `unit`; None where too few were measured.

    deviation: sample standard deviation (n - 1). failed: limits not passed. not_told: rows without
    a measured value.
    """

    quantity: str
    words: str
    unit: str
    where: str
    measured: int
    not_told: int
    failed: int
    cannot_tell: int
    mean: float | None
    deviation: float | None
    least: float | None
    greatest: float | None
    text: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class BatchTable:
    """All of a batch. failed, passed, cannot_tell: rows by their outcome."""

    batch: str
    recipe: str
    antenna: str
    rows: tuple[Row, ...]
    spread: tuple[Spread, ...]
    passed: int
    failed: int
    cannot_tell: int


Key = tuple[str, str]


def batch_table(batch: str, jobs: Sequence[BatchJob], quantities: Sequence[str] = ()) -> BatchTable:
    """The table of a batch.

    jobs: oldest first, one at least. quantities: the columns; without any, what limits were held
    against, else what is looked for first.
    """
    by_serial: dict[str, list[BatchJob]] = {}
    for one in jobs:
        by_serial.setdefault(str(one.job["serial"]), []).append(one)
    newest = {serial: some[-1] for serial, some in by_serial.items()}
    keys = _columns(list(newest.values()), quantities)
    rows = tuple(_row(serial, by_serial[serial], keys) for serial in sorted(newest, key=_natural))
    outcomes = [row.outcome for row in rows]
    antennas = dict.fromkeys(
        record.result.antenna
        for one in jobs
        for record in one.records
        if record.result.antenna and "serial" in record.bindings
    )
    return BatchTable(
        batch=batch,
        recipe=str(jobs[0].job["recipe"]),
        antenna=", ".join(str(name) for name in antennas),
        rows=rows,
        spread=tuple(_spread(key, at, rows) for at, key in enumerate(keys)),
        passed=outcomes.count("pass"),
        failed=outcomes.count("fail"),
        cannot_tell=outcomes.count("cannot-tell"),
    )


def _columns(jobs: Sequence[BatchJob], quantities: Sequence[str]) -> list[Key]:
    """Quantity and place of each column, in the order in which they are first met."""
    found: dict[Key, None] = {}
    limited = {verdict.quantity for one in jobs for verdict in one.verdicts}
    for one in jobs:
        results = [record.result for record in one.records]
        shown = (
            [result for result in results if result.quantity in quantities]
            if quantities
            else [result for result in results if result.quantity in limited]
        )
        for result in shown or ([] if quantities else looked_for_first(results)):
            found[_key(result)] = None
    for name in (*quantities, *limited):
        if not any(key[0] == name for key in found):
            found[(name, "")] = None
    return list(found)[: None if quantities else MOST_COLUMNS]


def _key(result: Result) -> Key:
    """A dip and a band of its own lie elsewhere for each antenna: they make no column of theirs."""
    own = quantity(result.quantity).where in (Where.DIP, Where.OWN_BAND)
    return result.quantity, "" if own else where_words(result)


def _row(serial: str, jobs: Sequence[BatchJob], keys: Sequence[Key]) -> Row:
    newest = jobs[-1]
    outcomes = {_judged(verdict.outcome) for verdict in newest.verdicts}
    order = ("fail", "cannot-tell", "pass")
    return Row(
        serial=serial,
        job=str(newest.job["id"]),
        state=str(newest.job["state"]),
        message=str(newest.job.get("message") or ""),
        outcome=next((one for one in order if one in outcomes), ""),
        values=tuple(_value(newest, key) for key in keys),
        again=len(jobs) - 1,
    )


def _judged(outcome: str) -> str:
    if outcome in FAILED:
        return "fail"
    return "cannot-tell" if outcome == "cannot-tell" else "pass"


def _value(job: BatchJob, key: Key) -> Value | None:
    verdicts = [
        verdict
        for verdict in job.verdicts
        if verdict.quantity == key[0]
        and (verdict.result is None or _key(verdict.result) == key or not key[1])
    ]
    outcomes: list[str] = [one.outcome for one in verdicts]
    outcome = next((one for one in outcomes if one in FAILED), outcomes[0] if outcomes else "")
    result = next((r.result for r in job.records if _key(r.result) == key), None)
    if result is None:
        return Value("", None, None, None, "", outcome) if outcome else None
    measured = math.isfinite(result.value) and not UNMEASURED & set(result.flags)
    return Value(
        text=result_text(result),
        value=result.value if measured else None,
        low=result.low,
        high=result.high,
        flags=flag_words(flag for flag in result.flags if flag != "assumed-term"),
        outcome=outcome,
    )


def _spread(key: Key, at: int, rows: Sequence[Row]) -> Spread:
    told = [value for row in rows if (value := row.values[at]) is not None]
    numbers = [value.value for value in told if value.value is not None]
    unit = quantity(key[0]).unit
    mean = statistics.fmean(numbers) if numbers else None
    deviation = statistics.stdev(numbers) if len(numbers) > 1 else None
    least, greatest = (min(numbers), max(numbers)) if numbers else (None, None)
    return Spread(
        quantity=key[0],
        words=quantity_words(key[0]),
        unit=unit,
        where=key[1],
        measured=len(numbers),
        not_told=len(rows) - len(numbers),
        failed=sum(value.outcome in FAILED for value in told),
        cannot_tell=sum(value.outcome == "cannot-tell" for value in told),
        mean=mean,
        deviation=deviation,
        least=least,
        greatest=greatest,
        text=_texts(mean, deviation, least, greatest, unit),
    )


def _texts(
    mean: float | None,
    deviation: float | None,
    least: float | None,
    greatest: float | None,
    unit: str,
) -> dict[str, str]:
    """Mean, deviation, least and greatest in words, with the digits that the deviation leaves."""
    if mean is None or least is None or greatest is None:
        return {}
    size = deviation or 0.0
    ends = {
        "mean": rounded_words(mean, size, unit),
        "least": rounded_words(least, size, unit),
        "greatest": rounded_words(greatest, size, unit),
    }
    return ends if deviation is None else {**ends, "deviation": size_words(deviation, unit)}


def _natural(serial: str) -> tuple[tuple[int, int | str], ...]:
    """For sorting as people count: 9 before 10."""
    parts: list[str] = []
    for sign in serial:
        if parts and parts[-1].isdecimal() == sign.isdecimal():
            parts[-1] += sign
        else:
            parts.append(sign)
    return tuple((0, int(part)) if part.isdecimal() else (1, part) for part in parts)
