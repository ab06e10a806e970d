"""A worksheet: a recipe resolved against one bench. Pure data, printable, hashed.

Every step is flattened, every quantity an SI number, every name resolved. The runner needs
nothing else to know what to do; a person needs nothing else to know what will happen.
"""

from __future__ import annotations

import hashlib
import json
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

Detector = Literal["rms", "log-average", "peak", "sample"]
Method = Literal["stepped", "hold", "tracking", "vector"]
OnInterrupt = Literal["resume", "restart", "fail"]
Unanswered = Literal["let-others-run", "skip", "give-up"]

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


class Refine(_Frozen):
    """Finer grid after the coarse one: `points` more, over `span_hz` around what `around` names."""

    around: Literal["resonance"]
    span_hz: float
    points: int


class SweepPlan(_Frozen):
    """One sweep, ready to run. The grid is `points` frequencies from start to stop, inclusive.

    rf: `off` only listens; the source stays off throughout.
    """

    method: Method
    start_hz: float
    stop_hz: float
    points: int
    level_dbm: float
    resolution_bandwidth_hz: float
    video_bandwidth_hz: float | None = None
    detector: Detector = "rms"
    dwell_s: float = 0.002
    average: int = 1
    sweep_time_s: float | None = None
    free_run_s: float | None = None
    reference_level_dbm: float | None = None
    attenuation_db: float | None = None
    refine: Refine | None = None
    rf: Literal["on", "off"] = "on"


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
    role: Literal["open", "short", "load", "thru", "empty", "reference", "test"]
    route: str
    position: str | None
    antenna: str | None
    sweep: SweepPlan
    switching: tuple[SwitchSetting, ...]
    source: str
    analyzer: str
    fixtures: dict[str, str]
    levels: tuple[LevelRow, ...]
    lid: Literal["closed", "open"] = "closed"


class RouteStep(_Step):
    """Switch a route, RF off, without measuring."""

    kind: Literal["route"] = "route"
    route: str
    position: str | None
    switching: tuple[SwitchSetting, ...]


class HandsStep(_Step):
    """Ask a person to do something; RF is off before the request is made.

    patience_s: how long the bench is held for it. then: what is done without an answer by then.
    """

    kind: Literal["hands"] = "hands"
    ask: str
    caution: str = ""
    patience_s: float = DEFAULT_PATIENCE_S
    then: Unanswered = "let-others-run"


class WaitStep(_Step):
    """Let things settle."""

    kind: Literal["wait"] = "wait"
    duration_s: float


class ReduceStep(_Step):
    """Turn captures into results. `captures` maps the reduction's inputs to capture names.

    baseline: role -> capture name of this worksheet, or "newest" for the newest stored capture
        of that role, route and grid on this bench that fits.
    options: the reduction's own settings, SI numbers.
    """

    kind: Literal["reduce"] = "reduce"
    reduction: str
    name: str
    captures: dict[str, str]
    baseline: dict[str, str] = Field(default_factory=dict)
    max_age_s: float | None = None
    interpolate: bool = False
    options: dict[str, Any] = Field(default_factory=dict)


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
    """All steps of one job."""

    schema_version: Literal[1] = 1
    recipe: str
    title: str
    recipe_hash: str
    bench: str
    bench_hash: str
    parameters: dict[str, Any]
    on_interrupt: OnInterrupt
    steps: tuple[Step, ...]
    cautions: tuple[str, ...]

    @property
    def expected_s(self) -> float:
        """Sum of the steps' expected times, seconds; a person's time is not counted."""
        return sum(step.expected_s for step in self.steps)

    @property
    def digest(self) -> str:
        """SHA-256 over the canonical JSON form, hexadecimal."""
        return digest_of(self.model_dump(mode="json"))


def digest_of(document: Any) -> str:
    """SHA-256 over the canonical JSON form of a worksheet's document, hexadecimal.

    A stored document keeps its digest when a later benchd gives worksheets more fields.
    """
    text = json.dumps(document, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()
