"""A worksheet: a recipe resolved against one bench. Pure data, printable, hashed.

Every step is flattened, every quantity an SI number, every name resolved. The runner needs
nothing else to know what to do; a person needs nothing else to know what will happen.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    PrivateAttr,
    SerializeAsAny,
    field_validator,
    model_validator,
)

from benchd.sweeps import Lid, SweepPlan
from benchd.traces import Role

OnInterrupt = Literal["resume", "restart", "fail"]
Unanswered = Literal["let-others-run", "skip", "give-up"]
TRIM_SESSION = "trim-session"
"""Name of the recipe that a trim session is written as."""

LookStart = Literal["button", "lid"]

NEWEST = "newest"
"""In place of a capture's name: the newest stored one that fits."""

DEFAULT_PATIENCE_S = 1800.0
"""How long the bench is held for a hands request whose recipe says nothing: long enough to fit a
part, short enough that a forgotten request costs a night half an hour and no more."""


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class LevelRow(_Frozen):
    """The worst-case level where it enters one element of a route.

    limit_dbm: the largest permitted input; None where the bench file does not say, or says that
        it is unknown.
    """

    element: str
    level_dbm: float
    limit_dbm: float | None

    @property
    def margin_db(self) -> float | None:
        """Room to the limit, dB; None where no limit is known."""
        return None if self.limit_dbm is None else self.limit_dbm - self.level_dbm


class SwitchSetting(_Frozen):
    """Channels of one switch to close, in order."""

    instrument: str
    channels: tuple[int, ...]


class _Step(_Frozen):
    index: int
    label: str
    line: int = 0
    bindings: dict[str, Any] = Field(default_factory=dict)
    expected_s: float = 0.0
    cautions: tuple[str, ...] = ()


class CaptureStep(_Step):
    """Switch the route, run the sweep, store the capture under `name`.

    lid: how the lid must stand while RF is on, where the box has a contact that tells.
    """

    kind: Literal["capture"] = "capture"
    name: str
    role: Role
    route: str
    position: str | None
    antenna: str | None
    sweep: SweepPlan
    switching: tuple[SwitchSetting, ...]
    source: str
    analyzer: str
    fixtures: dict[str, str]
    levels: tuple[LevelRow, ...]
    lid: Lid = "closed"


class RouteStep(_Step):
    """Switch a route, RF off, without measuring."""

    kind: Literal["route"] = "route"
    route: str
    position: str | None
    switching: tuple[SwitchSetting, ...]


class HandsStep(_Step):
    """Ask a person to do something; RF is off before the request is made.

    patience_s: how long the bench is held for it. then: what is done without an answer by then.
    look: the request comes before a look of a trim session. It may be answered with a length taken
        off, and the session may be stopped. `button`: only an answer starts the look; `lid`:
        closing the lid does too. None: a request of another kind.
    """

    kind: Literal["hands"] = "hands"
    ask: str
    caution: str = ""
    patience_s: float = DEFAULT_PATIENCE_S
    then: Unanswered = "let-others-run"
    look: LookStart | None = None


class WaitStep(_Step):
    """Let things settle."""

    kind: Literal["wait"] = "wait"
    duration_s: float


@dataclass(frozen=True, slots=True)
class BaselineInput:
    """One capture that a reduction normalises against.

    name: of a capture of the same worksheet, or NEWEST. is_closing: taken after the capture that
        is normalised; with the opening one of the same role it brackets it in time.
    """

    role: Literal["open", "short", "thru"]
    name: str
    is_closing: bool = False


class ReductionSettings(BaseModel):
    """What one reduction is to do, SI numbers. Every kind has a model of its own.

    The models stand in `benchd.reductions`, which enters them in `SETTINGS_MODELS`.
    """

    model_config = ConfigDict(frozen=True)

    kind: str

    def inputs(self) -> dict[str, tuple[str, ...]]:
        """Key of the recipe -> names of captures of the same worksheet."""
        return {}

    def baselines(self) -> tuple[BaselineInput, ...]:
        """What it normalises against."""
        return ()

    @property
    def oldest_s(self) -> float | None:
        """Greatest age of a stored baseline, seconds; None where the recipe does not say."""
        return None

    @property
    def reported_hz(self) -> tuple[float, ...]:
        """Frequencies that the recipe asks results at."""
        return ()

    @classmethod
    def from_stored(cls, document: dict[str, Any]) -> Self:
        """From the JSON form that `model_dump` gives."""
        return cls.model_validate(document)

    @classmethod
    def from_first_form(cls, step: dict[str, Any]) -> Self:
        """From a reduce step of the first form, with `options` and numbered keys."""
        return cls.model_validate(step["options"] | {"kind": step["reduction"]})


class UnknownSettings(ReductionSettings):
    """Settings of a kind that is not installed here: kept as they are, so that its job is read."""

    model_config = ConfigDict(frozen=True, extra="allow")


SETTINGS_MODELS: dict[str, type[ReductionSettings]] = {}
"""Kind of reduction -> model of its settings. Filled when `benchd.reductions` is imported."""


def _model_of(kind: Any) -> type[ReductionSettings]:
    return SETTINGS_MODELS.get(str(kind), UnknownSettings)


class ReduceStep(_Step):
    """Turn captures into results, as the settings of one kind of reduction say."""

    kind: Literal["reduce"] = "reduce"
    name: str
    settings: SerializeAsAny[ReductionSettings]

    @field_validator("settings", mode="before")
    @classmethod
    def _by_kind(cls, value: Any) -> Any:
        if isinstance(value, dict):
            return _model_of(value.get("kind")).from_stored(value)
        return value

    @property
    def needed_captures(self) -> frozenset[str]:
        """Names of the captures of this worksheet that it cannot do without."""
        inputs = {name for names in self.settings.inputs().values() for name in names}
        return frozenset(inputs | {one.name for one in self.settings.baselines()} - {NEWEST})


class Limit(_Frozen):
    """One acceptance limit. `least` and `most` are in the unit of the result."""

    quantity: str
    least: float | None = None
    most: float | None = None
    at_hz: float | None = None
    reduction: str | None = None


class AcceptStep(_Step):
    """Hold results of this job against limits."""

    kind: Literal["accept"] = "accept"
    limits: tuple[Limit, ...]


Step = Annotated[
    CaptureStep | RouteStep | HandsStep | WaitStep | ReduceStep | AcceptStep,
    Field(discriminator="kind"),
]


class Worksheet(_Frozen):
    """All steps of one job.

    Documents of the first form (`schema_version` 1), as older databases hold them, are read too.
    """

    schema_version: Literal[2] = 2
    recipe: str
    title: str
    recipe_hash: str
    bench: str
    bench_hash: str
    parameters: dict[str, Any]
    on_interrupt: OnInterrupt
    steps: tuple[Step, ...]
    cautions: tuple[str, ...]
    _stored_digest: str | None = PrivateAttr(None)

    @model_validator(mode="before")
    @classmethod
    def _second_form(cls, data: Any) -> Any:
        if not isinstance(data, dict) or data.get("schema_version") != 1:
            return data
        steps = [_second_form_of(step) for step in data["steps"]]
        return {**data, "schema_version": 2, "steps": steps}

    @classmethod
    def from_document(cls, document: dict[str, Any]) -> Self:
        """From a stored or received document; it keeps the digest that the document has."""
        found = cls.model_validate(document)
        stored = digest_of(document)
        if found.digest != stored:
            found._stored_digest = stored
            del found.digest  # the one worked out for the comparison
        return found

    @property
    def expected_s(self) -> float:
        """Sum of the steps' expected times, seconds; a person's time is not counted."""
        return sum(step.expected_s for step in self.steps)

    @property
    def is_trim_session(self) -> bool:
        """Whether the job is a row of looks between which somebody trims."""
        return any(isinstance(step, HandsStep) and step.look is not None for step in self.steps)

    @cached_property
    def digest(self) -> str:
        """SHA-256 over the canonical JSON form, hexadecimal; of the document that it was read from
        where that has another form.

        Worked out once: every capture names it, and it takes as long as storing one.
        """
        return self._stored_digest or digest_of(self.model_dump(mode="json"))

    def model_copy(self, *, update: Mapping[str, Any] | None = None, deep: bool = False) -> Self:
        """A copy with other values in some fields, and so with a digest of its own."""
        copied = super().model_copy(update=update, deep=deep)
        if update:
            copied._stored_digest = None
            copied.__dict__.pop("digest", None)
        return copied


FIRST_FORM_ONLY = ("reduction", "captures", "baseline", "max_age_s", "interpolate", "options")


def _second_form_of(step: Any) -> Any:
    """A step of a worksheet of the first form as it is written today."""
    if not isinstance(step, dict) or step.get("kind") != "reduce":
        return step
    settings = _model_of(step["reduction"]).from_first_form(step)
    kept = {key: value for key, value in step.items() if key not in FIRST_FORM_ONLY}
    return {**kept, "settings": settings}


def digest_of(document: Any) -> str:
    """SHA-256 over the canonical JSON form of a worksheet's document, hexadecimal.

    A stored document keeps its digest when a later benchd gives worksheets more fields.
    """
    text = json.dumps(document, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()
