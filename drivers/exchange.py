"""One message to an instrument and how its reply is read; batches and procedures of them.

Everything here is plain data: a driver builds exchanges, a player carries them out.

A procedure is a generator. It yields a batch (a tuple of exchanges) and is sent the list of
their values, one per exchange in order, None where no reply is expected. It yields a `Series` of
batches and is sent a list of such lists. It yields a `Pause`, a `Progress` or a `Meanwhile` and is
sent an empty list. What it returns is the procedure's result.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Any, TypeAlias, TypeVar

from drivers.errors import BadReply, UnexpectedReply

T = TypeVar("T")


class Reply(Enum):
    """What an instrument sends back for a message."""

    NONE = "none"
    TEXT = "text"
    BLOCK = "block"


def as_received(reply: Any) -> Any:
    """The reply unchanged: text without its terminator, or the bytes of a block."""
    return reply


@dataclass(frozen=True, slots=True)
class Exchange:
    """One program message and its reply.

    instrument: name in the bench file.
    message: SCPI text without terminator; may be a `;` compound with at most one query.
    reply: what comes back.
    parse: turns the reply (str for TEXT, bytes for BLOCK) into a value; raises UnexpectedReply.
    timeout_s: longest wait for the reply, s; None for the link's own.
    radiates: switches RF on or moves something, so that it is never sent twice.
    block_bytes: the exact payload size of a BLOCK reply, if it is known. A block that announces
        more is refused before it is read. A block of indefinite length ends after so many bytes.
    """

    instrument: str
    message: str
    reply: Reply = Reply.NONE
    parse: Callable[[Any], Any] = as_received
    timeout_s: float | None = None
    radiates: bool = False
    block_bytes: int | None = None

    def value(self, reply: str | bytes) -> Any:
        """The parsed reply. Raises BadReply naming instrument and command."""
        try:
            return self.parse(reply)
        except UnexpectedReply as error:
            raise self.bad_reply(error) from error

    def bad_reply(self, error: UnexpectedReply) -> BadReply:
        """The error for a person, made from the error of a parser or of the framing."""
        return BadReply(
            self.instrument, f"expected {error.expected}, found {error.found}", self.message
        )


@dataclass(frozen=True, slots=True)
class Pause:
    """A wait on the bench thread, in s; ends early when the procedure is stopped."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Taken:
    """Readings that a sweep has taken, for whoever looks on; the sweep's own result holds all.

    frequency_hz, level_dbm: of equal length, Hz and dBm.
    is_all: they are all so far, and replace those that were told before; else they are new ones.
    """

    frequency_hz: Iterable[float]
    level_dbm: Iterable[float]
    is_all: bool = False


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a procedure is: `done` of `total` steps of its own choosing.

    taken: what it has read since it last told; None where it has nothing to show.
    """

    done: int
    total: int
    text: str = ""
    taken: Taken | None = None


@dataclass(frozen=True, slots=True)
class Meanwhile:
    """Work that the next batch does not need: done while its replies are on their way."""

    work: Callable[[], None]


Batch: TypeAlias = tuple[Exchange, ...]


@dataclass(frozen=True, slots=True)
class Series:
    """Batches of which each follows the one before at once, whatever that has brought."""

    batches: Sequence[Batch]


Item: TypeAlias = Batch | Series | Pause | Progress | Meanwhile
Procedure: TypeAlias = Generator[Item, list[Any], T]
