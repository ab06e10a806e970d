"""Which living daemon owns an instrument. Ownership belongs to addresses, not to benches.

Two daemons on one bench would switch RF on while the other has asked for hands in the box, and
two bench files can share one instrument. So a daemon claims the address of each instrument, from
before its first OFF until it ends. The claim ends with the process, however that ends.

On Linux a claim is a listening socket of an abstract name. Unlike a lock file it needs no folder
that every user may write to, works where a service may write nowhere, and leaves nothing behind.
A second name beside it tells the process and the bench to whoever meets it. Elsewhere it is a
locked file in the folder for temporary files.

What this cannot know: a daemon on another computer or in a container with a network of its own,
and one instrument that two benches reach over different transports at unusual ports.
"""

from __future__ import annotations

import hashlib
import os
import re
import socket
import sys
import tempfile
import threading
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from drivers.addresses import canonical_address

_NETWORK = re.compile(r"(TCPIP[0-9]*::)(\[[^\]]*\]|[^,\[\]]*?)((?:,[0-9]+)?::.*)", re.IGNORECASE)
_SOCKET = re.compile(r"(TCPIP[0-9]*::)(.*?)(::[0-9]+::SOCKET)", re.IGNORECASE)
_FIRST_OF_A_HOST = re.compile(r"SOCKET::(.*)::5025|HISLIP::(.*)::4880::hislip0|VXI11::(.*)::inst0")
_MOST_NAME_BYTES = 107  # of a socket's name on Linux, unix(7)


@dataclass(frozen=True, slots=True)
class Owner:
    """The process that owns an instrument. pid 0 and bench "" where it cannot be told."""

    pid: int
    bench: str

    def __str__(self) -> str:
        process = f"process {self.pid}" if self.pid else "another process"
        return f"{process}, bench {self.bench}" if self.bench else process


def split_host(address: str) -> tuple[str, str, str] | None:
    """A network address as what stands before, in, and after its host; None for another kind."""
    match = _SOCKET.fullmatch(address.strip()) or _NETWORK.fullmatch(address.strip())
    return None if match is None else (match.group(1), match.group(2), match.group(3))


def resolved_hosts(address: str) -> tuple[str, ...]:
    """IP addresses of the host of a network address; () where there are none. May take long."""
    parts = split_host(address)
    if parts is None:
        return ()
    host = parts[1].removeprefix("[").removesuffix("]")
    try:
        found = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError, ValueError):
        return ()
    return tuple(dict.fromkeys(str(entry[4][0]) for entry in found))


def instrument_keys(address: str, resolved: Iterable[str] = ()) -> tuple[str, ...]:
    """The names under which an instrument is claimed; two addresses that share one are the same.

    resolved: IP addresses of its host. All addresses of this computer itself count as one. The
    first instrument of a host is the same over its usual port for raw sockets, HiSLIP and VXI-11
    (5025, `hislip0`, `inst0`: common practice, no source).
    """
    texts = [address]
    if (parts := split_host(address)) is not None:
        before, host, after = parts
        hosts = [host, *resolved]
        texts = [
            f"{before}{'127.0.0.1' if _is_here(one) else one}{after}"
            for one in dict.fromkeys(hosts)
        ]
    keys = []
    for text in texts:
        try:
            key = canonical_address(text)
        except ValueError:
            key = text.strip().upper()
        first = _FIRST_OF_A_HOST.fullmatch(key)
        if first is not None:
            keys.append("FIRST::" + next(group for group in first.groups() if group is not None))
        else:
            keys.append(key)
    return tuple(dict.fromkeys(keys))


def _is_here(host: str) -> bool:
    """Whether an IP address is one of this computer's own: only those can be bound."""
    plain = host.removeprefix("[").removesuffix("]").partition("%")[0]
    for family in (socket.AF_INET, socket.AF_INET6):
        with suppress(OSError, ValueError):
            socket.inet_pton(family, plain)
            if plain in ("0.0.0.0", "::"):
                return True
            with socket.socket(family, socket.SOCK_DGRAM) as probe:
                probe.bind((plain, 0))
            return True
    return False


class _Place(Protocol):
    def take(self, key: str, bench: str) -> Owner | None:
        """Claim, or the owner who has it. Raises OSError."""

    def tell(self, key: str, bench: str) -> None:
        """Put the bench's name beside a claim of this process."""

    def owner(self, key: str) -> Owner | None:
        """Who has claimed it. Raises OSError."""

    def drop(self, key: str) -> None:
        """End a claim."""


class Ownership:
    """The claims of this process. May be used from several threads."""

    def __init__(self, place: _Place | None = None) -> None:
        self._place = place or _default_place()
        self._held: set[str] = set()
        self._lock = threading.Lock()

    def claim(self, keys: Iterable[str], bench: str) -> Owner | None:
        """Own an instrument; None when done, else who owns it, and then nothing was claimed.

        Raises OSError where the system allows no claims.
        """
        with self._lock:
            taken: list[str] = []
            for key in keys:
                if key in self._held:
                    self._place.tell(key, bench)
                    continue
                owner = self._place.take(key, bench)
                if owner is not None:
                    for one in taken:
                        self._place.drop(one)
                        self._held.discard(one)
                    return owner
                taken.append(key)
                self._held.add(key)
            return None

    def let_go(self, keys: Iterable[str]) -> None:
        """End the claims of an instrument that this process uses no more."""
        with self._lock:
            for key in keys:
                if key in self._held:
                    self._place.drop(key)
                    self._held.discard(key)

    def release(self) -> None:
        """End all claims; harmless if already done."""
        with self._lock:
            for key in self._held:
                self._place.drop(key)
            self._held.clear()


def owner_of(keys: Iterable[str], place: _Place | None = None) -> Owner | None:
    """Who owns an instrument now; None for nobody."""
    place = place or _default_place()
    for key in keys:
        with suppress(OSError):
            owner = place.owner(key)
            if owner is not None:
                return owner
    return None


def _default_place() -> _Place:
    return AbstractNames() if sys.platform == "linux" else LockedFiles()


class AbstractNames:
    """Claims as sockets of abstract names (Linux)."""

    def __init__(self) -> None:
        self._sockets: dict[str, list[socket.socket]] = {}

    def take(self, key: str, bench: str) -> Owner | None:
        """Claim, or the owner who has it."""
        digest = _digest(key)
        claim = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            claim.bind(f"\0benchd-owns/{digest}".encode())
        except OSError as error:
            claim.close()
            if error.errno != 98:  # EADDRINUSE, the same on every Linux
                raise
            return self._who(digest)
        claim.listen(1)
        self._sockets[key] = [claim]
        self.tell(key, bench)
        return None

    def tell(self, key: str, bench: str) -> None:
        """Put the bench's name beside a claim of this process."""
        claim, *notes = self._sockets[key]
        for note in notes:
            note.close()
        note = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._sockets[key] = [claim, note]
        name = f"\0benchd-note/{_digest(key)}/{os.getpid()}/{_word(bench)}".encode()
        with suppress(OSError):
            note.bind(name[:_MOST_NAME_BYTES])

    def owner(self, key: str) -> Owner | None:
        """Who has claimed it. Nobody takes the connection: that it can be asked for is enough."""
        digest = _digest(key)
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
            probe.setblocking(False)
            try:
                probe.connect(f"\0benchd-owns/{digest}".encode())
            except ConnectionRefusedError:
                return None
            except BlockingIOError:
                pass  # so many have asked before
        return self._who(digest)

    def drop(self, key: str) -> None:
        """End a claim."""
        for one in self._sockets.pop(key, ()):
            one.close()

    def _who(self, digest: str) -> Owner:
        """From the note beside the claim, which the kernel lists."""
        start = f"@benchd-note/{digest}/"
        with suppress(OSError), open("/proc/net/unix", encoding="utf-8", errors="replace") as names:
            for line in names:
                _, found, rest = line.rstrip("\n").partition(start)
                if found:
                    pid, _, bench = rest.partition("/")
                    return Owner(int(pid) if pid.isdigit() else 0, bench)
        return Owner(0, "")


class LockedFiles:
    """Claims as locks on files that all users may open."""

    def __init__(self, folder: Path | None = None) -> None:
        self._folder = folder or Path(tempfile.gettempdir()) / "benchd-owners"
        self._descriptors: dict[str, int] = {}

    def take(self, key: str, bench: str) -> Owner | None:
        """Claim, or the owner who has it."""
        import fcntl

        self._folder.mkdir(exist_ok=True)
        with suppress(OSError):  # somebody else's folder
            self._folder.chmod(0o1777)
        file = self._folder / _digest(key)
        try:
            descriptor = os.open(file, os.O_RDWR | os.O_CLOEXEC)
        except FileNotFoundError:
            descriptor = os.open(file, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
            os.fchmod(descriptor, 0o666)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            pid, _, name = os.pread(descriptor, 200, 0).decode(errors="replace").partition("/")
            os.close(descriptor)
            return Owner(int(pid) if pid.isdigit() else 0, name)
        self._descriptors[key] = descriptor
        self.tell(key, bench)
        return None

    def tell(self, key: str, bench: str) -> None:
        """Put the bench's name into the file of a claim of this process."""
        with suppress(OSError):
            os.ftruncate(self._descriptors[key], 0)
            os.pwrite(self._descriptors[key], f"{os.getpid()}/{_word(bench)}".encode(), 0)

    def owner(self, key: str) -> Owner | None:
        """Who has claimed it; found out by claiming for a moment."""
        owner = self.take(key, "")
        if owner is None:
            self.drop(key)
        return owner

    def drop(self, key: str) -> None:
        """End a claim."""
        if (descriptor := self._descriptors.pop(key, None)) is not None:
            os.close(descriptor)


def _digest(key: str) -> str:
    return hashlib.sha256(key.encode("utf-8", "replace")).hexdigest()[:24]


def _word(bench: str) -> str:
    return "".join(letter for letter in bench if letter.isprintable())[:48]
