"""`revision-comparison`: the difference of two results, without the errors that both share.

Two reflections over one coupler share its leak, its source match and their baseline. They are
compared from their stored captures, by random draws in which these errors are the same for both
(`benchd.reduce.revisions`). All others are compared by their budgets (`shared_errors`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from typing import Literal

from pydantic import Field

from benchd.errors import ReductionRefused
from benchd.files.fields import Label, Name
from benchd.known.captures import BenchKnowledge, JobCaptures
from benchd.quantities import Compared, Where, compared, quantity
from benchd.reduce.revision_readings import Looked, Reading, at_frequency, of_band, of_dip, of_worst
from benchd.reduce.revisions import Pair
from benchd.reductions.base import Finding, Reduction, View
from benchd.reductions.cuts import last_cut
from benchd.reductions.dip_pairs import NAMED, as_dips, paired_dips
from benchd.reductions.outcome import Outcome
from benchd.reductions.registry import reduction
from benchd.reductions.shared_errors import by_budgets
from benchd.reductions.stored_reflection import looked_again, over_one_coupler
from benchd.results import Result, ResultRecord

SAME_HZ = 1e-9


class RevisionComparison(Reduction):
    """Second minus first, with what it would have taken to see a difference.

    The newest results of each antenna are taken, from before this job or from this job itself, and
    none from before its last cut in a trim session; of one antenna, those of two jobs.
    """

    kind: Literal["revision-comparison"] = Field(description="revision-comparison")
    quantity: Name = Field(description="quantity to compare, such as realised_gain")
    first: Label = Field(description="antenna, or revision, that stands for before")
    second: Label = Field(description="antenna, or revision, that stands for after")
    first_job: Label | None = Field(None, description="job of the first, without it the newest")
    second_job: Label | None = Field(None, description="job of the second, without it the newest")

    def check(self, view: View) -> Iterator[Finding]:
        """Check that the quantity can be compared, and that two antennas of the bench are named, or
        one antenna in two jobs."""
        names = [row.name for row in compared()]
        if self.quantity not in names:
            yield ("quantity",), f'"{self.quantity}" is not one of: {", ".join(names)}'
        for key in ("first", "second"):
            name = getattr(self, key)
            if name not in view.bench.antennas:
                known = ", ".join(view.bench.antennas)
                yield (key,), f'the bench has no antenna "{name}", it has: {known}'
        if self.first == self.second and self.first_job is None:
            text = f'both are "{self.first}"; name the job of the first (first_job)'
            yield ("first",), text


@reduction(RevisionComparison)
def reduce_revision_comparison(
    settings: RevisionComparison, captures: JobCaptures, known: BenchKnowledge
) -> Outcome:
    """`<quantity>_difference` at each place where both antennas have a result.

    Raises ReductionRefused.
    """
    newest = partial(_newest, settings, captures, known)
    first = newest(settings.first, settings.first_job, None)
    second = newest(settings.second, settings.second_job, first[0].job_id)
    pairs = [(one, other) for one in first for other in second if _same_place(one, other)]
    of_dips = settings.quantity == NAMED and len(pairs) == 1
    named = pairs[0] if of_dips else (first[0], second[0])
    if of_dips:
        pairs = paired_dips(known.archive, *named)
    if not pairs:
        raise ReductionRefused(
            f"{settings.first} and {settings.second} have no {settings.quantity} at the "
            "same frequency",
            where=captures.step,
            advice="Measure both with the same recipe and parameters.",
        )
    results, refusals = [], []
    for number, (one, other) in enumerate(pairs):
        try:
            found = _compared(known, one, other)
            results.append(as_dips(found, number, (one, other), named) if of_dips else found)
        except ReductionRefused as refusal:
            refusals.append(refusal)
    if not results:
        raise refusals[0]
    instruments = {**first[0].instruments, **second[0].instruments}
    return Outcome(results=tuple(results), instruments=instruments)


def _newest(
    settings: RevisionComparison,
    captures: JobCaptures,
    known: BenchKnowledge,
    antenna: str,
    job: str | None,
    not_job: str | None,
) -> list[ResultRecord]:
    """All results of the newest reduction of the quantity.

    job: only results of this job, if one is named. not_job: a job whose results are left out when
    an antenna is compared with itself. Results that were made after the job had begun are left
    out, except its own: so reducing again later compares the same results.
    """
    same, before = settings.first == settings.second, captures.began_at
    records = [
        record
        for record in known.archive.results(
            quantity=settings.quantity,
            antenna=antenna,
            job_id=job,
            bench=known.bench.bench,
        )
        if record.job_id == captures.job_id or before is None or record.reduced_at <= before
        if not (same and record.job_id == not_job)
    ]
    if not records:
        of = f" in {job}" if job else ""
        raise ReductionRefused(
            f'there is no stored {settings.quantity} of "{antenna}"{of} to compare',
            where=captures.step,
            advice="Measure it first; benchd results --antenna shows what there is.",
        )
    if job is None:
        records = _as_it_is_now(records, captures, known, antenna)
    key = (records[0].job_id, records[0].step)
    return [record for record in records if (record.job_id, record.step) == key]


def _as_it_is_now(
    records: list[ResultRecord], captures: JobCaptures, known: BenchKnowledge, antenna: str
) -> list[ResultRecord]:
    """Without what was measured before the antenna was last cut: else one quantity would tell of
    the cut antenna and the next of the uncut one. Raises ReductionRefused if nothing is left."""
    bench = known.bench.bench
    cut = last_cut(known.archive, bench, antenna, told_before=captures.began_at)
    if cut is None:
        return records
    left = [record for record in records if not cut.is_after(record)]
    if not left:
        raise ReductionRefused(
            f'"{antenna}" was cut in {cut.job} after this was measured',
            where=captures.step,
            advice="Measure it again, or name the job from before: benchd compare JOB ...",
        )
    return left


def _same_place(one: ResultRecord, other: ResultRecord) -> bool:
    """Whether two results hold at the same frequency or over the same band, or have neither (as a
    resonance has)."""
    first, second = one.result, other.result
    where = quantity(first.quantity).where
    if first.place != second.place:
        return False
    if where is Where.DIP:
        return True  # it holds at the frequency of its dip, which differs between revisions
    if first.frequency_hz is not None and second.frequency_hz is not None:
        return abs(first.frequency_hz - second.frequency_hz) <= SAME_HZ * first.frequency_hz
    if first.frequency_hz is not None or second.frequency_hz is not None:
        return False
    # The edges of a bandwidth are part of its result and may differ between revisions.
    return where is Where.OWN_BAND or first.band_hz == second.band_hz


def _compared(known: BenchKnowledge, one: ResultRecord, other: ResultRecord) -> Result:
    found = _by_joint_draws(known, one.result, other.result)
    if found is None:
        found = by_budgets(known, one, other)
    note = f"{found.note} {one.result.antenna} in {one.job_id} was the first."
    return replace(found, note=note, antenna=other.result.antenna)


def _by_joint_draws(known: BenchKnowledge, first: Result, second: Result) -> Result | None:
    """The difference by joint draws; None unless both are reflections over the same coupler."""
    jointly = quantity(first.quantity).compared is Compared.JOINTLY
    if not jointly or first.budget is None or second.budget is None:
        return None
    one, other = looked_again(known, first), looked_again(known, second)
    if one is None or other is None or not over_one_coupler(one, other):
        return None
    readings = _reading(first, one.looked), _reading(second, other.looked)
    return Pair(one.looked, other.looked).difference(first, second, readings)


def _reading(result: Result, looked: Looked) -> Reading:
    name, value = result.quantity, result.value
    if quantity(name).where is Where.DIP:
        near_hz = value if result.unit == "Hz" else result.frequency_hz
        assert near_hz is not None, "a Q is told with the frequency of its dip"
        return of_dip(name, looked, near_hz)
    if name.startswith("worst_"):
        assert result.band_hz is not None, "a worst value is told over a band"
        return of_worst(name, result.band_hz)
    if name.endswith(("_low_edge", "_high_edge")):
        side = "low" if name.endswith("_low_edge") else "high"
        return of_band(side, looked, (value, value))
    if result.band_hz is not None:
        return of_band("width", looked, result.band_hz)
    assert result.frequency_hz is not None, "a reflection is told at a frequency"
    return at_frequency(name, result.frequency_hz)
