"""Orders as strangers may send them: one JSON object with a `verb` and an `order` id.

{"verb": "queue", "order": "a1", "recipe": "return-loss", "arguments": {"antenna": "dipole"}}
{"verb": "withdraw", "order": "a2", "job": "job-..."}
{"verb": "ready", "order": "a3", "job": "job-...", "step": 4}
{"verb": "ready", "order": "a5", "job": "job-...", "step": 7, "removed_mm": 0.4}
{"verb": "stop", "order": "a6", "job": "job-..."}
{"verb": "replay", "order": "a4", "from_sequence": 17, "to_sequence": 40}
"""

from __future__ import annotations

import difflib
import json
from typing import Annotated, Any, Literal

from pydantic import (
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    TypeAdapter,
    ValidationError,
    model_validator,
)
from pydantic_core import from_json

from benchd.errors import OrderRefused
from benchd.job_request import BATCH_FORM, SERIAL_FORM, JobRequest
from benchd.untrusted import plain_moment, plain_whole

LARGEST_ORDER_BYTES = 64 * 1024

OrderId = Annotated[str, StringConstraints(min_length=1, max_length=64)]
JobId = Annotated[str, StringConstraints(min_length=1, max_length=40)]
# A name, never a path: recipes are looked up, not opened.
RecipeName = Annotated[
    str, StringConstraints(min_length=1, max_length=100, pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._-]*$")
]
ArgumentName = Annotated[str, StringConstraints(min_length=1, max_length=100)]
ArgumentText = Annotated[str, StringConstraints(max_length=1000)]
Serial = Annotated[str, StringConstraints(pattern=rf"^{SERIAL_FORM}$", max_length=40)]
Batch = Annotated[str, StringConstraints(pattern=rf"^{BATCH_FORM}$")]
PlainWhole = BeforeValidator(plain_whole)
Moment = Annotated[AwareDatetime, BeforeValidator(plain_moment)]
Sequence = Annotated[int, PlainWhole, Field(ge=1, le=2**53)]


class _Order(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    order: OrderId


class QueueOrder(_Order):
    """Queue a recipe by its name. Times need their zone.

    serial: serial number of the antenna; the job asks for that one by hand. batch: a name that
    jobs over several serial numbers have in common.
    """

    verb: Literal["queue"]
    recipe: RecipeName
    arguments: dict[ArgumentName, ArgumentText] = Field(default_factory=dict, max_length=100)
    priority: Annotated[int, PlainWhole] = Field(default=0, ge=-100, le=100)
    not_before: Moment | None = None
    finish_by: Moment | None = None
    serial: Serial | None = None
    batch: Batch | None = None

    @property
    def request(self) -> JobRequest:
        """When the job may run."""
        return JobRequest(self.priority, self.not_before, self.finish_by, self.serial, self.batch)


class WithdrawOrder(_Order):
    """Stop a job for good."""

    verb: Literal["withdraw"]
    job: JobId


class ReadyOrder(_Order):
    """Answer a job's hands request: what it asked for in that step has been done.

    Without `step` whatever it asks for now is answered, but no look of a trim session.
    `removed_mm`: before a look of a trim session, what was taken off each arm since the look
    before.
    """

    verb: Literal["ready"]
    job: JobId
    step: Annotated[int, PlainWhole] | None = Field(default=None, ge=0)
    removed_mm: float | None = Field(
        default=None, ge=0.0, le=1000.0, strict=True, allow_inf_nan=False
    )

    @property
    def removed_m(self) -> float | None:
        """In metres."""
        return None if self.removed_mm is None else self.removed_mm * 1e-3


class StopOrder(_Order):
    """End a trim session as done; its looks are kept."""

    verb: Literal["stop"]
    job: JobId


class ReplayOrder(_Order):
    """Have events sent again, both ends included; without an end, up to the newest."""

    verb: Literal["replay"]
    from_sequence: Sequence
    to_sequence: Sequence | None = None

    @model_validator(mode="after")
    def _rises(self) -> ReplayOrder:
        if self.to_sequence is not None and self.to_sequence < self.from_sequence:
            raise ValueError("to_sequence lies before from_sequence")
        return self


Order = Annotated[
    QueueOrder | WithdrawOrder | ReadyOrder | StopOrder | ReplayOrder, Field(discriminator="verb")
]
ORDERS: TypeAdapter[Order] = TypeAdapter(Order)
VERBS = ("queue", "ready", "replay", "stop", "withdraw")


def peek(payload: bytes) -> tuple[str | None, str | None]:
    """Order id and verb of a payload, as far as they can be told. Never raises."""
    if len(payload) > LARGEST_ORDER_BYTES:
        return None, None
    try:
        value = from_json(payload)
    except ValueError:
        return None, None
    if not isinstance(value, dict):
        return None, None
    found = [value.get("order"), value.get("verb")]
    order, verb = (one if isinstance(one, str) and 0 < len(one) <= 64 else None for one in found)
    return order, verb


def parse_order(payload: bytes) -> Order:
    """Read one order. Raises OrderRefused, saying everything that is wrong with it."""
    if len(payload) > LARGEST_ORDER_BYTES:
        raise OrderRefused(
            f"the order has {len(payload)} bytes; at most {LARGEST_ORDER_BYTES} are read."
        )
    try:
        return ORDERS.validate_json(payload)
    except ValidationError as error:
        raise OrderRefused(
            "; ".join(_sentence(one) for one in error.errors(include_url=False)) + ".",
            advice="" if "verb" in str(error) else "See the JSON Schema benchd.order/1.",
        ) from error


def _sentence(error: Any) -> str:
    where = ".".join(str(part) for part in error["loc"] if part not in VERBS)
    match error["type"]:
        case "json_invalid":
            return f"the order is not JSON: {error['ctx']['error']}"
        case "union_tag_not_found":
            return f"the order has no `verb`; known verbs: {', '.join(VERBS)}"
        case "union_tag_invalid":
            return _unknown_verb(str(error["ctx"]["tag"]))
        case "model_attributes_type" | "dict_type" | "model_type":
            return "the order must be one JSON object"
        case "missing":
            return f"`{where}` is missing"
        case "extra_forbidden":
            return f"`{where}` is not a field of this order"
        case "value_error":
            return str(error["ctx"]["error"])
    found = json.dumps(error["input"], default=str)
    shown = found if len(found) <= 60 else f"{found[:60]}..."
    return f"`{where}`: {error['msg'][:1].lower()}{error['msg'][1:]}, found {shown}"


def _unknown_verb(verb: str) -> str:
    close = difflib.get_close_matches(verb, VERBS, n=1)
    hint = f"; did you mean `{close[0]}`?" if close else ""
    return f"unknown verb `{verb[:64]}`{hint} (known verbs: {', '.join(VERBS)})"
