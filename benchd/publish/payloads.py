"""All payloads of a bench, and their JSON Schemas (draft 2020-12).

What the outbox carries is defined where it is written, in `benchd.store.messages`; presence and
replies, which are never stored, are defined here.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from benchd.publish.order_models import ORDERS
from benchd.store.jobs import JobRow
from benchd.store.messages import (
    JobMessage,
    LatestMessage,
    Message,
    Moment,
    Plain,
    ResultMessage,
    TraceMessage,
    VerdictMessage,
    job_fields,
    plain,
)

__all__ = [
    "EpochMessage",
    "JobMessage",
    "LatestMessage",
    "Message",
    "PresenceMessage",
    "ReplyMessage",
    "ResultMessage",
    "RfMessage",
    "TraceMessage",
    "VerdictMessage",
    "job_summary",
    "schemas",
]

_DIALECT = "https://json-schema.org/draft/2020-12/schema"


class PresenceMessage(Message):
    """Whether the daemon is there. Topic `presence`, retained.

    reason: `started`; `stopped` by a person; `lost` where the broker says it for a daemon that
    went without a word, in which case `at` is when that daemon had connected.
    session: differs with every connection.
    epoch, epoch_first, sequence: which count of events it is, the first number of it, and the
        newest number that was published when this was said; for what these mean see `epoch`.
    """

    schema_: Literal["benchd.presence/1"] = Field(default="benchd.presence/1", alias="schema")
    state: Literal["online", "offline"]
    reason: Literal["started", "stopped", "lost"]
    at: Moment
    session: str
    version: str
    epoch: str | None = None
    epoch_first: int | None = None
    sequence: int | None = None


class EpochMessage(Message):
    """Which count of events it is. Topic `epoch`, retained; said again with every batch.

    epoch: its name. epoch_first: the first number that it gives; those below were given by the
    epochs before it. Whoever has read higher numbers of `before` (the epoch before it) forgets
    them: the database that gave them is gone.
    sequence: the highest number that was published. reason: why a new epoch began; empty for the
    first epoch of a database.
    """

    schema_: Literal["benchd.epoch/1"] = Field(default="benchd.epoch/1", alias="schema")
    epoch: str
    epoch_first: int = Field(ge=1)
    sequence: int = Field(ge=0)
    began_at: Moment
    before: str | None
    reason: str


class RfMessage(Message):
    """Whether RF is off, and who says so. Topic `rf`, retained.

    state: `off-verified`, where every source has answered that it is off; `on`, while a sweep may
    radiate; `not-verified`, where a source did not say that it is off: `message` says which and
    why, `advice` what to do. It is what a living daemon knows: where `presence` says `offline`,
    nobody knows more than what was true then.
    since: when the state began. at: when it was last asked for. sources: what it is about.
    """

    schema_: Literal["benchd.rf/1"] = Field(default="benchd.rf/1", alias="schema")
    state: Literal["off-verified", "not-verified", "on"]
    since: Moment
    at: Moment
    sources: tuple[str, ...]
    message: str
    advice: str


class ReplyMessage(Message):
    """The answer to an order. Topic `orders/reply`, and the response topic of an MQTT 5 order.

    order: the sender's own id of the order; null where it could not be read.
    job: the job as it now stands. replayed: how many events will be sent again.
    error: `family`, `where`, `message` and `advice`, for a person.
    """

    schema_: Literal["benchd.reply/1"] = Field(default="benchd.reply/1", alias="schema")
    at: Moment
    order: str | None
    verb: str | None
    ok: bool
    job: Plain | None = None
    replayed: int | None = None
    error: dict[str, str] | None = None


def job_summary(job: JobRow) -> dict[str, Any]:
    """A job as replies tell it."""
    return {
        **job_fields(job),
        "priority": job.priority,
        "expected_s": job.expected_s,
        "not_before": plain(job.not_before),
        "finish_by": plain(job.finish_by),
    }


_MESSAGES: tuple[type[Message], ...] = (
    EpochMessage,
    JobMessage,
    LatestMessage,
    PresenceMessage,
    ReplyMessage,
    ResultMessage,
    RfMessage,
    TraceMessage,
    VerdictMessage,
)


def schemas() -> dict[str, dict[str, Any]]:
    """JSON Schemas by the value of a payload's `schema` field, and `benchd.order/1` for orders."""
    found = {}
    for model in _MESSAGES:
        name = str(model.model_fields["schema_"].default)
        schema = model.model_json_schema(by_alias=True, mode="serialization")
        # The field `schema` has a default in our models, but it is always in the message.
        found[name] = {"$schema": _DIALECT, "$id": f"urn:{name.replace('/', ':')}", **schema}
    orders = ORDERS.json_schema(by_alias=True)
    found["benchd.order/1"] = {"$schema": _DIALECT, "$id": "urn:benchd.order:1", **orders}
    return found
