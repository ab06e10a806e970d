"""What the HTTP API asks of the engine, as a protocol.

The engine fulfils it without importing this room; a test fulfils it in memory.

Errors: every method may raise the families of `benchd.errors`. An id or a name that does not
exist is an error whose `family` is "not-found". Anything else that escapes is reported to the
client as a fault in benchd, without its text.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from benchd.curves import Curve
    from benchd.results import ResultRecord, Verdict
    from benchd.store import CaptureRow, JobRow
    from benchd.traces import Capture
    from benchd.worksheet import Worksheet

# The kinds of event and what `data` holds. Ids only: who wants the whole reads it by its id.
#
# job         job, state, message              a job changed its state
# step        job, step, steps, label          a step begins; `step` counts from 0
# progress    job, step, label, done, total, elapsed_s       within one step
# hands       job, step, ask, caution          a person is asked to do something
# capture     job, capture, role, route        a capture was committed
# result      job, result                      a result was committed
# verdict     job, quantity, outcome           a result was held against a limit
# link        message, attempt                 an instrument's link was lost and is tried again
# rf          off, message                     RF is off (true), or could not be verified (null)


class Event(Protocol):
    """One thing that happened. `sequence` rises by at least one from event to event."""

    @property
    def sequence(self) -> int: ...
    @property
    def kind(self) -> str: ...
    @property
    def data(self) -> Any: ...


class Desk(Protocol):
    """Where orders are handed in and the bench's state is read."""

    async def queue(
        self,
        recipe: str,
        arguments: Mapping[str, str],
        *,
        priority: int = 0,
        not_before: datetime | None = None,
        finish_by: datetime | None = None,
    ) -> JobRow:
        """Queue a recipe that the daemon knows by name."""
        ...

    async def queue_text(
        self,
        text: str,
        file: str,
        arguments: Mapping[str, str],
        *,
        priority: int = 0,
        not_before: datetime | None = None,
        finish_by: datetime | None = None,
    ) -> JobRow:
        """Queue a recipe given in full; `file` is only the name used in messages."""
        ...

    async def check(self, recipe: str, arguments: Mapping[str, str]) -> Worksheet:
        """Resolve a known recipe without queueing it."""
        ...

    async def check_text(self, text: str, file: str, arguments: Mapping[str, str]) -> Worksheet:
        """Resolve a recipe given in full without queueing it."""
        ...

    async def jobs(self, *, states: Sequence[str] | None = None, limit: int = 100) -> list[JobRow]:
        """Jobs, newest first."""
        ...

    async def job(self, job_id: str) -> JobRow: ...

    async def worksheet(self, job_id: str) -> Worksheet: ...

    async def withdraw(self, job_id: str) -> JobRow: ...

    async def ready(self, job_id: str, step: int | None = None) -> JobRow:
        """Answer the job's hands request. OrderRefused where it asks for none, or where `step`
        is given and is not that of the request."""
        ...

    async def reduce(self, job_id: str) -> list[ResultRecord]:
        """Reduce a finished job's stored captures again."""
        ...

    async def reduced_curves(self, job_id: str) -> list[Curve]:
        """The normalised curves behind a job's results."""
        ...

    async def bench(self) -> dict[str, Any]:
        """At least bench, title, timezone (IANA name), hash, files, antennas, read_at, trouble."""
        ...

    async def antennas(self) -> list[dict[str, Any]]:
        """One dict each: name, and what is stated of it."""
        ...

    async def add_antenna(
        self, name: str, start: str | None, changes: Mapping[str, str]
    ) -> dict[str, Any]:
        """Add an antenna to the register; `start` is the one that it is a revision of."""
        ...

    async def instruments(self, *, ask: bool = False) -> list[dict[str, Any]]:
        """One dict each: name, kind, driver, address, identity, state, message, answered_at, asked.

        ask: have each answer now, if no job is under way."""
        ...

    async def captures(
        self,
        *,
        job_id: str | None = None,
        route: str | None = None,
        role: str | None = None,
        antenna: str | None = None,
        limit: int = 100,
    ) -> list[CaptureRow]:
        """Captures without their traces, newest first."""
        ...

    async def capture(self, capture_id: str) -> Capture:
        """One capture with its traces."""
        ...

    async def results(
        self,
        *,
        job_id: str | None = None,
        quantity: str | None = None,
        antenna: str | None = None,
        limit: int = 1000,
    ) -> list[ResultRecord]: ...

    async def result(self, result_id: str) -> ResultRecord: ...

    async def verdicts(self, job_id: str) -> list[Verdict]: ...

    async def recipes(self) -> list[dict[str, Any]]:
        """One dict each: name, title, parameters."""
        ...

    def damage(self) -> list[str]:
        """Damaged rows of the store that lists leave out, one sentence each."""
        ...

    async def health(self) -> dict[str, Any]:
        """At least bench, version, state."""
        ...

    def events(self, after: int | None) -> AsyncIterator[Event]:
        """All events after sequence number `after` (None: from now on), as far as still held.

        Ends only where the watcher was too slow or the daemon stops; the client comes back with
        the last sequence number it saw.
        """
        ...
