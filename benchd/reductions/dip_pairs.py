"""Which dip of one antenna is compared with which of the other.

Two revisions with two dips each may have them in another order of depth: the deepest of the one is
then not the deepest of the other, and their distance says nothing of the revision. Dips belong
together by where they lie, not by how deep they are.
"""

from __future__ import annotations

import math
from dataclasses import replace

from benchd.known.archive import Archive
from benchd.reduce.resonance import ANOTHER_DIP
from benchd.results import Result, ResultRecord

NAMED = "resonance_frequency"
FURTHER = "further_resonance_frequency"

Pairs = list[tuple[ResultRecord, ResultRecord]]


def paired_dips(archive: Archive, first: ResultRecord, second: ResultRecord) -> Pairs:
    """Pairs of dips, that of the first's own resonance at the front, all as resonances.

    As many dips in both: in their order over frequency. Else each with the nearest of the other,
    the nearest pairs first, none twice.
    """
    ones, others = _all_dips(archive, first), _all_dips(archive, second)
    if len(ones) == len(others):
        pairs = list(zip(ones, others, strict=True))
    else:
        every = sorted(((one, other) for one in ones for other in others), key=_apart)
        pairs = []
        for one, other in every:
            if all(one is not a and other is not b for a, b in pairs):
                pairs.append((one, other))
    pairs.sort(key=lambda pair: pair[0].id != first.id)
    return pairs


def as_dips(
    result: Result,
    number: int,
    pair: tuple[ResultRecord, ResultRecord],
    named: tuple[ResultRecord, ResultRecord],
) -> Result:
    """The difference of one pair: of the resonance itself (number 0), or of further dips.

    `another-dip` where the two resonances that are named are no pair (their depths changed
    places, or one of them has no counterpart), or where either says so itself.
    """
    if number > 0:
        return replace(result, quantity=f"{FURTHER}_difference")
    doubt = any(ANOTHER_DIP in record.result.flags for record in named)
    is_other = [record.id for record in pair] != [record.id for record in named]
    return result.with_flags(ANOTHER_DIP) if doubt or is_other else result


def _all_dips(archive: Archive, named: ResultRecord) -> list[ResultRecord]:
    """The resonance and the further dips of the same reduction, by frequency."""
    others = [
        record
        for record in archive.results(quantity=FURTHER, job_id=named.job_id, bench=named.bench)
        if record.step == named.step and record.result.antenna == named.result.antenna
    ]
    alike = [replace(one, result=replace(one.result, quantity=NAMED)) for one in others]
    return sorted([named, *alike], key=lambda record: record.result.value)


def _apart(pair: tuple[ResultRecord, ResultRecord]) -> float:
    one, other = (record.result.value for record in pair)
    return abs(math.log(one / other))
