"""The jobs that ended last with what a person looks for first of their results, in words."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from benchd.engine.desk import BenchDesk
from benchd.engine.trim_story import SESSION, LookTold, looks_told
from benchd.jobstates import ENDED
from benchd.quantities import place
from benchd.results import ResultRecord, Verdict
from benchd.short_list import looked_for_first
from benchd.store import JobRow
from benchd.web.documents import encode
from benchd.wording import (
    flag_words,
    quantity_words,
    result_text,
    verdict_words,
    where_words,
)

LOOKED_THROUGH = 50
"""Jobs are listed by when they were queued; among so many the last that ended is looked for."""

_LONG_AGO = datetime.min.replace(tzinfo=UTC)


async def latest(desk: BenchDesk, jobs: int) -> list[dict[str, Any]]:
    """So many jobs, the last that ended first; see `_document`."""
    rows = await desk.jobs(states=ENDED, limit=LOOKED_THROUGH)
    rows = sorted(rows, key=lambda row: row.ended_at or _LONG_AGO, reverse=True)[:jobs]
    return [
        _document(row, await desk.results(job_id=row.id), await desk.verdicts(row.id))
        for row in rows
    ]


def _document(
    row: JobRow, records: Sequence[ResultRecord], verdicts: Sequence[Verdict]
) -> dict[str, Any]:
    """`results`: antenna, name, words, where, text, flags. `verdicts`: limit, outcome and words.

    of: how many results there are in all. looks: of a trim session, its looks in a line each;
        `results` are then those of the newest look.
    """
    every = [record.result for record in records]
    looks: list[LookTold] = []
    count = len(every)
    if row.recipe == SESSION:
        looks, newest = looks_told(records)
        every = [record.result for record in newest]
    first = sorted(looked_for_first(every), key=lambda result: place(result.quantity))
    return {
        "job": encode(row),
        "of": count,
        "looks": encode(looks),
        "results": [
            {
                "antenna": result.antenna,
                "quantity": result.quantity,
                "words": quantity_words(result.quantity),
                "where": where_words(result, every),
                "text": result_text(result),
                "flags": flag_words(result.flags),
                "note": result.note,
            }
            for result in first
        ],
        "verdicts": [
            {
                "words": quantity_words(one.quantity),
                "limit": one.limit,
                "outcome": one.outcome,
                "text": verdict_words(one),
            }
            for one in verdicts
        ],
    }
