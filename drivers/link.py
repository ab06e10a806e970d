"""One instrument at one address: open, write, read, recover.

A link never clears an instrument's buffers while the session stays open: that does not work, since
a late answer may arrive afterwards. To recover, it closes the session, opens a new one and checks
the identity.

State: `connected` tells whether a session is open. After a timeout, a lost connection or a reply
whose end is unknown the session is closed. After a stop the reply on its way is `outstanding`;
the next write then opens a fresh session first, so that it cannot be taken for the new answer.

An instrument that radiates has `first_words`: the messages that switch it off. They are sent first
on every session, even before the identity is asked. They are also sent last on every session that
is given up, since an instrument that does not answer may still receive. If another instrument is at
that address, it receives them too, which ends radiation there as well.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from functools import partial
from types import TracebackType

import pyvisa

from drivers.channels import (
    Cancel,
    Channel,
    ChannelClosed,
    ChannelTimeout,
    check,
    open_channel,
)
from drivers.errors import (
    BadAddress,
    BadReply,
    LinkLost,
    Stopped,
    UnexpectedReply,
    shown,
)
from drivers.exchange import Exchange, Reply
from drivers.framing import ReplyBuffer, block_of_message, text_of_message
from drivers.identity import StaleAnswer, after_stale_lines, unlike
from drivers.retry import Retry
from drivers.transports import transport_of
from drivers.visa import SerialSettings, open_session
from drivers.waiting import wait

_ADVICE_ADDRESS = "Check that it is switched on, its cable, and `address:` in the bench file."
_ADVICE_SILENT = (
    "Check the instrument's screen: it may be busy (raise `timeout:`), switched off, or not know "
    "this command (see `commands:` in the bench file)."
)
_LEAST_WRITE_BYTES = 64

REPEAT_S = 0.25
"""Time between two repetitions of the first words to an instrument that does not answer."""
BLIND_S = 0.2
"""Longest time for sending them on a session that is given up."""


class Link:
    """A session to one instrument. Used, opened and closed by one thread at a time.

    Made by `Link.open`. Attributes that may be read:
        name, address, transport
        identity: the answer to `*IDN?` at the first opening ("" if not asked for)
        connected: whether a session is open
        outstanding: replies asked for and not yet read
        unanswered_bytes: sent since the last reply, so perhaps still in the input buffer
        message_based: whether the transport delivers whole messages
        terminator: what ends a message on a byte stream
        max_write_bytes: the most that one write may hold
        backlog: how many replies may be outstanding at once
    insist: set it while the first words must be received. They are then sent again and again while
        a reply is awaited on a stream (where messages are kept apart, another would end the query).
    """

    def __init__(
        self,
        name: str,
        address: str,
        *,
        timeout_s: float = 5.0,
        open_timeout_s: float = 3.0,
        max_write_bytes: int = 4096,
        max_reply_bytes: int = 64 << 20,
        backlog: int = 1,
        expect_identity: str = "",
        identify: str | None = "*IDN?",
        terminator: str = "\n",
        serial: SerialSettings | None = None,
        first_words: Sequence[str] = (),
    ) -> None:
        try:
            self.transport = transport_of(address)
        except ValueError as error:
            raise BadAddress(
                name,
                f"the address {shown(address)} is not understood: {error}.",
                advice="Use for example TCPIP::192.168.1.20::5025::SOCKET, "
                "TCPIP::192.168.1.20::hislip0::INSTR or ASRL/dev/ttyUSB0::INSTR.",
            ) from error
        self.name = name
        self.address = address
        self.timeout_s = timeout_s
        self.open_timeout_s = open_timeout_s
        self.max_write_bytes = max(_LEAST_WRITE_BYTES, max_write_bytes)
        self.max_reply_bytes = max_reply_bytes
        self.message_based = self.transport not in ("socket", "serial")
        # A second query before the first reply is read interrupts the first (IEEE 488.2) where
        # messages are kept apart; HiSLIP even throws the first reply away.
        self.backlog = 1 if self.message_based else max(1, backlog)
        # An instrument that has no identity query counts as the expected one.
        self.identity = "" if identify else expect_identity
        self.outstanding = 0
        self.unanswered_bytes = 0
        self.answered_at_s: float | None = None  # when a reply last came whole, s since 1970
        self._expect_identity = expect_identity
        self._identify = identify
        self.terminator = terminator
        self._serial = serial or SerialSettings()
        self.insist = False
        self._first_words = [(text + terminator).encode("latin-1") for text in first_words]
        self._first_replies = sum("?" in text for text in first_words)
        self._channel: Channel | None = None
        self._buffer = ReplyBuffer(max_reply_bytes, end=b"\r" if terminator == "\r" else b"\n")

    @classmethod
    def open(
        cls,
        name: str,
        address: str,
        *,
        timeout_s: float = 5.0,
        open_timeout_s: float = 3.0,
        max_write_bytes: int = 4096,
        max_reply_bytes: int = 64 << 20,
        backlog: int = 1,
        expect_identity: str = "",
        identify: str | None = "*IDN?",
        terminator: str = "\n",
        serial: SerialSettings | None = None,
        first_words: Sequence[str] = (),
        cancel: Cancel | None = None,
    ) -> Link:
        """Open a session and check who answers.

        name: the instrument's name in the bench file, for messages.
        address: a resource string.
        timeout_s: longest wait for a reply or for a write; open_timeout_s: for a connection.
        max_write_bytes: what the instrument's input buffer holds, at least 64; a player waits for
            an answer to `*OPC?` before more than this could be in it.
        max_reply_bytes: replies that announce or grow to more are refused.
        backlog: how many queries the instrument takes before the first reply is read.
        expect_identity: text that the identity must contain; "" for any.
        identify: the query for the identity; None for an instrument that has none, which is
            taken for `expect_identity`.
        terminator: ends every message sent over a byte stream. Replies end with a newline, a
            carriage return ahead of it or not; where this is a carriage return, with that.
        serial: settings of an ASRL line.
        first_words: messages that switch off what radiates; see above.

        Raises BadAddress, LinkLost, WrongInstrument, Stopped.
        """
        link = cls(
            name,
            address,
            timeout_s=timeout_s,
            open_timeout_s=open_timeout_s,
            max_write_bytes=max_write_bytes,
            max_reply_bytes=max_reply_bytes,
            backlog=backlog,
            expect_identity=expect_identity,
            identify=identify,
            terminator=terminator,
            serial=serial,
            first_words=first_words,
        )
        link._connect(cancel)
        return link

    @property
    def connected(self) -> bool:
        """Whether a session is open."""
        return self._channel is not None

    def write(self, text: str, replies: int = 0, cancel: Cancel | None = None) -> None:
        """Send one message (or several, separated by the terminator on a stream).

        replies: how many replies it will bring. Raises LinkLost. If a reply from before is
        still outstanding or bytes came unasked, a fresh session is opened first; nothing of the
        new message was sent by then.
        """
        self.send(self.as_sent(text), text, replies, cancel)

    def as_sent(self, text: str) -> bytes:
        """The bytes of one message, with its terminator."""
        return (text + self.terminator).encode("latin-1")

    def send(self, data: bytes, text: str, replies: int, cancel: Cancel | None) -> None:
        """`write`, of bytes that `as_sent` has made of the text before."""
        channel = self._channel
        if channel is None:
            raise self._lost("is not connected", text)
        try:
            if self.outstanding or (
                (channel.has_news() or self._buffer.held) and self._out_of_step(channel)
            ):
                self.reopen(cancel=cancel)
                channel = self._channel
                assert channel is not None
            channel.send(data, self.timeout_s, cancel)
        except Stopped:
            # Part of a message may have been sent. Only a fresh session makes up for that.
            self.outstanding = 1
            self._say_first_words_blindly()
            raise
        except (ChannelClosed, ChannelTimeout) as error:
            raise self._drop(error, "while it was written to", text) from error
        self.outstanding = replies
        self.unanswered_bytes += len(data)

    def read_text(
        self, timeout_s: float | None = None, cancel: Cancel | None = None, command: str = ""
    ) -> str:
        """One line without its terminator, decoded as latin-1.

        Raises LinkLost (timeout, connection gone), BadReply (no end), Stopped.
        """
        channel = self._channel
        if channel is None:
            raise self._lost("is not connected", command)
        if self.insist:
            cancel = self._insisting(cancel)
        deadline = time.monotonic() + (self.timeout_s if timeout_s is None else timeout_s)
        buffer = self._buffer
        try:
            if self.message_based:
                text: str | None = text_of_message(channel.receive(deadline, cancel))
            else:
                text = buffer.take_text() if buffer.held else None
                while text is None:
                    text = buffer.take_text_of(channel.receive(deadline, cancel))
                    if text is None:
                        check(deadline, cancel)
        except (ChannelClosed, ChannelTimeout) as error:
            raise self._drop(error, "while its reply was awaited", command) from error
        except UnexpectedReply as error:
            raise self._unreadable(error, command) from error
        except Stopped:
            self._say_first_words_blindly()
            raise
        self._answered()
        assert text is not None
        return text

    def read_block(
        self,
        timeout_s: float | None = None,
        cancel: Cancel | None = None,
        *,
        block_bytes: int | None = None,
        command: str = "",
    ) -> bytes:
        """The payload of one IEEE 488.2 data block.

        block_bytes: the size it must not exceed; ends a block of indefinite length on a stream.
        Raises LinkLost, Stopped, and BadReply: for text instead of a block the link stays in
        step, for a size that is refused it is closed.
        """
        channel = self._open_channel(command)
        cancel = self._insisting(cancel)
        deadline = time.monotonic() + (self.timeout_s if timeout_s is None else timeout_s)
        try:
            if self.message_based:
                message = channel.receive(deadline, cancel)
                block: bytes | None = block_of_message(message, block_bytes, self.max_reply_bytes)
            else:
                buffer = self._buffer
                block = buffer.take_block(block_bytes)
                while block is None:
                    buffer.feed(channel.receive(deadline, cancel))
                    block = buffer.take_block(block_bytes)
                    if block is None:
                        check(deadline, cancel)
        except (ChannelClosed, ChannelTimeout) as error:
            raise self._drop(error, "while its reply was awaited", command) from error
        except UnexpectedReply as error:
            raise self._unreadable(error, command) from error
        except Stopped:
            self._say_first_words_blindly()
            raise
        self._answered()
        assert block is not None
        return block

    def read(self, exchange: Exchange, cancel: Cancel | None = None) -> str | bytes:
        """The raw reply of an exchange that was written before."""
        if exchange.reply is Reply.BLOCK:
            return self.read_block(
                exchange.timeout_s,
                cancel,
                block_bytes=exchange.block_bytes,
                command=exchange.message,
            )
        return self.read_text(exchange.timeout_s, cancel, exchange.message)

    def query(self, text: str, timeout_s: float | None = None, cancel: Cancel | None = None) -> str:
        """Write, then read one line."""
        self.write(text, 1, cancel)
        return self.read_text(timeout_s, cancel, text)

    def reopen(
        self, *, attempts: int = 1, first_wait_s: float = 0.2, cancel: Cancel | None = None
    ) -> None:
        """Close, open again and check that the same instrument answers.

        attempts: how often to try; the wait between grows from `first_wait_s` up to 10 s.
        Sends nothing but the first words and the identity query.
        Raises LinkLost, WrongInstrument, Stopped.
        """
        retry = Retry(first_s=first_wait_s, most_s=10.0, tries=attempts - 1, jitter=False)
        while True:
            self.close()
            try:
                self._connect(cancel)
                return
            except LinkLost:
                if retry.spent:
                    raise
            wait(retry.next_s(), cancel)

    def close(self) -> None:
        """End the session; harmless if there is none."""
        self._close(abandon=self.outstanding > 0)

    def __enter__(self) -> Link:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _close(self, *, abandon: bool) -> None:
        channel, self._channel = self._channel, None
        self.outstanding = 0
        self.unanswered_bytes = 0
        self._buffer.clear()
        if channel is not None:
            if self._first_words:
                channel.say_blindly(self._first_words, BLIND_S)
            channel.close(abandon=abandon)

    def _connect(self, cancel: Cancel | None) -> None:
        try:
            session = open_session(
                self.address,
                timeout_s=self.timeout_s,
                open_timeout_s=self.open_timeout_s,
                serial=self._serial,
                cancel=cancel,
            )
        except Stopped:
            raise
        except (OSError, pyvisa.errors.Error) as error:
            raise self._lost(f"cannot be reached ({_reason(error)})", "") from error
        # pyvisa-py raises bare exceptions for connections that fail in VXI-11 and HiSLIP.
        except Exception as error:
            raise self._lost(f"cannot be opened ({_reason(error)})", "") from error
        self._channel = open_channel(session, self.terminator.encode("latin-1"))
        insisted, self.insist = self.insist, True
        try:
            if self._first_words:
                self._say_first_words(cancel)
            if self._identify:
                self._check_identity(self._identify, cancel)
        except BaseException:
            self._close(abandon=True)
            raise
        finally:
            self.insist = insisted

    def _say_first_words(self, cancel: Cancel | None) -> None:
        channel = self._channel
        assert channel is not None
        words = list(self._first_words)
        if self.transport == "serial":
            # A program that died may have sent part of a message over the line: end that message.
            words.insert(0, self.terminator.encode("latin-1"))
        try:
            for message in words if self.message_based else [b"".join(words)]:
                channel.send(message, self.timeout_s, cancel)
        except (ChannelClosed, ChannelTimeout) as error:
            raise self._drop(error, "while it was switched off", "") from error
        for _ in range(self._first_replies):
            self.outstanding = 1
            self.read_text(None, cancel)

    def _say_first_words_blindly(self) -> None:
        if self._channel is not None and self._first_words:
            self._channel.say_blindly(self._first_words, BLIND_S)

    def _insisting(self, cancel: Cancel | None) -> Cancel | None:
        """`cancel`, which is called every 50 ms; some of these calls also send the first words."""
        if not (self.insist and self._first_words) or self.message_based or self._first_replies:
            return cancel
        again = time.monotonic() + REPEAT_S

        def asked() -> bool:
            nonlocal again
            if time.monotonic() >= again:
                self._say_first_words_blindly()
                again = time.monotonic() + REPEAT_S
            return cancel is not None and cancel()

        return asked

    def _check_identity(self, question: str, cancel: Cancel | None) -> None:
        self.outstanding = 0
        channel = self._channel
        assert channel is not None
        try:
            channel.send((question + self.terminator).encode("latin-1"), self.timeout_s, cancel)
        except (ChannelClosed, ChannelTimeout) as error:
            raise self._drop(error, "while its identity was asked for", question) from error
        self.outstanding = 1
        found = self.read_text(None, cancel, question).strip()
        if self.identity:
            found = self._without_stale_lines(found, question, cancel)
        if self._expect_identity not in found or not found:
            expected = f"one containing {shown(self._expect_identity)}"
            raise unlike(self.name, self.address, found, expected, question)
        self.identity = found

    def _without_stale_lines(self, found: str, question: str, cancel: Cancel | None) -> str:
        read = partial(self.read_text, cancel=cancel, command=question)
        try:
            return after_stale_lines(found, self.identity, read, self.timeout_s)
        except StaleAnswer as stale:
            expected = shown(self.identity)
            raise unlike(self.name, self.address, stale.found, expected, question) from stale

    def _out_of_step(self, channel: Channel) -> bool:
        data = channel.arrived()
        if data:
            self._buffer.feed(data)
        elif not self._buffer.held:
            return False
        return not self.message_based and bool(self._buffer.unclaimed())

    def _open_channel(self, command: str) -> Channel:
        if self._channel is None:
            raise self._lost("is not connected", command)
        return self._channel

    def _answered(self) -> None:
        if self.outstanding:
            self.outstanding -= 1
        self.unanswered_bytes = 0
        self.answered_at_s = time.time()

    def _drop(self, error: Exception, when: str, command: str) -> LinkLost:
        """Close after an I/O error, so that a late answer can never be taken for another."""
        self._close(abandon=True)
        if isinstance(error, ChannelTimeout):
            detail = f": {error}" if str(error) else ""
            return self._lost(f"did not answer in time {when}{detail}", command, _ADVICE_SILENT)
        return self._lost(f"was lost {when} ({error})", command)

    def _unreadable(self, error: UnexpectedReply, command: str) -> BadReply:
        if error.end_known:
            self._answered()
        else:
            self._close(abandon=True)
        return BadReply(self.name, f"expected {error.expected}, found {error.found}", command)

    def _lost(self, what: str, command: str, advice: str = _ADVICE_ADDRESS) -> LinkLost:
        return LinkLost(self.name, f"{what} at {self.address}.", command, advice)


def _reason(error: BaseException) -> str:
    """The most useful text in a chain of causes: that of the operating system, else of the first
    cause."""
    text = ""
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, OSError) and cause.strerror:
            return cause.strerror
        text = str(cause) or text
        cause = cause.__cause__ or cause.__context__
    return text or type(error).__name__
