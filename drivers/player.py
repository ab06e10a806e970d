"""Sending batches over links, and running procedures to their end.

A batch is written to all its instruments first and then read from all in order, so that they
work at the same time. What is to be told or worked out beside is left until a batch was written, so
that no instrument waits for it. Messages to one instrument keep their order. A second query to the
same instrument waits for the first reply, unless the link allows a backlog.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeAlias, TypeVar

from drivers import parse
from drivers.channels import Cancel
from drivers.errors import BadReply, BadSetting, DriverError, Stopped
from drivers.exchange import (
    Batch,
    Exchange,
    Item,
    Meanwhile,
    Pause,
    Procedure,
    Progress,
    Reply,
    Series,
)
from drivers.link import Link
from drivers.waiting import wait

T = TypeVar("T")
OnProgress = Callable[[Progress], None]

_Move: TypeAlias = tuple[Link, bytes, Exchange]
"""An exchange with its link, and what is sent."""

_FINISHED = "*OPC?"
_FINISHED_BYTES = len(_FINISHED) + 1


class BatchPlayer:
    """Runs procedures; how a batch is performed is left to subclasses."""

    def __init__(
        self, *, cancel: Cancel | None = None, on_progress: OnProgress | None = None
    ) -> None:
        self._cancel = cancel
        self._on_progress = on_progress
        self._beside: list[Progress | Meanwhile] = []
        self._following: Batch | None = None  # what `perform` is given next, where that is known

    def perform(self, batch: Batch) -> list[Any]:
        """The values of the batch's exchanges in order, None where no reply is expected."""
        raise TypeError(f"{type(self).__name__} performs no batches")

    def run(self, procedure: Procedure[T]) -> T:
        """Drive a procedure to its end and return its result.

        A DriverError is raised inside the procedure where it waited, so that it may handle it;
        so is Stopped, once `cancel` says so, but after that nothing it yields is performed.
        What `radiates` is sent once in a run: a second time it raises BadSetting and is not sent,
        whatever became of the first.
        """
        answer: Any = None
        sent_once: set[tuple[str, str]] = set()
        trouble: DriverError | Stopped | None = None
        cancel, perform, send = self._cancel, self.perform, procedure.send
        self._beside, self._following = [], None
        try:
            while True:
                try:
                    item = send(answer) if trouble is None else procedure.throw(trouble)
                except StopIteration as end:
                    self._do_beside()
                    return end.value  # type: ignore[no-any-return]
                if isinstance(trouble, Stopped):
                    raise trouble
                answer, trouble = None, None
                try:
                    if cancel is not None and cancel():
                        raise Stopped
                    if type(item) is tuple:
                        _note_what_radiates(item, sent_once)
                        answer = perform(item)
                        if self._beside:
                            self._do_beside()
                    elif type(item) is Series:
                        for batch in item.batches:
                            _note_what_radiates(batch, sent_once)
                        answer = self._one_after_the_other(item)
                    else:
                        answer = self._other(item)
                except (DriverError, Stopped) as error:
                    trouble = error
        finally:
            # The procedure was told to end and has yielded again: it ignores the stop.
            with contextlib.suppress(RuntimeError):
                procedure.close()

    def _one_after_the_other(self, series: Series) -> list[list[Any]]:
        cancel, perform, batches = self._cancel, self.perform, series.batches
        answers = []
        for batch, self._following in zip(batches, [*batches[1:], None], strict=True):
            if cancel is not None and cancel():
                raise Stopped
            answers.append(perform(batch))
            if self._beside:
                self._do_beside()
        return answers

    def _other(self, item: Item) -> list[Any]:
        if isinstance(item, Progress | Meanwhile):
            self._beside.append(item)
        elif isinstance(item, Pause):
            self._do_beside()
            self._wait(item.seconds)
        else:
            raise TypeError(f"a procedure yielded {item!r}")
        return []

    def _do_beside(self) -> None:
        """Tell or work out what was left until instruments are busy."""
        items, self._beside = self._beside, []
        for item in items:
            if isinstance(item, Meanwhile):
                item.work()
            elif self._on_progress is not None:
                self._on_progress(item)

    def _wait(self, seconds: float) -> None:
        wait(seconds, self._cancel)


def _note_what_radiates(batch: Batch, sent_once: set[tuple[str, str]]) -> None:
    """Note the messages of a batch that switch on or move something, before it goes out."""
    for exchange in batch:
        if exchange.radiates:
            _note_once(exchange, sent_once)


def _note_once(exchange: Exchange, sent_once: set[tuple[str, str]]) -> None:
    """Note that a message which switches on or moves goes out. Raises BadSetting the second time:
    after an error nobody knows whether the first was obeyed, so none is repeated blindly."""
    message = exchange.instrument, exchange.message
    if message in sent_once:
        raise BadSetting(
            exchange.instrument,
            "this switches RF on or moves something, and was sent once already; a procedure sends "
            "it once",
            exchange.message,
            "Begin the whole procedure again, with RF off.",
        )
    sent_once.add(message)


class Player(BatchPlayer):
    """Performs batches over open links.

    links: by the instrument names that exchanges carry. Errors leave the links as `Link` says;
    after Stopped or an error of one instrument, what other instruments still owe is thrown away
    before they are used again.
    """

    def __init__(
        self,
        links: Mapping[str, Link],
        *,
        cancel: Cancel | None = None,
        on_progress: OnProgress | None = None,
    ) -> None:
        super().__init__(cancel=cancel, on_progress=on_progress)
        self._links = links
        # A batch that was prepared before its turn, and what was made of it.
        self._ready: tuple[Batch, list[_Move] | None] = ((), None)

    def perform(self, batch: Batch) -> list[Any]:
        """Write to all instruments, then read from all.

        Raises LinkLost, Stopped, BadReply; a BadReply only after all replies were read, so that
        every link is still in step.
        """
        prepared, moves = self._ready
        if prepared is not batch:
            moves = self._prepared(batch)
        if moves is not None:
            # Nothing needs to be planned there, and most batches are such.
            self._send_each(moves)
            following = self._following
            if following is not None:
                # Now, so that an instrument which has settled is asked at once.
                self._ready = following, self._prepared(following)
            if self._beside:
                self._do_beside()
            return self._read_all(batch)
        plans: dict[str, _Plan] = {}
        for exchange in batch:
            plan = plans.get(exchange.instrument)
            if plan is None:
                plan = plans[exchange.instrument] = _Plan(self._link(exchange))
            plan.add(exchange)
        for plan in plans.values():
            plan.write_next(self._cancel)
        if self._beside:
            self._do_beside()
        return self._read_all(batch, plans)

    def _read_all(self, batch: Batch, plans: Mapping[str, _Plan] | None = None) -> list[Any]:
        """plans: what is written to each instrument once its replies so far have come."""
        links, cancel = self._links, self._cancel
        values: list[Any] = []
        fault: BadReply | None = None
        for exchange in batch:
            if exchange.reply is Reply.NONE:
                values.append(None)
                continue
            link = links[exchange.instrument]
            try:
                values.append(exchange.value(link.read(exchange, cancel)))
            except BadReply as error:
                if not link.connected:
                    raise
                fault = fault or error
            if plans is not None and not link.outstanding:
                plans[exchange.instrument].write_next(cancel)
        if fault is not None:
            raise fault
        return values

    def _prepared(self, batch: Batch) -> list[_Move] | None:
        """The batch's exchanges, each with its link and bytes, if they go to as many instruments;
        None where `perform` has more to look at."""
        moves: list[_Move] = []
        for exchange in batch:
            link = self._links.get(exchange.instrument)
            if link is None:
                return None
            data = link.as_sent(exchange.message)
            if len(data) > link.max_write_bytes - _FINISHED_BYTES:
                return None
            for other in moves:
                if other[0] is link:
                    return None
            moves.append((link, data, exchange))
        return moves

    def _send_each(self, moves: Sequence[_Move]) -> None:
        cancel = self._cancel
        for link, data, exchange in moves:
            if link.unanswered_bytes:
                _make_room(link, len(data), cancel)
            link.send(data, exchange.message, 0 if exchange.reply is Reply.NONE else 1, cancel)

    def _link(self, exchange: Exchange) -> Link:
        link = self._links.get(exchange.instrument)
        if link is None:
            raise BadSetting(
                exchange.instrument,
                f"no instrument of this name is open; open: {', '.join(self._links) or 'none'}",
                exchange.message,
            )
        return link


class CannedPlayer(BatchPlayer):
    """Answers exchanges from a function: procedures without instruments.

    answer: given an exchange, the raw reply as an instrument would send it (str, bytes, or None
    where the exchange expects none).
    performed: every exchange so far. waited_s: the sum of all pauses, none of which is waited for.
    """

    def __init__(
        self,
        answer: Callable[[Exchange], str | bytes | None],
        *,
        cancel: Cancel | None = None,
        on_progress: OnProgress | None = None,
    ) -> None:
        super().__init__(cancel=cancel, on_progress=on_progress)
        self._answer = answer
        self.performed: list[Exchange] = []
        self.waited_s = 0.0

    def perform(self, batch: Batch) -> list[Any]:
        """Ask the function for every exchange in order."""
        return [self._perform_one(exchange) for exchange in batch]

    def messages(self, instrument: str) -> list[str]:
        """What one instrument was sent so far."""
        return [done.message for done in self.performed if done.instrument == instrument]

    def _perform_one(self, exchange: Exchange) -> Any:
        self.performed.append(exchange)
        reply = self._answer(exchange)
        if exchange.reply is Reply.NONE:
            return None
        if reply is None:
            raise TypeError(f"no canned reply to {exchange.message!r} of {exchange.instrument}")
        return exchange.value(reply)

    def _wait(self, seconds: float) -> None:
        self.waited_s += seconds


class _Chunk:
    """What is sent to one instrument in one write."""

    __slots__ = ("messages", "replies", "size")

    def __init__(self) -> None:
        self.messages: list[str] = []
        self.replies = 0
        self.size = 0


class _Plan:
    """One instrument's part of a batch, cut into writes that it can take.

    A write ends with the query whose reply must be read first, and before it would overfill the
    instrument's input buffer. On a byte stream several messages share one write, each with its
    terminator; where the transport keeps messages apart each is a write of its own. They are
    never joined by `;`: after a command error the rest of a compound message is thrown away
    (IEEE 488.2), and with it the query whose answer would tell of the error.
    """

    __slots__ = ("chunks", "link")

    def __init__(self, link: Link) -> None:
        self.link = link
        self.chunks: list[_Chunk] = []

    def add(self, exchange: Exchange) -> None:
        link, message = self.link, exchange.message
        size = _checked_size(message, link)
        chunk = self.chunks[-1] if self.chunks else None
        if (
            chunk is None
            or chunk.replies >= link.backlog
            or chunk.size + size > link.max_write_bytes - _FINISHED_BYTES
            or link.message_based
        ):
            chunk = _Chunk()
            self.chunks.append(chunk)
        chunk.messages.append(message)
        chunk.size += size
        if exchange.reply is not Reply.NONE:
            chunk.replies += 1

    def write_next(self, cancel: Cancel | None) -> None:
        """Write until a reply is due, or nothing is left."""
        link = self.link
        while self.chunks:
            chunk = self.chunks.pop(0)
            _make_room(link, chunk.size, cancel)
            link.write(link.terminator.join(chunk.messages), chunk.replies, cancel)
            if chunk.replies:
                return


def _make_room(link: Link, size: int, cancel: Cancel | None) -> None:
    """If the input buffer may be full, wait for an answer that shows it has room again."""
    in_doubt = link.unanswered_bytes + size + _FINISHED_BYTES > link.max_write_bytes
    if in_doubt and link.unanswered_bytes:
        finished = Exchange(link.name, _FINISHED, Reply.TEXT, parse.done)
        link.write(_FINISHED, 1, cancel)
        finished.value(link.read(finished, cancel))


def _checked_size(message: str, link: Link) -> int:
    """Bytes of a message with its terminator. Raises BadSetting if the instrument lacks room."""
    size = len(message) + len(link.terminator)
    room = link.max_write_bytes - _FINISHED_BYTES
    if size > room:
        raise BadSetting(
            link.name,
            f"a message of {size} bytes is too long; its input buffer has room for {room}",
            message,
        )
    return size
