"""What a report is made from: the documents that the daemon gives, read into values."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Any

from benchd.report.plots import JobPlots
from benchd.results import Result, Verdict
from benchd.worksheet import Worksheet

Document = Mapping[str, Any]


@dataclass(frozen=True)
class JobPart:
    """One job of a report.

    job, captures, qualification: as the HTTP API gives them; captures are the job's own and those
        that its results rest on, oldest first, at most as many as a report lists.
    captures_total: how many there are. plots: results, curves and all else that is drawn.
    """

    job: Document
    worksheet: Worksheet
    plots: JobPlots
    verdicts: Sequence[Verdict] = ()
    captures: Sequence[Document] = ()
    captures_total: int = 0
    qualification: Sequence[Document] = ()

    @property
    def zone(self) -> tzinfo:
        """Of the bench."""
        return self.plots.zone

    @property
    def antennas(self) -> list[str]:
        """Whose results these are; without results, what the captures were taken of."""
        of_results = [r.result.antenna for r in self.plots.records if r.result.antenna]
        of_captures = [c["antenna"] for c in self.captures if c.get("antenna")]
        return list(dict.fromkeys(of_results or of_captures))


@dataclass(frozen=True)
class Paper:
    """A whole report.

    title: what it is of. kind: "job", "antenna", "night" or "batch". bench: its name. zone: of
    the bench. jobs: in the order of the report. listed: jobs that are named in the summary only.
    found: of jobs that are only listed, their results. tables: stand ahead of the jobs. versions:
    program -> version.
    """

    title: str
    kind: str
    bench: str
    zone: tzinfo
    jobs: Sequence[JobPart]
    about: str = ""
    listed: Sequence[Document] = ()
    found: Mapping[str, Sequence[Result]] = field(default_factory=dict)
    tables: Sequence[PaperTable] = ()
    versions: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class PaperTable:
    """A table that stands ahead of the jobs: an antenna's story, the values of a batch."""

    heading: str
    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    below: Sequence[str] = ()


def moment_of(text: str | None) -> datetime | None:
    """A moment as the API writes it."""
    return datetime.fromisoformat(text) if text else None
