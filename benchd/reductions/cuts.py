"""When an antenna was last cut, as its trim sessions tell, and what was measured before that.

What was measured before a cut describes an antenna that no longer is: beside what was measured
after it, it would tell of two antennas under one name.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from benchd.known.archive import Archive
from benchd.results import ResultRecord

REMOVED = "removed_length"


@dataclass(frozen=True, slots=True)
class LastCut:
    """at: when the first look after it was taken. job: the trim session.

    taken_at: when each capture of the antenna was taken, by its id.
    """

    at: datetime
    job: str
    taken_at: dict[str, datetime]

    def is_after(self, record: ResultRecord) -> bool:
        """Whether a result rests on a capture of the antenna as it was before the cut."""
        times = (self.taken_at.get(one) for one in record.result.captures)
        return any(at is not None and at < self.at for at in times)


def last_cut(
    archive: Archive, bench: str, antenna: str, *, told_before: datetime | None
) -> LastCut | None:
    """The last cut of an antenna whose length was typed in; None if there is none.

    told_before: looks that were reduced later are left out; None takes all.
    """
    looks: Sequence[ResultRecord] = [
        one
        for one in archive.results(bench=bench, quantity=REMOVED, antenna=antenna)
        if one.result.value > 0.0 and (told_before is None or one.reduced_at <= told_before)
    ]
    if not looks:
        return None
    taken_at = {one.id: one.taken_at for one in archive.captures(bench=bench, antenna=antenna)}
    cuts = [
        (taken_at[capture], look.job_id)
        for look in looks
        for capture in look.result.captures
        if capture in taken_at
    ]
    if not cuts:
        return None
    at, job = max(cuts)
    return LastCut(at, job, taken_at)
