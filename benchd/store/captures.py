"""Captures: what was recorded, bit for bit."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any
from zipfile import BadZipFile

from sqlalchemy import Connection, RowMapping, bindparam, insert, select

from benchd.errors import UnknownId
from benchd.store import codec
from benchd.store.errors import StoreDamaged
from benchd.store.readable_rows import Damage, checked, matching, one, readable, sha256_of
from benchd.store.schema import captures, traces
from benchd.sweeps import SweepAsRun
from benchd.traces import Capture, Form, Role, Trace

_DETAIL = ("settings", "fixtures", "instruments", "flags", "bindings", "readings")
_COLUMNS = (
    "id",
    "bench",
    "job_id",
    "step",
    "route",
    "position",
    "antenna",
    "taken_at",
    "recipe_hash",
    "worksheet_hash",
)
_ADD = insert(captures)
_ADD_TRACES = insert(traces)
_GET = select(captures).where(captures.c.id == bindparam("capture"))
_GET_TRACES = (
    select(traces).where(traces.c.capture_id == bindparam("capture")).order_by(traces.c.ordinal)
)


@dataclass(frozen=True, eq=False)
class CaptureRow:
    """A capture without its traces, which `load` reads. Fields as in `Capture`."""

    id: str
    bench: str
    job_id: str
    step: str
    role: Role
    route: str
    position: str | None
    antenna: str | None
    settings: SweepAsRun
    fixtures: dict[str, str]
    instruments: dict[str, str]
    taken_at: datetime
    recipe_hash: str
    worksheet_hash: str
    flags: tuple[str, ...]
    bindings: dict[str, Any]
    readings: dict[str, float]
    _read: Callable[[str], Capture] = field(repr=False)

    def load(self) -> Capture:
        """The whole capture. Raises StoreDamaged, or UnknownId if it does not exist any more."""
        return self._read(self.id)


def row_of(capture: Capture) -> dict[str, Any]:
    """The row of a capture, without its traces."""
    row = {name: getattr(capture, name) for name in _COLUMNS}
    detail = {name: getattr(capture, name) for name in _DETAIL}
    detail["settings"] = capture.settings.stated()
    values = {**row, "role": capture.role.value, "detail": codec.dumps(detail)}
    return {**values, "sha256": _checksum(values)}


def add(connection: Connection, capture: Capture) -> None:
    """Store a capture with all its traces."""
    connection.execute(_ADD, row_of(capture))
    rows = []
    for ordinal, trace in enumerate(capture.traces):
        data = trace.to_bytes()
        row = {
            "capture_id": capture.id,
            "ordinal": ordinal,
            "name": trace.name,
            "form": trace.form.value,
            "points": trace.along.values.size,
            "sha256": hashlib.sha256(data).hexdigest(),
            "data": data,
        }
        rows.append(row)
    if rows:
        connection.execute(_ADD_TRACES, rows)


def _checksum(row: Mapping[Any, Any]) -> str:
    """The checksum of everything except the traces, which have their own."""
    moment = row["taken_at"].astimezone(UTC).isoformat()
    texts = [row[name] for name in (*_COLUMNS, "role", "detail") if name != "taken_at"]
    return sha256_of(*texts, moment)


def _fields(row: RowMapping) -> dict[str, Any]:
    return one(_read_fields, row, f"capture {row['id']}")


def _read_fields(row: RowMapping) -> dict[str, Any]:
    checked(row["sha256"], _checksum(row), f"capture {row['id']}")
    fields = {name: value for name, value in row.items() if name != "sha256"}
    detail = codec.loads(fields.pop("detail"))
    missing = set(_DETAIL) - set(detail)
    if missing:
        raise ValueError(f"without {', '.join(sorted(missing))}")
    settings = SweepAsRun.model_validate(detail.pop("settings"))
    return {**fields, **detail, "settings": settings, "role": Role(fields["role"])}


def get(connection: Connection, capture_id: str) -> Capture:
    """Raises UnknownId, or StoreDamaged if a trace is not what was stored."""
    row = connection.execute(_GET, {"capture": capture_id}).mappings().first()
    if row is None:
        raise UnknownId(f"there is no capture {capture_id}.")
    found_traces = connection.execute(_GET_TRACES, {"capture": capture_id}).mappings()
    read = tuple(_trace(found) for found in found_traces)
    return Capture(**_fields(row), traces=read)


def _trace(row: RowMapping) -> Trace:
    where = f"capture {row['capture_id']}, trace {row['name']}"
    data = bytes(row["data"])
    if hashlib.sha256(data).hexdigest() != row["sha256"]:
        raise StoreDamaged("the stored bytes do not match their checksum.", where=where)
    try:
        return Trace.from_bytes(row["name"], Form(row["form"]), data)
    except (ValueError, KeyError, BadZipFile) as error:
        raise StoreDamaged(f"the stored bytes cannot be read: {error}.", where=where) from error


def listed(
    connection: Connection,
    read: Callable[[str], Capture],
    damage: Damage,
    *,
    bench: str | None,
    route: str | None,
    role: Role | None,
    antenna: str | None,
    job_id: str | None,
    limit: int | None,
) -> list[CaptureRow]:
    """Captures without traces, newest first."""
    query = select(captures)
    wanted = {
        captures.c.bench: bench,
        captures.c.route: route,
        captures.c.role: None if role is None else Role(role).value,
        captures.c.antenna: antenna,
        captures.c.job_id: job_id,
    }
    query = matching(query, wanted, captures.c.job_id)
    query = query.order_by(captures.c.taken_at.desc(), captures.c.id.desc()).limit(limit)

    def listed_row(row: RowMapping) -> CaptureRow:
        return CaptureRow(**_fields(row), _read=read)

    return readable(connection, captures, query, listed_row, damage)
