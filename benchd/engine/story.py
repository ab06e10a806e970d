"""An antenna's story: its revisions, what was changed, and what each was measured to be.

Nothing is worked out here. The register says which revisions there are and how their lengths
differ, the results and verdicts of stored jobs say the rest.
"""

from __future__ import annotations

import operator
import threading
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from benchd.bench import Antenna
from benchd.bench.family import Change, changes, families, family, stem
from benchd.engine.told import Told, told_of
from benchd.engine.trim_story import REMOVED, TrimStory, trim_stories
from benchd.quantities import DIFFERENCE, Where, of_antennas, quantity
from benchd.results import ResultRecord, Verdict
from benchd.rounding import number_words, size_words
from benchd.wording import quantity_words, result_text, verdict_words

MOST_RESULTS = 5000
MOST_RUNS = 200
MOST_TOLD = 2000  # runs that are kept in words, at some 3 KB each
TRIM = "trim_per_arm"


class Records(Protocol):
    """The store, as far as a story needs it."""

    def results(
        self,
        job_id: str | None = None,
        quantity: str | None = None,
        antenna: str | None = None,
        limit: int | None = None,
        *,
        bench: str | None = None,
    ) -> Sequence[ResultRecord]:
        """Results, newest reduction first."""

    def verdicts_of(self, job_ids: Sequence[str]) -> Mapping[str, Sequence[Verdict]]:
        """Verdicts of each of these jobs, oldest first."""

    def measured_antennas(self, bench: str) -> Sequence[str]:
        """Names of antennas that have results."""


@dataclass(frozen=True, slots=True)
class Run:
    """What one job has found of one revision: at most one value of each quantity."""

    job: str
    recipe: str
    at: datetime
    told: dict[str, Told]


@dataclass(frozen=True, slots=True)
class LimitMet:
    """How a revision stands against one limit, by the newest job that asked.

    passed: None where that cannot be told.
    """

    quantity: str
    words: str
    limit: str
    outcome: str
    outcome_words: str
    passed: bool | None
    text: str
    job: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Trimmed:
    """What the revision before was said to need off each arm, and what was taken off, m.

    Either may be None: it was not said, or the register does not state both lengths.
    """

    said: Told | None
    done_m: float | None
    text: str


@dataclass(frozen=True, slots=True)
class Revision:
    """One revision of an antenna.

    registered: whether the register still knows it. first_at, last_at: when it was first and last
    measured, UTC; None if it never was. newest: the newest value of each quantity. limits: how it
    stands against each limit. Both look back to the last trim session that took something off.
    sessions: its trim sessions, the oldest first. runs: all measurements, the newest first.
    """

    antenna: str
    revision: str
    registered: bool
    design_frequency_hz: float | None
    arm_m: float | None
    arms: int | None
    note: str
    changes: tuple[Change, ...]
    trimmed: Trimmed | None
    sessions: tuple[TrimStory, ...]
    first_at: datetime | None
    last_at: datetime | None
    newest: dict[str, Told]
    limits: tuple[LimitMet, ...]
    runs: tuple[Run, ...]


@dataclass(frozen=True, slots=True)
class Story:
    """All revisions of an antenna, the oldest first.

    name: what they have in common. antenna: the one that was asked for. quantities: those that
    any revision has, with their words and units, in their order.
    """

    name: str
    antenna: str
    quantities: tuple[dict[str, str], ...]
    revisions: tuple[Revision, ...]


class RunMemory:
    """The runs told last, so that no result is put into words twice.

    A run counts only for the very same results in memory, of which the store keeps those that were
    read lately. May be used by any thread.
    """

    def __init__(self, most: int = MOST_TOLD) -> None:
        self._most = most
        self._kept: dict[str, tuple[list[ResultRecord], float | None, Run]] = {}
        self._lock = threading.Lock()

    def run(self, job: str, of_job: list[ResultRecord], design_hz: float | None) -> Run:
        """What a job has found. of_job: its results of one antenna, newest first."""
        key = f"{job} {of_job[0].result.antenna}"
        with self._lock:
            kept = self._kept.pop(key, None)
        if kept is not None and kept[1] == design_hz and _are_the_same(kept[0], of_job):
            found = kept[2]
        else:
            found = _run(job, of_job, design_hz)
        with self._lock:
            self._kept[key] = (of_job, design_hz, found)
            while len(self._kept) > self._most:
                del self._kept[next(iter(self._kept))]
        return found


def _are_the_same(ones: Sequence[object], others: Sequence[object]) -> bool:
    return len(ones) == len(others) and all(map(operator.is_, ones, others))


def story_of(
    name: str,
    antennas: Mapping[str, Antenna],
    records: Records,
    *,
    bench: str,
    memory: RunMemory | None = None,
) -> Story:
    """The story of an antenna of this bench. It has no revisions where nothing is known of it.

    antennas: those of the register. bench: whose results count. memory: what was told before.
    """
    memory = memory or RunMemory()
    measured = records.measured_antennas(bench)
    if name not in antennas and name not in measured:
        return Story(name, name, (), ())
    revisions: list[Revision] = []
    for one in family(name, antennas, measured):
        revisions.append(_revision(one, revisions, antennas, records, bench, memory))
    known = {told for one in revisions for told in one.newest}
    heads = (
        {"name": told, "words": quantity_words(told), "unit": quantity(told).unit}
        for told in (row.name for row in of_antennas())
        if told in known
    )
    asked = antennas.get(name)
    called = stem(name, None if asked is None else asked.revision)
    return Story(called, name, tuple(heads), tuple(revisions))


def _revision(
    name: str,
    earlier: Sequence[Revision],
    antennas: Mapping[str, Antenna],
    records: Records,
    bench: str,
    memory: RunMemory,
) -> Revision:
    known = antennas.get(name)
    before = earlier[-1] if earlier else None
    results = records.results(antenna=name, bench=bench, limit=MOST_RESULTS)
    runs, sessions = _runs(results, known, memory), trim_stories(results)
    present = _since_last_cut(runs, sessions)
    newest: dict[str, Told] = {}
    for run in present:
        for quantity_name, told in run.told.items():
            newest.setdefault(quantity_name, told)
    newest.pop(REMOVED, None)  # of one look alone: `sessions` tell what was taken off in all
    changed = changes(antennas.get(before.antenna), known) if before is not None else ()
    head = stem(name, None if known is None else known.revision)
    ending = name.removeprefix(head).strip()
    return Revision(
        antenna=name,
        revision=(known.revision if known is not None else None) or ending or name,
        registered=known is not None,
        design_frequency_hz=None if known is None else known.design_frequency_hz,
        arm_m=None if known is None or known.trim is None else known.trim.arm_m,
        arms=None if known is None or known.trim is None else known.trim.arms,
        note="" if known is None else known.note or "",
        changes=changed,
        trimmed=_trimmed(before, changed),
        sessions=sessions,
        first_at=runs[-1].at if runs else None,
        last_at=runs[0].at if runs else None,
        newest=newest,
        limits=_limits(name, present, records),
        runs=tuple(runs[:MOST_RUNS]),
    )


def _since_last_cut(runs: Sequence[Run], sessions: Sequence[TrimStory]) -> Sequence[Run]:
    """The newest trim session that took something off, and what was measured after it.

    What was measured before tells of an antenna that is no more: beside the present resonance it
    would be a wrong number. runs: newest first.
    """
    cuts = {one.job for one in sessions if one.removed_m > 0.0 or not one.all_typed}
    for count, run in enumerate(runs, start=1):
        if run.job in cuts:
            return runs[:count]
    return runs


def _runs(records: Iterable[ResultRecord], known: Antenna | None, memory: RunMemory) -> list[Run]:
    """Results by job, newest first."""
    jobs: dict[str, list[ResultRecord]] = {}
    for record in records:
        if not record.result.quantity.endswith(DIFFERENCE):
            jobs.setdefault(record.job_id, []).append(record)
    design_hz = None if known is None else known.design_frequency_hz
    found = [memory.run(job, of_job, design_hz) for job, of_job in jobs.items()]
    return sorted(found, key=lambda run: run.at, reverse=True)


def _run(job: str, of_job: list[ResultRecord], design_hz: float | None) -> Run:
    told = {
        row.name: told_of(chosen, [one.result for one in of_job])
        for row in of_antennas()
        if (chosen := _nearest(of_job, row.name, design_hz)) is not None
    }
    return Run(job, of_job[0].recipe, max(one.reduced_at for one in of_job), told)


def _nearest(
    of_job: Iterable[ResultRecord], name: str, design_hz: float | None
) -> ResultRecord | None:
    """The job's result of a quantity; of several, the one nearest to the design frequency."""
    there = [one for one in of_job if one.result.quantity == name]
    if quantity(name).where is not Where.FREQUENCY or design_hz is None or not there:
        return there[0] if there else None

    def away_hz(record: ResultRecord) -> float:
        at_hz = record.result.frequency_hz
        return abs(at_hz - design_hz) if at_hz is not None else design_hz

    return min(there, key=away_hz)


def _limits(name: str, runs: Sequence[Run], records: Records) -> tuple[LimitMet, ...]:
    """Each limit once, as the newest job that asked for it found it."""
    found: dict[tuple[str, str], LimitMet] = {}
    looked_at = runs[:MOST_RUNS]
    verdicts = records.verdicts_of([run.job for run in looked_at])
    for run in looked_at:
        for verdict in verdicts[run.job]:
            if verdict.result is not None and verdict.result.antenna not in (name, None):
                continue
            found.setdefault((verdict.quantity, verdict.limit), _limit_met(verdict, run))
    return tuple(found.values())


def _limit_met(verdict: Verdict, run: Run) -> LimitMet:
    passed = {"pass": True, "pass-marginal": True, "cannot-tell": None}.get(verdict.outcome, False)
    return LimitMet(
        quantity=verdict.quantity,
        words=quantity_words(verdict.quantity),
        limit=verdict.limit,
        outcome=verdict.outcome,
        outcome_words=verdict_words(verdict),
        passed=passed,
        text="" if verdict.result is None else result_text(verdict.result),
        job=run.job,
        at=run.at,
    )


def _trimmed(before: Revision | None, changed: Sequence[Change]) -> Trimmed | None:
    """What was said and what was done between the revision before and this one."""
    said = None if before is None else _said_first(before)
    arm = next((one for one in changed if one.key == "arm_m"), None)
    done_m = None
    if arm is not None and isinstance(arm.before, float) and isinstance(arm.after, float):
        done_m = arm.before - arm.after
    if said is None and done_m is None:
        return None
    words = [f"said: {said.text} off each arm" if said else "nothing was said"]
    if done_m is None:
        words.append("the register does not state what was taken off")
    elif done_m >= 0.0:
        words.append(f"done: {size_words(done_m, 'm')} off")
    else:
        words.append(f"done: {size_words(-done_m, 'm')} put on")
    return Trimmed(said, done_m, "; ".join(words))


def _said_first(revision: Revision) -> Told | None:
    """What was said to take off before any of it was: the newest advice, or that of the first look
    of the newest trim session, whose later looks tell what is left."""
    newest = next((run.told[TRIM] for run in revision.runs if TRIM in run.told), None)
    session = revision.sessions[-1] if revision.sessions else None
    if session is None or newest is None or newest.job != session.job:
        return newest
    return session.said or newest


def overview(
    antennas: Mapping[str, Antenna], records: Records, *, bench: str
) -> list[dict[str, object]]:
    """Every antenna of the register and every measured one, by what its revisions have in common.

    One entry a family: its name, and its revisions with when each was last measured.
    """
    measured = records.measured_antennas(bench)
    found: list[dict[str, object]] = []
    for names in families(antennas, measured):
        known = antennas.get(names[-1])
        found.append({
            "name": stem(names[-1], known.revision if known is not None else None),
            "antennas": names,
            "measured": [one for one in names if one in measured],
            "design": "" if known is None else number_words(known.design_frequency_hz, "Hz"),
        })  # fmt: skip
    return found
