"""Results made ready to be stored: checked, and written as the texts that the tables hold.

That is most of the work of storing a result, and needs no database. So the process that reduces
does it, and the daemon has only rows to write.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from benchd.results import ResultRecord
from benchd.store import codec
from benchd.store.messages import result_body
from benchd.store.readable_rows import sha256_of
from benchd.store.result_checks import checked_records
from benchd.wording import reading_number, reading_unit


@dataclass(frozen=True, slots=True)
class ReadyResult:
    """One result.

    row: its row in the table `results`. body: what subscribers learn of it, a `ResultBody` as JSON.
    text: value and interval for a person. number, unit: its value as a bare number, None where it
    has none, and the unit of that.
    """

    row: dict[str, Any]
    body: str
    text: str
    number: str | None
    unit: str

    @property
    def id(self) -> str:
        """The result's id."""
        return str(self.row["id"])


def made_ready(records: Sequence[ResultRecord]) -> list[ReadyResult]:
    """Raises ReductionRefused for a result that is no number."""
    return [_ready(record) for record in checked_records(records)]


def _ready(record: ResultRecord) -> ReadyResult:
    result, stored = record.result, codec.record_to_text(record)
    published = result_body(record)
    return ReadyResult(
        row={
            "id": record.id,
            "bench": record.bench,
            "job_id": record.job_id,
            "step": record.step,
            "quantity": result.quantity,
            "antenna": result.antenna,
            "reduced_at": record.reduced_at,
            "body": stored,
            "sha256": sha256_of(record.id, stored),
        },
        body=published.model_dump_json(),
        text=published.text,
        number=reading_number(result),
        unit=reading_unit(result.unit),
    )
