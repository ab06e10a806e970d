"""Opening HiSLIP and VXI-11 sessions in the time that the bench file gives, and stoppable.

Facts about pyvisa-py 0.8.1, each with a test in tests/drivers/test_opening.py: HiSLIP waits five
seconds for a connection and five for each answer, whatever open timeout it is given, and VXI-11
five seconds for the answer to its first call; nothing stops either. Here the sockets are connected
by `drivers.connecting` and watched from the first byte on.
"""

from __future__ import annotations

import socket
import struct
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any

from pyvisa_py import tcpip
from pyvisa_py.protocols import hislip, rpc
from pyvisa_py.tcpip import Vxi11CoreClient

from drivers.connecting import connected_socket
from drivers.waiting import Cancel, WatchedSocket

READ_PART_BYTES = 1 << 20


class _Opening(threading.local):
    """The limits of the opening under way on this thread. pyvisa has no parameters for them.

    made: the sockets that it has made so far.
    """

    under_way = False
    cancel: Cancel | None = None
    deadline: float = 0.0
    made: tuple[socket.socket, ...] = ()


_opening = _Opening()


@contextmanager
def opening(open_timeout_s: float, cancel: Cancel | None) -> Iterator[None]:
    """Apply these limits during one call of `open_resource` on this thread.

    If that call fails, the sockets that it made are closed: pyvisa-py leaves some of them open.
    """
    _opening.cancel, _opening.deadline = cancel, time.monotonic() + open_timeout_s
    _opening.under_way = True
    try:
        yield
    except BaseException:
        for one in _opening.made:
            one.close()
        raise
    finally:
        _opening.cancel, _opening.under_way, _opening.made = None, False, ()


def connected_plainly(host: str, port: int) -> socket.socket:
    """A connection, made within the opening's time. Raises OSError, Stopped."""
    plain = connected_socket([host], port, _opening.deadline, _opening.cancel)
    _opening.made += (plain,)
    return plain


def connected(host: str, port: int) -> WatchedSocket:
    """A connection, and a watch on it, until the opening's end. Raises OSError, Stopped."""
    watched = WatchedSocket.instead_of(connected_plainly(host, port))
    _opening.made += (watched,)
    watched.watch(_opening.deadline, _opening.cancel)
    return watched


class _Hislip(hislip.Instrument):  # type: ignore[misc]
    """A HiSLIP client whose opening (IVI-6.1: initialise, then asynchronous) ends in time."""

    def __init__(
        self,
        ip_addr: str,
        open_timeout: float | None = None,
        timeout: float | None = None,
        port: int = hislip.PORT,
        sub_address: str = "hislip0",
    ) -> None:
        self._sync = connected(ip_addr, port)
        try:
            begun = self.initialize(sub_address=sub_address.encode("ascii"))
            self._async = connected(ip_addr, port)
        except BaseException:
            self._sync.close()
            raise
        try:
            self._async_init = self.async_initialize(session_id=begun.session_id)
        except BaseException:
            self.close()
            raise
        self.max_msg_size = hislip.DEFAULT_MAX_MSG_SIZE
        self.keepalive = False
        self.timeout = timeout or 5.0
        self._rmt = 0
        self._message_id = 0xFFFF_FF00
        self._last_message_id: int | None = None
        self._msg_type = ""
        self._payload_remaining = 0


class _Watched:
    """For RPC clients of the library: connected by us, and every call ends in time."""

    host: str
    port: int

    def connect(self, timeout: float = 5.0) -> None:
        self.sock = connected(self.host, self.port)

    def do_call(self) -> None:
        do_call(self)


class _PortMapper(_Watched, rpc.TCPPortMapperClient):  # type: ignore[misc]
    """Asks an instrument at which port it speaks VXI-11."""


class _Vxi11(_Watched, Vxi11CoreClient):  # type: ignore[misc]
    """A VXI-11 client."""

    def __init__(self, host: str, port: int | None, open_timeout: int | None = 5000) -> None:
        if port is None:
            mapper = _PortMapper(host, open_timeout)
            asked = (
                tcpip.vxi11.DEVICE_CORE_PROG,
                tcpip.vxi11.DEVICE_CORE_VERS,
                rpc.IPPROTO_TCP,
                0,
            )
            try:
                port = int(mapper.get_port(asked))
            finally:
                mapper.close()
            if port == 0:
                raise OSError("it says that it does not speak VXI-11")
        super().__init__(host, port, open_timeout)


@cache
def install() -> None:
    """Make the library's sessions use these clients during `opening`, else their own."""

    def instead(own: Any, ours: Any) -> Any:
        def made(*given: Any, **named: Any) -> Any:
            return (ours if _opening.under_way else own)(*given, **named)

        return made

    tcpip.hislip.Instrument = instead(hislip.Instrument, _Hislip)
    tcpip.Vxi11CoreClient = instead(Vxi11CoreClient, _Vxi11)


def do_call(client: Any) -> None:
    """One RPC call whose wait ends when its socket's watch says so (RFC 5531, record marking).

    pyvisa-py's own looks at nothing but a timeout, to which it adds a second.
    """
    send_record(client)
    while True:
        record = bytearray()
        last = False
        while not last:
            (mark,) = struct.unpack(">I", _exactly(client.sock, 4))
            last = bool(mark & 0x80000000)
            record += _exactly(client.sock, mark & 0x7FFFFFFF)
        client.unpacker.reset(bytes(record))
        number, _ = client.unpacker.unpack_replyheader()
        if number == client.lastxid:
            return
        if number > client.lastxid:
            raise OSError(f"an answer to call {number} came before the call")


def send_record(client: Any) -> None:
    """The call that the client has packed."""
    call = client.packer.get_buf()
    client.sock.sendall(struct.pack(">I", 0x80000000 | len(call)) + call)


def _exactly(connection: WatchedSocket, size: int) -> bytes:
    data = bytearray()
    while len(data) < size:
        data += connection.recv(min(size - len(data), READ_PART_BYTES))
    return bytes(data)
