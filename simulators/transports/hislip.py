"""HiSLIP 1.0 in synchronized mode (IVI-6.1): two TCP channels for one client.

Served: initialization of both channels, data in both directions, maximum message size, device
clear, status query, the interrupted protocol. Locks, service requests and overlap mode are not
offered; a message of an unknown type is answered by a non-fatal Error.
"""

from __future__ import annotations

import asyncio
import socket
import struct
from collections import deque
from typing import cast

from simulators.scpi import ScpiError
from simulators.transports.base import StreamFront
from simulators.transports.hislip_messages import (
    HEADER_BYTES,
    LARGEST_PAYLOAD,
    UNRECOGNIZED_TYPE,
    BadHeaderError,
    FatalError,
    Message,
    MessageReader,
    MessageType,
)
from simulators.transports.session import Session

_VERSION_1_0 = 0x0100
_RMT_DELIVERED = 0x01
_SUB_ADDRESSES = (b"", b"hislip0")


class Channel(asyncio.Protocol):
    """One TCP connection; its first message tells which of the two channels it is."""

    def __init__(self, front: HislipFront) -> None:
        self._front = front
        self._reader = MessageReader()
        self._transport: asyncio.Transport | None = None
        self.client: HislipClient | None = None
        self._synchronous = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """A client has connected."""
        self._transport = cast(asyncio.Transport, transport)
        connection = transport.get_extra_info("socket")
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._front.channels.add(self)

    def connection_lost(self, exc: Exception | None) -> None:
        """Losing either channel ends the session (IVI-6.1, section 2.4)."""
        self._front.channels.discard(self)
        if self.client is not None:
            self.client.end()

    def data_received(self, data: bytes) -> None:
        """Bytes from the client."""
        try:
            messages = self._reader.feed(data)
        except BadHeaderError:
            self.fail(FatalError.POORLY_FORMED_HEADER, "no HiSLIP message")
            return
        for message in messages:
            self._handle(message)

    def send(self, message: Message) -> None:
        """Send a message."""
        if self._transport is not None and not self._transport.is_closing():
            self._transport.write(message.encode())

    def fail(self, reason: FatalError, text: str) -> None:
        """Say why and close."""
        self.send(Message(MessageType.FATAL_ERROR, reason, 0, text.encode()))
        if self._transport is not None:
            self._transport.close()

    def abort(self) -> None:
        """Close now."""
        if self._transport is not None:
            self._transport.abort()

    def hold_input(self, hold: bool) -> None:
        """Leave bytes in the network's buffers, or take them again."""
        if self._transport is not None and not self._transport.is_closing():
            if hold:
                self._transport.pause_reading()
            else:
                self._transport.resume_reading()

    def _handle(self, message: Message) -> None:
        if self.client is None:
            self._initialize(message)
        elif self.client.asynchronous is None:
            self.fail(FatalError.NOT_BOTH_CHANNELS, "the asynchronous channel is missing")
        elif self._synchronous:
            self.client.on_synchronous(message)
        else:
            self.client.on_asynchronous(message)

    def _initialize(self, message: Message) -> None:
        if message.type == MessageType.INITIALIZE:
            if message.payload not in _SUB_ADDRESSES:
                self.fail(FatalError.BAD_INITIALIZATION, "the only sub-address is hislip0")
                return
            self._synchronous = True
            self.client = self._front.new_client(self)
            parameter = _VERSION_1_0 << 16 | self.client.number
            self.send(Message(MessageType.INITIALIZE_RESPONSE, 0, parameter))
            return
        client = self._front.clients.get(message.parameter)
        if message.type != MessageType.ASYNC_INITIALIZE or client is None or client.asynchronous:
            self.fail(FatalError.BAD_INITIALIZATION, "no such session waits for this channel")
            return
        self.client = client
        client.asynchronous = self
        self.send(Message(MessageType.ASYNC_INITIALIZE_RESPONSE))


class HislipClient:
    """Both channels of one client and the message exchange between them.

    Messages run one at a time. One that arrives without the client having read the reply before
    it interrupts: the reply is void, and -410 goes to the error queue (IVI-6.1, section 3.1.1).
    """

    def __init__(self, front: HislipFront, number: int, synchronous: Channel) -> None:
        self.number = number
        self.asynchronous: Channel | None = None
        self._front = front
        self._synchronous = synchronous
        self._waiting: deque[Message] = deque()
        self._collected = b""
        self._message_id = 0
        self._reply_unread = False
        self._clearing = False
        self._largest_bytes = LARGEST_PAYLOAD
        self.session = Session(front.instrument, front.clock, front.faults, self)
        self.session.on_idle = self._run_next

    # -- the link of the session ------------------------------------------------------------

    def write(self, data: bytes, *, end: bool) -> None:
        """Send reply bytes in messages the client has room for."""
        room = max(1, self._largest_bytes - HEADER_BYTES)
        pieces = [data[at : at + room] for at in range(0, len(data), room)]
        for index, piece in enumerate(pieces):
            last = end and index == len(pieces) - 1
            kind = MessageType.DATA_END if last else MessageType.DATA
            self._synchronous.send(Message(kind, 0, self._message_id, piece))
        self._reply_unread = True

    def hang_up(self) -> None:
        """Close both channels."""
        self._synchronous.abort()
        if self.asynchronous is not None:
            self.asynchronous.abort()

    def hold_input(self, hold: bool) -> None:
        """Stop or resume taking bytes from the synchronous channel."""
        self._synchronous.hold_input(hold)

    def end(self) -> None:
        """A channel is gone: so is the session."""
        self.session.close()
        self._front.forget(self)
        self.hang_up()

    # -- synchronous channel ----------------------------------------------------------------

    def on_synchronous(self, message: Message) -> None:
        """Data, triggers, and the end of a device clear."""
        if message.type == MessageType.DEVICE_CLEAR_COMPLETE:
            self._clearing = False
            self._synchronous.send(Message(MessageType.DEVICE_CLEAR_ACKNOWLEDGE))
        elif message.type in (MessageType.DATA, MessageType.DATA_END, MessageType.TRIGGER):
            if not self._clearing:
                self._waiting.append(message)
                self._run_next()
        else:
            self._unrecognized(self._synchronous, message)

    def _run_next(self) -> None:
        while self._waiting and not self.session.busy:
            message = self._waiting.popleft()
            if message.control & _RMT_DELIVERED:
                self._reply_unread = False
            if self._reply_unread:
                self._interrupt(message)
            self._message_id = message.parameter
            if message.type == MessageType.TRIGGER:
                self._front.instrument.status.report(ScpiError(-211))
                continue
            self._collected += message.payload
            if message.type == MessageType.DATA_END:
                whole, self._collected = self._collected, b""
                self.session.receive(whole, end=True)

    def _interrupt(self, message: Message) -> None:
        self._reply_unread = False
        self._front.instrument.status.report(ScpiError(-410))
        self._synchronous.send(Message(MessageType.INTERRUPTED, 0, message.parameter))
        if self.asynchronous is not None:
            self.asynchronous.send(Message(MessageType.ASYNC_INTERRUPTED, 0, message.parameter))

    # -- asynchronous channel ---------------------------------------------------------------

    def on_asynchronous(self, message: Message) -> None:
        """Everything that must not wait behind data."""
        channel = self.asynchronous
        assert channel is not None
        if message.type == MessageType.ASYNC_STATUS_QUERY:
            if message.control & _RMT_DELIVERED:
                self._reply_unread = False
            byte = self._front.instrument.status_byte(message_available=self._reply_unread)
            channel.send(Message(MessageType.ASYNC_STATUS_RESPONSE, byte))
        elif message.type == MessageType.ASYNC_MAXIMUM_MESSAGE_SIZE and len(message.payload) == 8:
            (size,) = struct.unpack("!Q", message.payload)
            self._largest_bytes = max(HEADER_BYTES + 1, size)
            answer = struct.pack("!Q", LARGEST_PAYLOAD)
            kind = MessageType.ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE
            channel.send(Message(kind, 0, 0, answer))
        elif message.type == MessageType.ASYNC_DEVICE_CLEAR:
            self._waiting.clear()
            self._collected, self._reply_unread, self._clearing = b"", False, True
            self.session.clear()
            channel.send(Message(MessageType.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE))
        elif message.type == MessageType.ASYNC_REMOTE_LOCAL_CONTROL:
            channel.send(Message(MessageType.ASYNC_REMOTE_LOCAL_RESPONSE))
        elif message.type == MessageType.ASYNC_LOCK_INFO:
            # Nobody can hold a lock here.
            channel.send(Message(MessageType.ASYNC_LOCK_INFO_RESPONSE))
        else:
            self._unrecognized(channel, message)

    def _unrecognized(self, channel: Channel, message: Message) -> None:
        text = f"message type {message.type} is not served".encode()
        channel.send(Message(MessageType.ERROR, UNRECOGNIZED_TYPE, 0, text))


class HislipFront(StreamFront):
    """An instrument on a HiSLIP port; any number of clients at once."""

    def __init__(self, *arguments: object) -> None:
        super().__init__(*arguments)  # type: ignore[arg-type]
        self.channels: set[Channel] = set()
        self.clients: dict[int, HislipClient] = {}
        self._last_number = 0

    @property
    def resource(self) -> str:
        """The VISA resource string a client opens."""
        return f"TCPIP::{self.host}::hislip0,{self.port}::INSTR"

    def make_protocol(self) -> asyncio.Protocol:
        """A channel for a new connection."""
        return Channel(self)

    def new_client(self, synchronous: Channel) -> HislipClient:
        """A session whose synchronous channel has just been opened."""
        self._last_number = self._last_number % 0xFFFF + 1
        client = HislipClient(self, self._last_number, synchronous)
        self.clients[client.number] = client
        self.sessions.add(client.session)
        return client

    def forget(self, client: HislipClient) -> None:
        """A client is gone."""
        self.clients.pop(client.number, None)
        self.sessions.discard(client.session)

    def cut(self) -> None:
        """Abort every connection."""
        for channel in list(self.channels):
            channel.abort()
