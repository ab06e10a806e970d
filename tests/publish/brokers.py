"""Real brokers for tests: Mosquitto in a process of its own, and a proxy to make it awkward."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path

from tests.patience import PATIENCE_S
from tests.provisions import program


def free_port() -> int:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


class Mosquitto:
    """One Mosquitto on loopback. Its files lie in a folder that its own user may read.

    Started by root it gives up root's rights, so a private temporary folder would not do.
    """

    def __init__(self, *lines: str, files: dict[str, str] | None = None) -> None:
        self.port = free_port()
        self.folder = Path(tempfile.mkdtemp(prefix="broker-"))
        self.folder.chmod(0o755)
        (self.folder / "kept").mkdir()
        (self.folder / "kept").chmod(0o777)
        for name, text in (files or {}).items():
            self.write(name, text)
        self.lines = lines or ("allow_anonymous true",)
        self.process: subprocess.Popen[str] | None = None

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"

    def write(self, name: str, text: str) -> None:
        path = self.folder / name
        path.write_text(text)
        path.chmod(0o644)

    def set_password(self, user: str, password: str) -> None:
        path = self.folder / "passwords"
        # The cheaper of its two hashes: the dear one takes a second.
        command = [program("mosquitto_passwd"), "-H", "sha512", "-b", str(path), user, password]
        path.touch()
        subprocess.run(command, check=True, capture_output=True)
        path.chmod(0o644)

    def start(self) -> None:
        """Returns when it listens."""
        text = "\n".join(
            line.replace("FOLDER", str(self.folder))
            for line in (f"listener {self.port} 127.0.0.1", *self.lines)
        )
        self.write("mosquitto.conf", text + "\n")
        with (self.folder / "log").open("a") as log:
            self.process = subprocess.Popen(
                [program("mosquitto"), "-c", str(self.folder / "mosquitto.conf")],
                stdout=log,
                stderr=log,
                text=True,
            )
        deadline = time.monotonic() + PATIENCE_S
        while True:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port)):
                return
            assert self.process.poll() is None, (self.folder / "log").read_text()
            assert time.monotonic() < deadline, "Mosquitto does not listen"
            time.sleep(0.01)

    def signal(self, number: int) -> None:
        assert self.process is not None
        self.process.send_signal(number)

    def kill(self) -> None:
        """As a power cut would."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def reload(self) -> None:
        """Have it read passwords and access rules again."""
        self.signal(signal.SIGHUP)

    def close(self) -> None:
        self.kill()
        shutil.rmtree(self.folder)


@dataclass
class Proxy:
    """Between client and broker: can hold back what the broker says, and cut the wire."""

    target: int
    port: int = 0
    connections: int = 0
    _open: set[asyncio.StreamWriter] = field(default_factory=set)
    _talks: asyncio.Event = field(default_factory=asyncio.Event)

    def hold_back(self) -> None:
        self._talks.clear()

    def let_through(self) -> None:
        self._talks.set()

    def cut(self) -> None:
        for writer in self._open:
            writer.transport.abort()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        try:
            there_reader, there = await asyncio.open_connection("127.0.0.1", self.target)
        except OSError:
            writer.transport.abort()
            return
        self._open |= {writer, there}

        async def carry(source: asyncio.StreamReader, to: asyncio.StreamWriter, held: bool) -> None:
            try:
                while data := await source.read(65536):
                    if held:
                        await self._talks.wait()
                    to.write(data)
                    await to.drain()
            except OSError:
                pass
            finally:
                to.close()

        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.gather(carry(reader, there, False), carry(there_reader, writer, True))
        self._open -= {writer, there}

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator[Proxy]:
        self.let_through()
        server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        try:
            yield self
        finally:
            server.close()
            self.let_through()
            self.cut()
            await server.wait_closed()


@dataclass(frozen=True)
class Certificates:
    """A CA of our own, a certificate for 127.0.0.1 signed by it, and a CA that signed nothing."""

    ca: Path
    other_ca: Path
    certificate: Path
    key: Path

    @classmethod
    def make(cls, folder: Path) -> Certificates:
        def run(*arguments: str) -> None:
            subprocess.run(
                [program("openssl"), *arguments], check=True, capture_output=True, cwd=folder
            )

        curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
        for name in ("ca", "other"):
            run("req", "-x509", *curve, "-keyout", f"{name}.key", "-out", f"{name}.pem",
                "-days", "2", "-subj", f"/CN=workshop {name}",
                "-addext", "keyUsage=critical,keyCertSign,cRLSign")  # fmt: skip
        run("req", *curve, "-keyout", "broker.key", "-out", "broker.csr", "-subj", "/CN=broker")
        (folder / "names").write_text(
            "subjectAltName=IP:127.0.0.1\nauthorityKeyIdentifier=keyid\nbasicConstraints=CA:FALSE\n"
        )
        run("x509", "-req", "-in", "broker.csr", "-CA", "ca.pem", "-CAkey", "ca.key",
            "-CAcreateserial", "-out", "broker.pem", "-days", "2", "-extfile", "names")  # fmt: skip
        for path in folder.iterdir():
            path.chmod(0o644)
        return cls(*(folder / name for name in ("ca.pem", "other.pem", "broker.pem", "broker.key")))
