"""One stored result as a story tells it: its value with interval, and all of it in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from benchd.results import Result, ResultRecord
from benchd.wording import flag_words, quantity_words, result_text, where_words


@dataclass(frozen=True, slots=True)
class Told:
    """One result as a story tells it.

    value, low, high: in `unit` (SI, dB or dBi); an end is None where there is none. text: with
    unit and interval. where: the frequency or band that it holds at, in words. flags: in words.
    result, job: ids. at: when it was reduced, UTC.
    """

    quantity: str
    words: str
    value: float
    unit: str
    low: float | None
    high: float | None
    text: str
    where: str
    frequency_hz: float | None
    flags: str
    note: str
    result: str
    job: str
    at: datetime


def told_of(record: ResultRecord, among: Sequence[Result]) -> Told:
    """A result in words. among: the results of its job, which know a dip's place best."""
    result = record.result
    return Told(
        quantity=result.quantity,
        words=quantity_words(result.quantity),
        value=result.value,
        unit=result.unit,
        low=result.low,
        high=result.high,
        text=result_text(result),
        where=where_words(result, among),
        frequency_hz=result.frequency_hz,
        flags=flag_words(result.flags),
        note=result.note,
        result=record.id,
        job=record.job_id,
        at=record.reduced_at,
    )
