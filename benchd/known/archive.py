"""The few questions that reducing asks of stored data, as protocols.

The daemon's store fulfils them. Tests and studies fulfil them with objects in memory.
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
        """Words for what was unusual when it was taken, such as `near-noise`."""

    def load(self) -> Capture:
        """The whole capture."""


class Archive(Protocol):
    """All stored captures and results, newest first."""

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
        """Captures that match every given argument, newest first, at most `limit`."""

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
        """Results that match every given argument, newest reduction first."""
