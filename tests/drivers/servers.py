"""Small TCP and serial servers that answer, or misbehave, exactly as a test says.

Real sockets and real pseudo-terminals; one thread for each connection. A handler is given a
`Peer` and may return (the connection is closed then), wait on an event, or raise.
"""

from __future__ import annotations

import os
import select
import socket
import struct
import termios
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from tests.patience import PATIENCE_S

IDENTITY = "Workshop,Source-6G,0001,1.0"


class Peer:
    """The server's end of one connection.

    number: counts connections from 1. heard: the messages that came over this one.
    """

    def __init__(self, connection: socket.socket, number: int, stop: threading.Event) -> None:
        self.connection = connection
        self.number = number
        self.stop = stop
        self.heard: list[str] = []
        self._data = bytearray()

    def lines(self) -> Iterator[str]:
        """Messages as they come, without terminator, until the client closes."""
        while True:
            while (end := self._data.find(b"\n")) >= 0:
                line = self._data[:end].decode("latin-1")
                del self._data[: end + 1]
                self.heard.append(line)
                yield line
            try:
                data = self.connection.recv(65536)
            except OSError:
                return
            if not data:
                return
            self._data += data

    def send(self, data: bytes | str) -> None:
        self.connection.sendall(data.encode("latin-1") if isinstance(data, str) else data)

    def reset(self) -> None:
        """End the connection with RST instead of FIN."""
        self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.connection.close()

    def wait(self) -> None:
        """Do nothing until the test ends."""
        self.stop.wait()


class Server:
    """A listening server.

    messages: everything received, over all connections.
    peers: one per connection so far.
    """

    def __init__(self, handler: Callable[[Server, Peer], None]) -> None:
        self._handler = handler
        self.messages: list[str] = []
        self.peers: list[Peer] = []
        self.errors: list[BaseException] = []
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._start(self._accept)

    @property
    def address(self) -> str:
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    def close(self) -> None:
        self._stop.set()
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for peer in self.peers:
            with suppress(OSError):
                peer.connection.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join(10.0)
            assert not thread.is_alive(), "a server thread did not end"

    def _start(self, work: Callable[[], None]) -> None:
        thread = threading.Thread(target=work, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            peer = Peer(connection, len(self.peers) + 1, self._stop)
            self.peers.append(peer)
            self._start(lambda peer=peer: self._serve(peer))

    def _serve(self, peer: Peer) -> None:
        try:
            self._handler(self, peer)
        except (BrokenPipeError, ConnectionResetError):
            pass
        except BaseException as error:
            self.errors.append(error)
        finally:
            peer.connection.close()


@contextmanager
def serving(handler: Callable[[Server, Peer], None]) -> Iterator[Server]:
    """A server for the time of a `with` block; a fault in the handler fails the test."""
    server = Server(handler)
    try:
        yield server
    finally:
        server.close()
    assert server.errors == []


Answer = Callable[[str], bytes | str | None]


def answering(answer: Answer, identity: str = IDENTITY) -> Callable[[Server, Peer], None]:
    """A handler that answers `*IDN?` by itself and every other line by the function."""

    def handle(server: Server, peer: Peer) -> None:
        for line in peer.lines():
            server.messages.append(line)
            reply = f"{identity}\n" if line == "*IDN?" else answer(line)
            if reply is not None:
                peer.send(reply)

    return handle


@contextmanager
def serial_line(
    answer: Answer, identity: str = IDENTITY, ending: bytes = b"\n"
) -> Iterator[SerialEnd]:
    """An instrument at the far end of a pseudo-terminal. ending: of messages, and its own."""
    end = SerialEnd(answer, identity, ending)
    try:
        yield end
    finally:
        end.close()


class SerialEnd:
    """The instrument's end of a serial line."""

    def __init__(self, answer: Answer, identity: str, ending: bytes = b"\n") -> None:
        self._answer = answer
        self._identity = identity
        self._ending = ending
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.address = f"ASRL{os.ttyname(self._slave)}::INSTR"
        self.messages: list[str] = []
        self._wake_read, self._wake_write = os.pipe()
        self._hung_up = False
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def settings(self) -> tuple[int, int]:
        """What the line is set to: control flags and speed, as termios has them."""
        found = termios.tcgetattr(self._slave)
        return found[2], found[5]

    def disturb(self, speed: int) -> None:
        """As another program would leave the line."""
        found = termios.tcgetattr(self._slave)
        found[2] &= ~termios.CSTOPB
        found[4] = found[5] = speed
        termios.tcsetattr(self._slave, termios.TCSANOW, found)

    def send(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._master, data) :]

    def hang_up(self) -> None:
        """Unplug the line."""
        self._end_thread()
        os.close(self._slave)
        os.close(self._master)
        self._hung_up = True

    def close(self) -> None:
        self._end_thread()
        if not self._hung_up:
            os.close(self._slave)
            os.close(self._master)

    def _end_thread(self) -> None:
        if self._thread.is_alive():
            os.write(self._wake_write, b"x")
            self._thread.join(10.0)
            os.close(self._wake_read)
            os.close(self._wake_write)

    def _serve(self) -> None:
        data = bytearray()
        while True:
            ready, _, _ = select.select([self._master, self._wake_read], [], [])
            if self._wake_read in ready:
                return
            data += os.read(self._master, 65536)
            while (end := data.find(self._ending)) >= 0:
                line = data[:end].decode("latin-1")
                del data[: end + len(self._ending)]
                self.messages.append(line)
                own = self._ending.decode()
                reply = f"{self._identity}{own}" if line == "*IDN?" else self._answer(line)
                if reply is not None:
                    self.send(reply.encode("latin-1") if isinstance(reply, str) else reply)


def wait_until(condition: Callable[[], bool], limit_s: float = PATIENCE_S) -> None:
    """Poll until something another thread does has happened; the test fails if it never does."""
    deadline = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < deadline, "it never happened"
        time.sleep(0.001)
