"""A trim session as a story tells it: how many looks, what was taken off, where that led."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from benchd.engine.told import Told, told_of
from benchd.results import ResultRecord
from benchd.rounding import number_words, rounded_words, size_words
from benchd.wording import flag_words

SESSION = "trim-session"
RESONANCE = "resonance_frequency"
TRIM = "trim_per_arm"
REMOVED = "removed_length"
_LOOK = re.compile(r"look [0-9]{1,3}")


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


@dataclass(frozen=True, slots=True)
class LookTold:
    """One look of a session in a line. number: from 1. flags: in words."""

    number: int
    text: str
    flags: str


def looks_told(records: Iterable[ResultRecord]) -> tuple[list[LookTold], list[ResultRecord]]:
    """A line for each look of one session, the first look first, and the newest look's results."""
    looks = _by_look(records)
    numbers = {step: int(step.rsplit(" ", 1)[-1]) for step in looks if _LOOK.fullmatch(step)}
    steps = sorted(numbers, key=numbers.__getitem__)
    told = [_look_told(numbers[step], looks[step]) for step in steps]
    return told, list(looks[steps[-1]].values()) if steps else []


def _look_told(number: int, look: Mapping[str, ResultRecord]) -> LookTold:
    found, left = look.get(RESONANCE), look.get(TRIM)
    parts = ["no dip"]
    if found is not None and found.result.low is not None:
        parts = [f"dip {number_words(found.result.value, 'Hz', digits=4)}"]
    if left is not None:
        sure_m = left.result.expanded_uncertainty or 0.0
        size = rounded_words(abs(left.result.value), sure_m, "m")
        parts.append(f"{size} {'left' if left.result.value >= 0.0 else 'too short'}")
    flags = dict.fromkeys(
        flag for one in (found, left) if one is not None for flag in one.result.flags
    )
    return LookTold(number, f"Look {number}: {', '.join(parts)}", flag_words(tuple(flags)))


def _by_look(records: Iterable[ResultRecord]) -> dict[str, dict[str, ResultRecord]]:
    """Step -> quantity -> the result that counts.

    A look that was taken or reduced again has two sets of results: the newer counts.
    """
    looks: dict[str, dict[str, ResultRecord]] = {}
    for record in sorted(records, key=lambda one: one.reduced_at):
        looks.setdefault(record.step, {})[record.result.quantity] = record
    return looks


def _begun(story: TrimStory) -> datetime:
    return story.at


def _story(job: str, records: list[ResultRecord]) -> TrimStory:
    looks = _by_look(records)
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
