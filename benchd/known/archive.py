"""All that is asked of the store when captures are reduced. Anything that answers this will do.

The daemon's store does; tests and studies answer it from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Protocol

from benchd.results import ResultRecord
from benchd.traces import Capture, Role


class StoredCapture(Protocol):
    """A stored capture whose traces have not been read yet."""

    @property
    def id(self) -> str:
        """Its id."""

    @property
    def step(self) -> str:
        """Name of the worksheet's step that took it."""

    @property
    def route(self) -> str:
        """Route of the bench that it was taken on."""

    @property
    def taken_at(self) -> datetime:
        """When it was taken."""

    @property
    def flags(self) -> tuple[str, ...]:
        """What was odd about it."""

    def load(self) -> Capture:
        """The whole capture."""


class Archive(Protocol):
    """Captures and results of the benches so far, newest first."""

    def captures(
        self,
        *,
        bench: str | None = None,
        route: str | None = None,
        role: Role | None = None,
        antenna: str | None = None,
        job_id: str | None = None,
        limit: int | None = None,
    ) -> Sequence[StoredCapture]:
        """Captures to which all that is given applies, newest first, at most `limit`."""

    def capture(self, capture_id: str) -> Capture:
        """One capture. Raises UnknownId where there is none of that id."""

    def results(
        self,
        *,
        bench: str | None = None,
        job_id: str | None = None,
        quantity: str | None = None,
        antenna: str | None = None,
        limit: int | None = None,
    ) -> Sequence[ResultRecord]:
        """Results to which all that is given applies, newest reduction first."""
