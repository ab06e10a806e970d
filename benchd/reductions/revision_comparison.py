"""`revision-comparison`: two stored results held against each other, their shared errors cancelled.

What two results share, by the source of their terms: the gain of one reference antenna and its
mismatch on one mount, the baseline of one pair of captures. The analyzer's scale is shared only
as far as both levels lie on the same part of it: results keep one source for it, and what the
two levels differ by comes back as a term of its own (`scale between the two`).
Two reflections over one coupler share its leak, its source match and their baseline: they are
compared from their stored captures by joint draws (`benchd.reduce.revisions`).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np

from benchd.errors import ReductionRefused
from benchd.known.captures import Sources
from benchd.reduce.compare import compare_results
from benchd.reduce.one_frequency import SCALE_STEP_DB
from benchd.reduce.revision_readings import Looked, Reading, at_frequency, of_band, of_dip
from benchd.reduce.revisions import Pair
from benchd.reduce.uncertainty import term
from benchd.reductions.dip_pairs import NAMED, as_dips, paired_dips
from benchd.reductions.looked_again import looked_again, over_one_coupler
from benchd.reductions.one_place import in_one_place
from benchd.reductions.outcome import Outcome
from benchd.results import Result, ResultRecord, Term
from benchd.store import UnknownId
from benchd.traces import Role
from benchd.worksheet import ReduceStep

SCALE = "linearity of "
JOINTLY = (
    "return_loss",
    "vswr",
    "reflection_magnitude",
    "mismatch_loss",
    "resonance_frequency",
    "loaded_q",
    "bandwidth",
    "bandwidth_low_edge",
    "bandwidth_high_edge",
)
"""Quantities of one reflection, which follow from its trace again under drawn errors."""

OF_A_DIP = ("resonance_frequency", "loaded_q")

SAME_HZ = 1e-9


def reduce_revision_comparison(sources: Sources, step: ReduceStep) -> Outcome:
    """`<quantity>_difference` wherever both have a result. Raises ReductionRefused."""
    options = step.options
    before = _started(sources)
    first = _newest(sources, step, str(options["first"]), options["first_job"], None, before)
    second = _newest(
        sources, step, str(options["second"]), options["second_job"], first[0].job_id, before
    )
    pairs = [(one, other) for one in first for other in second if _same_place(one, other)]
    of_dips = options["quantity"] == NAMED and len(pairs) == 1
    named = pairs[0] if of_dips else (first[0], second[0])
    if of_dips:
        pairs = paired_dips(sources.store, *named)
    if not pairs:
        raise ReductionRefused(
            f"{options['first']} and {options['second']} have no {options['quantity']} at the "
            "same frequency",
            where=step.label,
            advice="Measure both with the same recipe and parameters.",
        )
    results, refusals = [], []
    for number, (one, other) in enumerate(pairs):
        try:
            found = _compared(sources, one, other)
            results.append(as_dips(found, number, (one, other), named) if of_dips else found)
        except ReductionRefused as refusal:
            refusals.append(refusal)
    if not results:
        raise refusals[0]
    instruments = {**first[0].instruments, **second[0].instruments}
    return Outcome(results=tuple(results), instruments=instruments)


def _started(sources: Sources) -> datetime | None:
    """When the job began: results that came later were not there to be compared."""
    try:
        return sources.store.job(sources.job_id).started_at
    except UnknownId:
        return None


def _newest(
    sources: Sources,
    step: ReduceStep,
    antenna: str,
    job: str | None,
    not_job: str | None,
    before: datetime | None,
) -> list[ResultRecord]:
    """All results of the newest reduction of the quantity; of `job` where it is named.

    not_job: left out where the same antenna is compared with itself.
    """
    options = step.options
    same = options["first"] == options["second"]
    records = [
        record
        for record in sources.store.results(
            quantity=str(options["quantity"]),
            antenna=antenna,
            job_id=job,
            bench=sources.bench.bench,
        )
        if record.job_id == sources.job_id or before is None or record.reduced_at <= before
        if not (same and record.job_id == not_job)
    ]
    if not records:
        of = f" in {job}" if job else ""
        raise ReductionRefused(
            f'there is no stored {options["quantity"]} of "{antenna}"{of} to compare',
            where=step.label,
            advice="Measure it first; benchd results --antenna shows what there is.",
        )
    key = (records[0].job_id, records[0].step)
    return [record for record in records if (record.job_id, record.step) == key]


def _same_place(one: ResultRecord, other: ResultRecord) -> bool:
    """At the same frequency, over the same band, or both of no frequency (a resonance)."""
    first, second = one.result, other.result
    if first.quantity in OF_A_DIP:
        return True  # told at the frequency of the dip, which moves
    if first.frequency_hz is not None and second.frequency_hz is not None:
        return abs(first.frequency_hz - second.frequency_hz) <= SAME_HZ * first.frequency_hz
    if first.frequency_hz is not None or second.frequency_hz is not None:
        return False
    # A bandwidth's own edges differ between revisions: the band then is part of the result.
    return first.quantity.startswith("bandwidth") or first.band_hz == second.band_hz


SHARED_BY_MEASUREMENTS = (
    SCALE,
    "frequency reference",
    "gain of ",
    "left-over of ",
    "mismatch of ",
    "return loss of ",
    "place: ",
)
"""How sources begin whose error is one and the same in several measurements. All others hold
within one measurement only: the drift of one night is not that of the next."""


def own_errors(record: ResultRecord) -> Result:
    """The result with the sources of its own errors told apart from those of other jobs."""
    result = record.result
    if result.budget is None:
        return result
    tail = f" in {record.job_id} {record.step}"
    terms = tuple(
        line
        if not line.source or line.source.startswith(SHARED_BY_MEASUREMENTS)
        else replace(line, source=line.source + tail)
        for line in result.budget.terms
    )
    return replace(result, budget=replace(result.budget, terms=terms))


def _compared(sources: Sources, one: ResultRecord, other: ResultRecord) -> Result:
    found = _by_joint_draws(sources, one.result, other.result)
    if found is None:
        found = _by_budgets(sources, one, other)
    note = f"{found.note} {one.result.antenna} in {one.job_id} was the first."
    return replace(found, note=note, antenna=other.result.antenna)


def _by_joint_draws(sources: Sources, first: Result, second: Result) -> Result | None:
    """None for what is no reflection, and for reflections over two couplers."""
    if first.quantity not in JOINTLY or first.budget is None or second.budget is None:
        return None
    one, other = looked_again(sources, first), looked_again(sources, second)
    if one is None or other is None or not over_one_coupler(one, other):
        return None
    readings = _reading(first, one.looked), _reading(second, other.looked)
    return Pair(one.looked, other.looked).difference(first, second, readings)


def _reading(result: Result, looked: Looked) -> Reading:
    quantity, value = result.quantity, result.value
    if quantity in ("resonance_frequency", "loaded_q"):
        near_hz = value if quantity == "resonance_frequency" else result.frequency_hz
        assert near_hz is not None, "a Q is told with the frequency of its dip"
        return of_dip(quantity, looked, near_hz)
    if quantity.endswith(("_low_edge", "_high_edge")):
        side = "low" if quantity.endswith("_low_edge") else "high"
        return of_band(side, looked, (value, value))
    if result.band_hz is not None:
        return of_band("width", looked, result.band_hz)
    assert result.frequency_hz is not None, "a reflection is told at a frequency"
    return at_frequency(quantity, result.frequency_hz)


def _by_budgets(sources: Sources, one: ResultRecord, other: ResultRecord) -> Result:
    further = _scale(sources, one.result, other.result)
    together = in_one_place(sources, one, other)
    if together is not None:
        one, other = (
            replace(record, result=result)
            for record, result in zip((one, other), together, strict=True)
        )
    return compare_results(own_errors(one), own_errors(other), further=further)


def _scale(sources: Sources, first: Result, second: Result) -> tuple[Term, ...]:
    """What the analyzer's scale does between two levels, although each result calls it one."""
    lines = [
        line
        for result in (first, second)
        for line in (result.budget.terms if result.budget else ())
        if line.source.startswith(SCALE)
    ]
    # Two analyzers share no scale: nothing was cancelled, and nothing is to come back.
    if len(lines) < 2 or len({line.source for line in lines}) > 1:
        return ()
    apart_db = _levels_apart_db(sources, first, second)
    share = min(1.0, apart_db / SCALE_STEP_DB)
    worst = max(lines, key=lambda line: line.contribution)
    return (
        term(
            "scale between the two",
            worst.size * share,
            worst.unit,
            worst.distribution,
            sensitivity=worst.sensitivity,
            assumed=worst.assumed,
        ),
    )


def _levels_apart_db(sources: Sources, first: Result, second: Result) -> float:
    """Distance of the two test levels, dB; infinite where a capture is not there any more."""
    levels = [_level_dbm(sources, result) for result in (first, second)]
    if levels[0] is None or levels[1] is None:
        return float("inf")
    return abs(levels[1] - levels[0])


def _level_dbm(sources: Sources, result: Result) -> float | None:
    for capture_id in result.captures:
        try:
            capture = sources.store.capture(capture_id)
        except UnknownId:
            return None
        if capture.role is Role.TEST:
            level = np.real(capture.level.values).astype(float)
            if result.frequency_hz is None:
                return float(np.median(level))
            return float(np.interp(result.frequency_hz, capture.level.frequency_hz, level))
    return None
