"""What subscribers read: the JSON payloads that the outbox holds.

They are written in the transaction that stores what they tell of, so they live here and not in
the publishing room. Events (`job`, `result`, `verdict`, `trace`) are numbered: `sequence` counts
1, 2, 3, ... over all events of the bench without a gap, `previous` is the number of the event
before it in the same stream, for those who subscribe to one stream only, `epoch` names the
count, `epoch_first` the first number that it gave (numbers below are of earlier epochs; see
`benchd.store.epochs`), and `id` is epoch and number together. `latest` is a state, not an event:
it carries the number of the newest event it rests on. `reading` is a state too, but a bare number.
JSON has no infinity or NaN: null stands for a number that is not finite.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import datetime
from itertools import pairwise
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer, WithJsonSchema

from benchd.jobstates import JobState
from benchd.moments import utc_text
from benchd.results import Outcome, Result, ResultRecord, Verdict
from benchd.store.jobs import JobRow
from benchd.traces import Capture, Form, Trace
from benchd.units import FREQUENCY
from benchd.wording import result_text


def _finite(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def plain(value: Any) -> Any:
    """Any stored value as plain JSON: tuples as lists, times as text, what JSON lacks as null."""
    match value:
        case np.generic():
            return plain(value.item())
        case dict():
            return {str(key): plain(item) for key, item in value.items()}
        case list() | tuple():
            return [plain(item) for item in value]
        case datetime():
            return utc_text(value)
        case complex():
            return [plain(value.real), plain(value.imag)]
        case None | bool() | int() | str() | float():
            return _finite(value)
    return str(value)


Moment = Annotated[datetime, PlainSerializer(utc_text, return_type=str)]
Number = Annotated[float | None, BeforeValidator(_finite)]
Plain = Annotated[dict[str, Any], BeforeValidator(plain)]


class Message(BaseModel):
    """Base of all payloads. Readers must ignore fields that they do not know."""

    model_config = ConfigDict(frozen=True, populate_by_name=True, extra="ignore")

    bench: str

    def to_json(self) -> str:
        """The payload."""
        return self.model_dump_json(by_alias=True)


class Event(Message):
    """Fields of every numbered message."""

    id: str
    epoch: str
    epoch_first: int = Field(default=1, ge=1)
    sequence: int = Field(ge=1)
    previous: int = Field(ge=0)
    at: Moment


# Written where it is used: readers of the schema need not follow a reference for it.
_STATE = {"enum": [state.value for state in JobState], "title": "State", "type": "string"}


def _seldom(schema: dict[str, Any]) -> None:
    """Mark in a schema what is left out of the payloads of most jobs."""
    schema["required"] = [name for name in schema["required"] if name not in ("serial", "batch")]


class JobMessage(Event):
    """A job changed its state or began another step. Topic `job/<id>`.

    serial: serial number of its antenna, if it was queued for one; batch: what such jobs have in
    common. Other jobs go without both.
    """

    model_config = ConfigDict(**Message.model_config, json_schema_extra=_seldom)

    schema_: Literal["benchd.job/1"] = Field(default="benchd.job/1", alias="schema")
    job: str
    recipe: str
    title: str
    state: Annotated[JobState, WithJsonSchema(_STATE)]
    step_index: int
    steps_total: int
    message: str
    error: Plain | None
    hands: Plain | None
    serial: str | None = None
    batch: str | None = None

    def to_json(self) -> str:
        """The payload; without serial and batch where the job has none."""
        own = {name for name in ("serial", "batch") if getattr(self, name) is None}
        return self.model_dump_json(by_alias=True, exclude=own)


class PlaceBody(BaseModel):
    """One value of an axis: "frequency" in Hz, "angle" in deg, "time" in s."""

    model_config = ConfigDict(frozen=True)

    name: str
    unit: str
    value: float


class ResultBody(BaseModel):
    """One result with its provenance. Units are SI or dB.

    place: where it holds along the axis of its trace, whichever axis that is; `frequency_hz` says
    the same of frequency alone.

    text: value and interval for a person, in a unit of fitting size and with the digits that the
    uncertainty leaves: "12.2 dB, 11.2 to 13.3 dB". Empty only in messages of older versions.
    """

    model_config = ConfigDict(frozen=True)

    result: str
    job: str
    step: str
    recipe: str
    recipe_hash: str
    worksheet_hash: str
    instruments: dict[str, str]
    reduced_at: Moment
    bindings: Plain
    quantity: str
    value: Number
    unit: str
    expanded_uncertainty: Number
    coverage_factor: Number
    low: Number
    high: Number
    frequency_hz: Number
    band_hz: tuple[Number, Number] | None
    antenna: str | None
    flags: tuple[str, ...]
    captures: tuple[str, ...]
    note: str
    text: str = ""
    place: PlaceBody | None = None


class ResultHead(Event):
    """What a ResultMessage has beside its ResultBody."""

    schema_: Literal["benchd.result/1"] = Field(default="benchd.result/1", alias="schema")

    def with_body(self, body: str) -> str:
        """The payload of a ResultMessage. body: the ResultBody as JSON."""
        return f"{self.to_json()[:-1]},{body[1:]}"


class ResultMessage(ResultHead, ResultBody):
    """One result. Topic `result`."""

    model_config = Message.model_config


class VerdictMessage(Event):
    """One acceptance limit held against one result. Topic `verdict`."""

    schema_: Literal["benchd.verdict/1"] = Field(default="benchd.verdict/1", alias="schema")
    job: str
    step: str
    quantity: str
    outcome: Outcome
    margin: Number
    limit: str
    value: Number
    unit: str | None
    antenna: str | None
    frequency_hz: Number
    place: PlaceBody | None = None


class AxisBody(BaseModel):
    """What a trace runs over where that is not frequency."""

    model_config = ConfigDict(frozen=True)

    name: str
    unit: str
    values: list[float]


class TraceMessage(Event):
    """A recorded trace, thinned out for drawing. Topic `trace/<capture>`.

    frequency_hz: empty where the trace runs over something else, which `axis` then holds.
    values: dBm or dB by `form`; for `ratio_complex` the real parts, with `values_imaginary`.
    """

    schema_: Literal["benchd.trace/1"] = Field(default="benchd.trace/1", alias="schema")
    job: str
    capture: str
    step: str
    role: str
    route: str
    position: str | None
    antenna: str | None
    name: str
    form: Literal["level_dbm", "ratio_db", "ratio_complex"]
    points_recorded: int
    frequency_hz: list[float]
    values: list[Number]
    values_imaginary: list[Number] | None
    axis: AxisBody | None = None


class LatestHead(Message):
    """What a LatestMessage has beside its results."""

    schema_: Literal["benchd.latest/1"] = Field(default="benchd.latest/1", alias="schema")
    epoch: str
    sequence: int
    at: Moment
    antenna: str
    quantity: str
    text: str = ""
    reading: Number = None
    reading_unit: str = ""

    def with_results(self, bodies: Iterable[str]) -> str:
        """The payload of a LatestMessage. bodies: its results as JSON."""
        return f'{self.to_json()[:-1]},"results":[{",".join(bodies)}]}}'


class LatestMessage(LatestHead):
    """The newest results of one quantity of one antenna. Topic `latest/<antenna>/<quantity>`.

    Retained: a subscriber gets it at once. `results` holds more than one entry where the
    quantity was reduced at several frequencies.
    text: the first of them for a person. reading: the first of them as a bare number in the unit
    `reading_unit`, as the topic `reading/<antenna>/<quantity>/<unit>` holds it; null where there
    is none.
    """

    results: tuple[ResultBody, ...]


def job_fields(job: JobRow) -> dict[str, Any]:
    """The fields of a JobMessage beyond those of Event."""
    return {
        "job": job.id,
        "recipe": job.recipe,
        "title": job.title,
        "state": job.state,
        "step_index": job.step_index,
        "steps_total": job.steps_total,
        "message": job.message,
        "error": job.error,
        "hands": job.hands,
        **({} if job.serial is None else {"serial": job.serial}),
        **({} if job.batch is None else {"batch": job.batch}),
    }


def result_body(record: ResultRecord) -> ResultBody:
    """What subscribers learn of a result. The budget is left out: ask the HTTP API for it."""
    result = record.result
    return ResultBody(
        result=record.id,
        job=record.job_id,
        step=record.step,
        recipe=record.recipe,
        recipe_hash=record.recipe_hash,
        worksheet_hash=record.worksheet_hash,
        instruments=record.instruments,
        reduced_at=record.reduced_at,
        bindings=record.bindings,
        quantity=result.quantity,
        value=result.value,
        unit=result.unit,
        expanded_uncertainty=result.expanded_uncertainty,
        coverage_factor=result.coverage_factor,
        low=result.low,
        high=result.high,
        frequency_hz=result.frequency_hz,
        band_hz=result.band_hz,
        antenna=result.antenna,
        flags=result.flags,
        captures=result.captures,
        note=result.note,
        text=result_text(result),
        place=_place(result),
    )


def _place(result: Result) -> PlaceBody | None:
    at = result.along
    return None if at is None else PlaceBody(name=at.name, unit=at.unit, value=at.value)


def verdict_fields(job_id: str, step: str, verdict: Verdict) -> dict[str, Any]:
    """The fields of a VerdictMessage beyond those of Event."""
    result = verdict.result
    return {
        "job": job_id,
        "step": step,
        "quantity": verdict.quantity,
        "outcome": verdict.outcome,
        "margin": verdict.margin,
        "limit": verdict.limit,
        "value": None if result is None else result.value,
        "unit": None if result is None else result.unit,
        "antenna": None if result is None else result.antenna,
        "frequency_hz": None if result is None else result.frequency_hz,
        "place": None if result is None else _place(result),
    }


def thinned(trace: Trace, most_points: int) -> np.ndarray[Any, np.dtype[np.intp]]:
    """Indices to draw a trace from: at most `most_points` (at least 2), in rising order.

    Each stretch of points keeps its lowest and its highest value, so that a narrow notch is
    still seen; complex traces keep every n-th point.
    """
    count = trace.along.values.size
    if count <= most_points:
        return np.arange(count)
    if trace.form is Form.RATIO_COMPLEX:
        return np.unique(np.linspace(0, count - 1, most_points).round().astype(np.intp))
    edges = np.linspace(0, count, most_points // 2 + 1).astype(np.intp)
    keep = [
        start + pick(trace.values[start:stop])
        for start, stop in pairwise(edges)
        for pick in (np.argmin, np.argmax)
    ]
    return np.unique(np.asarray(keep, dtype=np.intp))


def trace_fields(capture: Capture, most_points: int) -> dict[str, Any]:
    """The fields of a TraceMessage of the capture's first trace, beyond those of Event."""
    trace = capture.level
    index = thinned(trace, most_points)
    values = trace.values[index]
    is_complex = trace.form is Form.RATIO_COMPLEX
    along = trace.along.values[index].tolist()
    is_frequency = trace.along.name == FREQUENCY
    axis = {"name": trace.along.name, "unit": trace.along.unit, "values": along}
    return {
        "job": capture.job_id,
        "capture": capture.id,
        "step": capture.step,
        "role": capture.role.value,
        "route": capture.route,
        "position": capture.position,
        "antenna": capture.antenna,
        "name": trace.name,
        "form": trace.form.value,
        "points_recorded": int(trace.along.values.size),
        "frequency_hz": along if is_frequency else [],
        "values": values.real.tolist(),
        "values_imaginary": values.imag.tolist() if is_complex else None,
        "axis": None if is_frequency else axis,
    }
