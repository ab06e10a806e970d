"""JSON Schemas of what each command prints with `--json`: the contract with programs that read it.

They are made from the values and models that the daemon answers from, so that they cannot drift.
What may come is named: later versions may add keys, which readers must ignore; a key that is taken
away or changes its meaning makes a new number. JSON has no infinity and no NaN: where a number is
not finite, one of the strings "Infinity", "-Infinity" and "NaN" stands in its place.
"""

from __future__ import annotations

import dataclasses
from datetime import datetime
from typing import Annotated, Any, Literal, get_type_hints

from pydantic import BaseModel, Field, TypeAdapter, create_model

from benchd.engine.dialect_test import Tried
from benchd.engine.instrumentstate import InstrumentState
from benchd.engine.rehearsal import Planned
from benchd.engine.rfwatch import RfState
from benchd.engine.story import Story
from benchd.report.batch_table import BatchTable
from benchd.results import Result, ResultRecord, Verdict
from benchd.store import CaptureRow, JobRow
from benchd.worksheet import Worksheet

DIALECT = "https://json-schema.org/draft/2020-12/schema"
NOT_FINITE = ["Infinity", "-Infinity", "NaN"]
MADE_LATER = {"Job": ("serial", "batch")}
"""Keys that stand there only where they say something."""


def _from(name: str, value: type[Any], leave: tuple[str, ...] = (), **more: Any) -> type[BaseModel]:
    """A model with the fields of a dataclass, and more. leave: fields that are not told."""
    hints = get_type_hints(value, include_extras=True)
    fields: dict[str, Any] = {
        one.name: (hints[one.name], ...)
        for one in dataclasses.fields(value)
        if not one.name.startswith("_") and one.name not in leave
    }
    made: type[BaseModel] = create_model(name, __doc__=value.__doc__, **{**fields, **more})
    return made


Job: Any = _from(
    "Job", JobRow, progress=(Annotated[float, Field(ge=0.0, le=1.0, description="steps done")], ...)
)
CaptureDocument: Any = _from("Capture", CaptureRow, ("settings",), settings=(dict[str, Any], ...))
Instrument: Any = _from("Instrument", InstrumentState, asked=(bool, ...))
Difference: Any = _from(
    "Difference", Result, words=(str, ...), text=(str, ...), where=(str, ...), sure=(bool, ...),
    said=(Annotated[str, Field(pattern="^(differs|no difference shown|cannot tell)$")], ...),
)  # fmt: skip


class Ended(BaseModel):
    """A job that was watched, with what it has found."""

    job: Job
    results: list[ResultRecord]
    verdicts: list[Verdict]


class InstrumentTest(BaseModel):
    """What `instruments --test` found. rf_before, rf_after: how RF stood. message: why the test
    ended early; empty if it did not."""

    instrument: str
    kind: str
    driver: str
    address: str
    rf_before: str
    rf_after: str
    message: str
    commands: list[Tried]


class BenchAnswer(BaseModel):
    """Which files the bench was read from. trouble: why a change of them is not in force."""

    bench: str
    title: str
    timezone: str
    hash: str
    antennas: int
    files: list[str]
    read_at: str
    trouble: str


class AntennaAnswer(BaseModel):
    """What is stated of an antenna, in SI units, which are part of the keys."""

    name: str
    type: str | None
    design_frequency_hz: float
    span_hz: float


class AntennaAdded(AntennaAnswer):
    """file: of the register, where it stands now."""

    file: str


class RecipeAnswer(BaseModel):
    """error: why its file cannot be read; empty if it can."""

    name: str
    title: str
    about: str
    parameters: dict[str, dict[str, Any]]
    error: str


class BenchThread(BaseModel):
    """silent_s: for how long it has not been heard."""

    state: str
    silent_s: float


class QueueNow(BaseModel):
    """oldest_s: for how long the oldest job that may run has waited."""

    waiting: int
    may_run: int
    oldest_s: float | None


class InstrumentNow(BaseModel):
    """answered_at: when it last answered."""

    name: str
    state: str
    message: str
    answered_at: str | None


class HealthAnswer(BaseModel):
    """wake: why somebody must look now, in words; empty if nobody need."""

    version: str
    bench: str
    timezone: str
    bench_trouble: str
    running: str | None
    lost: list[str]
    store: str
    status: str
    wake: list[str]
    notes: list[str]
    rf: RfState
    bench_thread: BenchThread
    broker: dict[str, Any] | None
    outbox: dict[str, int | None]
    damaged: list[str]
    disk: dict[str, int | None]
    queue: QueueNow
    instruments: list[InstrumentNow]


class Refused(BaseModel):
    """A quantity that cannot be compared, and why."""

    quantity: str
    message: str


class Comparison(BaseModel):
    """Second less first. first_job, second_job: null for the newest result of the antenna."""

    first: str
    second: str
    first_job: str | None
    second_job: str | None
    differences: list[Difference]
    refused: list[Refused]


PlannedJob: Any = _from(
    "PlannedJob", Planned, job=(JobRow, ...), parameters=(dict[str, Any], ...),
    antennas=(list[str], ...),
)  # fmt: skip


class Line(BaseModel):
    """The queue, and when each waiting job would run. running: the job under way."""

    words: str
    ends_at: datetime | None
    missed: int
    running: str | None
    running_left_s: float | None
    jobs: list[PlannedJob]


class LookEnding(BaseModel):
    """Why a live look has ended."""

    reason: str
    message: str
    advice: str
    family: str
    where: str


class LookLine(BaseModel):
    """A line about the look: told at its start, when viewers or time change, and at its end.

    frequency_hz: the grid of all its sweeps. unit: of their values. tick: to tell back with
        the next "here".
    """

    kind: Literal["look", "ended"]
    state: str
    shown: str
    unit: str
    antenna: str | None
    route: str
    position: str | None
    wanted_hz: float | None
    level_dbm: float
    frequency_hz: list[float]
    viewers: int
    left_s: float
    for_s: float
    ending: LookEnding | None
    tick: int


class Peak(BaseModel):
    """The greatest value of a sweep."""

    frequency_hz: float
    value: float


class SweepLine(BaseModel):
    """One sweep of a live look. deviation_db, range_db: spread of the last `sweeps` sweeps.
    tick: as for the look."""

    kind: Literal["sweep"]
    number: int
    taken_at: Any
    values: list[float]
    sweeps: int
    deviation_db: list[float] | None
    range_db: list[float] | None
    peak: Peak
    flags: list[str]
    trouble: str
    tick: int


class KeptLine(BaseModel):
    """A sweep was kept as a capture."""

    kind: Literal["kept"]


ANSWERS: dict[str, Any] = {
    "check": Worksheet,
    "rehearse": Line,
    "move": Line,
    "queue": Job,
    "jobs": list[Job],
    "watch": list[Ended],
    "health": HealthAnswer,
    "instruments": list[Instrument] | list[InstrumentTest],
    "bench": BenchAnswer,
    "recipes": list[RecipeAnswer] | RecipeAnswer,
    "captures": list[CaptureDocument],
    "results": list[ResultRecord],
    "budget": ResultRecord,
    "reduce": list[ResultRecord],
    "history": Story,
    "compare": Comparison,
    "batch": list[Job] | BatchTable,
    "batch-table": BatchTable,
    "live": LookLine | SweepLine | KeptLine,
    "antenna list": list[AntennaAnswer],
    "antenna show": AntennaAnswer,
    "antenna add": AntennaAdded,
}
"""Command -> what it prints with `--json`. `queue --wait` prints what `watch` does; `recipes NAME`
one recipe; `instruments --test` what it found; `batch --wait` the table. `live` prints one such
document on each line."""


def json_schemas() -> dict[str, dict[str, Any]]:
    """JSON Schemas by "json-" and the command: `json-jobs`, `json-antenna-list`."""
    return {f"json-{name.replace(' ', '-')}": schema_of(name) for name in ANSWERS}


def schema_of(command: str) -> dict[str, Any]:
    """The schema of one command's output."""
    answer = ANSWERS[command]
    if command == "queue":
        answer = Job | list[Ended]
    schema = TypeAdapter(answer).json_schema(mode="serialization")
    made: dict[str, Any] = _as_printed(schema)
    for name, keys in MADE_LATER.items():
        for one in (made, made.get("$defs", {}).get(name, {})):
            if one.get("title") == name:
                one["required"] = [key for key in one["required"] if key not in keys]
    if command == "budget":
        _add_shares(made)
    _add_text(made.get("$defs", {}).get("Result"))
    title = f"benchd {command} --json"
    return {"$schema": DIALECT, "$id": f"urn:benchd.json:{command.replace(' ', '-')}:1", **made,
            "title": title}  # fmt: skip


def _add_text(result: dict[str, Any] | None) -> None:
    """Every result says its value and interval for a person."""
    if result is not None:
        about = 'value and interval for a person: "12.2 dB, 11.2 to 13.3 dB"'
        result["properties"]["text"] = {"type": "string", "description": about}
        result["required"].append("text")


def _add_shares(schema: dict[str, Any]) -> None:
    """`budget` tells each term's share of the variance, and what to improve first."""
    schema["properties"]["improve_first"] = {"type": "string"}
    schema["required"].append("improve_first")
    term = schema["$defs"]["Term"]
    term["properties"]["share"] = {"type": "number", "minimum": 0.0}
    term["required"].append("share")


def _as_printed(schema: Any) -> Any:
    """The same schema, with the three words beside numbers that may not be finite, and open to
    keys that a later version adds."""
    if isinstance(schema, list):
        return [_as_printed(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    found = {key: _as_printed(value) for key, value in schema.items()}
    if found.get("additionalProperties") is False:
        del found["additionalProperties"]
    if found.get("type") == "number":
        words = {key: found.pop(key) for key in ("title", "description", "default") if key in found}
        return {**words, "anyOf": [found, {"enum": NOT_FINITE}]}
    return found
