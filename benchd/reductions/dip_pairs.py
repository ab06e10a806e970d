"""Pairing the dips in the return loss of one antenna with those of another, for comparison.

Dips are paired by their frequencies and not by their depths. An antenna may have two dips, and the
deeper one may be the lower in one revision and the upper in the next. The distance between the
deepest dips would then tell nothing about the change.
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
    """Pairs of dips, all as results of the quantity resonance.

    The pair with the first antenna's resonance comes first. If both have the same number of dips,
    these are paired in order of frequency. Else the two nearest dips make a pair, then the nearest
    two of the rest, and so on; no dip is in two pairs.
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
    """The difference of one pair: of the resonance (number 0), or of a further dip.

    It is flagged `another-dip` if the two results' own resonances do not form a pair (another dip
    became the deepest, or a dip has no counterpart), or if one of the two has that flag already.
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
