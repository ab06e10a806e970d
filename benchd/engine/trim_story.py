"""A trim session as a story tells it: how many looks, what was taken off, where that led."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from benchd.engine.told import Told, told_of
from benchd.results import ResultRecord
from benchd.rounding import number_words, size_words

SESSION = "trim-session"
RESONANCE = "resonance_frequency"
TRIM = "trim_per_arm"
REMOVED = "removed_length"


@dataclass(frozen=True, slots=True)
class TrimStory:
    """One trim session of an antenna.

    removed_m: off each arm in all, as it was typed in; `all_typed` is False where a length between
    two looks is not known, so that more may be off. said, left: what the first and the last look
    told to take off. resonances: of every look that had one, in order.
    """

    job: str
    at: datetime
    looks: int
    removed_m: float
    all_typed: bool
    said: Told | None
    left: Told | None
    resonances: tuple[Told, ...]
    text: str


def trim_stories(records: Iterable[ResultRecord]) -> tuple[TrimStory, ...]:
    """The trim sessions among the results of one antenna, the oldest first."""
    jobs: dict[str, list[ResultRecord]] = {}
    for record in records:
        if record.recipe == SESSION:
            jobs.setdefault(record.job_id, []).append(record)
    return tuple(sorted((_story(job, of_job) for job, of_job in jobs.items()), key=_begun))


def _begun(story: TrimStory) -> datetime:
    return story.at


def _story(job: str, records: list[ResultRecord]) -> TrimStory:
    looks: dict[str, dict[str, ResultRecord]] = {}
    # A look that was taken anew after a restart has two sets of results: the newer counts.
    for record in sorted(records, key=lambda one: one.reduced_at):
        looks.setdefault(record.step, {})[record.result.quantity] = record
    inner = [[one.result for one in look.values()] for look in looks.values()]
    told = [
        {name: told_of(record, among) for name, record in look.items()}
        for look, among in zip(looks.values(), inner, strict=True)
    ]
    resonances = tuple(one[RESONANCE] for one in told if RESONANCE in one)
    removed = [one[REMOVED].value for one in told if REMOVED in one]
    advice = [one[TRIM] for one in told if TRIM in one]
    all_typed = len(removed) == len(told) - 1
    return TrimStory(
        job=job,
        at=min(record.reduced_at for record in records),
        looks=len(told),
        removed_m=sum(removed),
        all_typed=all_typed,
        said=advice[0] if advice else None,
        left=advice[-1] if advice else None,
        resonances=resonances,
        text=_words(len(told), sum(removed), all_typed, resonances),
    )


def _words(looks: int, removed_m: float, all_typed: bool, resonances: tuple[Told, ...]) -> str:
    count = "one look" if looks == 1 else f"{looks} looks"
    off = "" if looks == 1 else f", {size_words(removed_m, 'm')} off each arm"
    if not all_typed:
        off += " and what was not typed in"
    if not resonances:
        return f"{count}{off}; no resonance was seen"
    first, last = (
        number_words(one.value, "Hz", digits=4) for one in (resonances[0], resonances[-1])
    )
    if len(resonances) == 1:
        return f"{count}{off}; resonance at {first}"
    return f"{count}{off}; resonance from {first} to {last}"
