"""Sessions of pyvisa with pyvisa-py, with workarounds for faults that experiments have shown.

Facts about pyvisa-py 0.8.1, each with a test in tests/drivers:

* A SOCKET session whose connection is refused seems to open, leaves Nagle's algorithm on (a
  write-write-read stalls for 44 ms), and dies on descriptors above 1,023 because it uses
  `select()`. Here the socket is connected by the standard library, which does none of this.
* A VXI-11 session spins at full load until its timeout when the peer closes, and no session of
  HiSLIP or VXI-11 can be stopped while it waits.
* A closed session leaves its handle in three tables (2.4 kB for each reopening).
* A failed opening may leave sockets open until they are collected.

Only this module knows pyvisa-py's insides. `open_session` gives the resource, and the socket or
descriptor below it, which `drivers.channels` polls.
"""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, partial
from typing import Any, Literal, cast

import pyvisa
from pyvisa import rname
from pyvisa.constants import (
    ControlFlow,
    Parity,
    SerialTermination,
    StatusCode,
    StopBits,
)
from pyvisa.resources import MessageBasedResource, SerialInstrument
from pyvisa_py.highlevel import PyVisaLibrary
from pyvisa_py.protocols.vxi11 import DEVICE_WRITE, OP_FLAG_END, RX_END
from pyvisa_py.tcpip import TCPIPSocketSession

from drivers.errors import Stopped
from drivers.opening import READ_PART_BYTES, connected_plainly, install, opening, send_record
from drivers.transports import Transport, transport_of
from drivers.waiting import Cancel, part_with

# A connection idle through a night is probed often enough that a dead peer is known by morning.
_KEEPALIVE_IDLE_S = 30
_KEEPALIVE_INTERVAL_S = 10
_KEEPALIVE_PROBES = 3


@dataclass(frozen=True, slots=True)
class SerialSettings:
    """How a serial line is set; used by ASRL addresses only."""

    baud_rate: int = 9600
    data_bits: int = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow_control: Literal["none", "rts-cts", "xon-xoff"] = "none"


@dataclass(frozen=True, slots=True)
class Session:
    """An open resource, and what can be polled below it.

    socket: the connection of a SOCKET, HiSLIP or VXI-11 session.
    descriptor: the file descriptor of a serial session.
    read_part: for VXI-11, one `device_read` call: given the longest wait in s it returns the
        VXI-11 error number, whether the message ended, and the bytes. pyvisa-py's own read drops
        the parts of a message it already has when a later part is not there in time.
    write_blindly: for VXI-11, a `device_write` call whose answer is not waited for.
    """

    transport: Transport
    resource: MessageBasedResource
    socket: socket.socket | None = None
    descriptor: int | None = None
    read_part: Callable[[float], tuple[int, bool, bytes]] | None = None
    write_blindly: Callable[[bytes], None] | None = None


class _Socket(TCPIPSocketSession):  # type: ignore[misc]
    """A raw socket session that is connected before it says so."""

    def _connect(self) -> StatusCode:
        host = self.parsed.host_address.removeprefix("[").removesuffix("]")
        # Without a watch: its channel waits by itself, and what may stop the opening must not be
        # asked in later calls, which another thread may make.
        self.interface = connected_plainly(host, int(self.parsed.port))
        return StatusCode.success


class _Library(PyVisaLibrary):  # type: ignore[misc]
    """pyvisa-py with our raw sockets, and without the leak at closing."""

    def open(
        self,
        session: Any,
        resource_name: str,
        access_mode: Any = pyvisa.constants.AccessModes.no_lock,
        open_timeout: int | None = 0,
    ) -> tuple[Any, StatusCode]:
        parsed = rname.parse_resource_name(resource_name)
        if isinstance(parsed, rname.TCPIPSocket):
            opened = _Socket(session, resource_name, parsed, open_timeout)
            return self._register(opened), StatusCode.success
        return cast(
            tuple[Any, StatusCode],
            super().open(session, resource_name, access_mode, open_timeout),
        )

    def close(self, session: Any) -> StatusCode:
        try:
            return cast(StatusCode, super().close(session))
        finally:
            for table in (
                self.sessions,
                self._last_status_in_session,
                self._ignore_warning_in_session,
            ):
                table.pop(session, None)


@cache
def _manager() -> pyvisa.ResourceManager:
    install()
    return pyvisa.ResourceManager(_Library("py"))


def open_session(
    address: str,
    *,
    timeout_s: float,
    open_timeout_s: float,
    serial: SerialSettings,
    cancel: Cancel | None = None,
) -> Session:
    """Open a resource. Raises what the transport raises: OSError, pyvisa errors, and others.

    open_timeout_s: for the connection and the first words of its protocol, over a network.
    cancel: obeyed (Stopped) all the while, over a network.

    The caller runs on the thread that will use the session and close it.
    """
    transport = transport_of(address)
    try:
        with opening(open_timeout_s, cancel):
            resource = cast(
                MessageBasedResource,
                _manager().open_resource(
                    address, open_timeout=max(1, round(open_timeout_s * 1000))
                ),
            )
    except Exception as error:
        # pyvisa and pyvisa-py wrap what comes up while a HiSLIP session is opened.
        cause: BaseException | None = error
        while cause is not None:
            if isinstance(cause, Stopped):
                raise cause from None
            cause = cause.__cause__ or cause.__context__
        raise
    resource.timeout = round(timeout_s * 1000)
    inner = _manager().visalib.sessions[resource.session]  # type: ignore[attr-defined]
    if transport == "socket":
        _tune(inner.interface, timeout_s)
        return Session(transport, resource, socket=inner.interface)
    if transport == "hislip":
        _tune(inner.interface._sync, timeout_s)
        return Session(transport, resource, socket=inner.interface._sync)
    if transport == "vxi11":
        _tune(inner.interface.sock, timeout_s)
        return Session(
            transport,
            resource,
            socket=inner.interface.sock,
            read_part=partial(_read_part, inner),
            write_blindly=partial(_write_blindly, inner),
        )
    if transport == "serial":
        _tune_serial(cast(SerialInstrument, resource), serial)
        descriptor = getattr(inner.interface, "fd", None)
        return Session(transport, resource, descriptor=descriptor)
    return Session(transport, resource)


def close_session(session: Session, *, abandon: bool) -> None:
    """Close a resource, whatever state it is in.

    abandon: the peer does not answer, so do not announce the end: VXI-11 would wait five seconds
        for the reply to that.
    """
    if session.socket is not None and (abandon or session.transport == "socket"):
        part_with(session.socket)
    # An error while closing must not hide the reason for closing. The socket or descriptor is
    # closed in any case.
    with contextlib.suppress(Exception):
        session.resource.close()
    if session.socket is not None:
        session.socket.close()


def _read_part(inner: Any, timeout_s: float) -> tuple[int, bool, bytes]:
    error, reason, data = inner.interface.device_read(
        inner.link,
        min(inner.max_recv_size, READ_PART_BYTES),
        round(timeout_s * 1000),
        inner.lock_timeout,
        0,
        0,
    )
    # On an error pyvisa-py puts an explanation where the reason belongs.
    return (int(error), False, b"") if error else (0, bool(reason & RX_END), bytes(data))


def _write_blindly(inner: Any, data: bytes) -> None:
    client = inner.interface
    client.start_call(DEVICE_WRITE)
    client.packer.pack_device_write_parms((inner.link, 1000, inner.lock_timeout, OP_FLAG_END, data))
    send_record(client)


def _tune(connection: socket.socket, timeout_s: float) -> None:
    """No Nagle; a peer that stops acknowledging ends the connection instead of blocking it."""
    options = [
        (socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),
        (socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1),
        (socket.IPPROTO_TCP, getattr(socket, "TCP_KEEPIDLE", None), _KEEPALIVE_IDLE_S),
        (socket.IPPROTO_TCP, getattr(socket, "TCP_KEEPINTVL", None), _KEEPALIVE_INTERVAL_S),
        (socket.IPPROTO_TCP, getattr(socket, "TCP_KEEPCNT", None), _KEEPALIVE_PROBES),
        (
            socket.IPPROTO_TCP,
            getattr(socket, "TCP_USER_TIMEOUT", None),
            max(1000, round(timeout_s * 1000)),
        ),
    ]
    for level, option, value in options:
        if option is not None:
            connection.setsockopt(level, option, value)


def _tune_serial(resource: SerialInstrument, settings: SerialSettings) -> None:
    resource.baud_rate = settings.baud_rate
    resource.data_bits = settings.data_bits
    resource.parity = Parity[settings.parity]
    resource.stop_bits = StopBits.one if settings.stop_bits == 1 else StopBits.two
    resource.flow_control = {
        "none": ControlFlow.none,
        "rts-cts": ControlFlow.rts_cts,
        "xon-xoff": ControlFlow.xon_xoff,
    }[settings.flow_control]
    # Replies are framed by drivers.framing, so the session itself must look for no ending.
    resource.end_input = SerialTermination.none
    resource.end_output = SerialTermination.none
