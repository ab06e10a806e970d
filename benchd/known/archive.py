"""The few questions that reducing asks of stored data, as protocols.

The daemon's store fulfils them. Tests and studies fulfil them with objects in memory.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any, Protocol

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


class AskedOnce:
    """An archive for one reduction: what was asked before is not looked up again.

    A budget asks for the same qualification several times: for its size over the band, and for its
    curve.
    """

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._told: dict[Any, Any] = {}

    def captures(self, **asked: Any) -> Sequence[StoredCapture]:
        """As `Archive.captures`."""
        found: Sequence[StoredCapture] = self._once("captures", self._archive.captures, asked)
        return found

    def capture(self, capture_id: str) -> Capture:
        """As `Archive.capture`."""
        found: Capture = self._once("capture", self._archive.capture, {"capture_id": capture_id})
        return found

    def results(self, **asked: Any) -> Sequence[ResultRecord]:
        """As `Archive.results`."""
        found: Sequence[ResultRecord] = self._once("results", self._archive.results, asked)
        return found

    def _once(self, kind: str, ask: Callable[..., Any], asked: Mapping[str, Any]) -> Any:
        key = kind, tuple(sorted(asked.items()))
        if key not in self._told:
            self._told[key] = ask(**asked)
        return self._told[key]
