"""The sample configurations in deploy/: a real broker starts on them and does what is promised."""

from __future__ import annotations

import asyncio
import configparser
import contextlib
import re
import shlex
import shutil
import socket
import ssl
import subprocess
import tempfile
import time
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass
from pathlib import Path

import aiomqtt
import pytest
import typer.main

from benchd.cli.app import app
from benchd.cli.quick_rf_off import quick_options
from benchd.engine.hang_detector import HANGS_AFTER_TICKS, TICK_S
from benchd.service.alive import HELPER_WITHIN_S, SILENT_TICKS, TOLD_WITHIN_S
from tests.patience import PATIENCE_S
from tests.provisions import program
from tests.publish.brokers import Certificates, free_port

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
OURS = "/etc/mosquitto/benchd/"
KEPT = "/var/lib/mosquitto/"
PASSWORDS = {"benchd": "one", "reader": "two", "operator": "three"}
SHELL = re.compile(r"^```sh\n(.*?)^```", re.DOTALL | re.MULTILINE)


@dataclass(frozen=True)
class Broker:
    """The sample broker with its two listeners."""

    plain: int
    secure: int
    ca: Path


@pytest.fixture(scope="module")
def sample_broker() -> Iterator[Broker]:
    """Mosquitto on the sample files; only folders and ports are other ones."""
    # Started by root it gives up root's rights, so pytest's private folder would not do.
    folder = Path(tempfile.mkdtemp(prefix="deploy-"))
    folder.chmod(0o755)
    (folder / "kept").mkdir()
    (folder / "kept").chmod(0o777)
    Certificates.make(folder)
    ports = Broker(free_port(), free_port(), folder / "ca.pem")
    (folder / "mosquitto.acl").write_text((DEPLOY / "mosquitto.acl").read_text())
    for number, (user, password) in enumerate(PASSWORDS.items()):
        create = [] if number else ["-c"]
        subprocess.run(
            [program("mosquitto_passwd"), *create, "-H", "sha512", "-b",
             str(folder / "passwords"), user, password],
            check=True, capture_output=True,
        )  # fmt: skip
    text = (DEPLOY / "mosquitto.conf").read_text()
    assert text.count(OURS) == 5
    text = text.replace(OURS, f"{folder}/").replace(KEPT, f"{folder}/kept/")
    text = text.replace("listener 1883 ", f"listener {ports.plain} ")
    text = text.replace("listener 8883", f"listener {ports.secure} 127.0.0.1")
    (folder / "mosquitto.conf").write_text(text)
    for path in folder.iterdir():
        if path.is_file():
            path.chmod(0o644)
    with (folder / "log").open("w") as log:
        process = subprocess.Popen(
            [program("mosquitto"), "-c", str(folder / "mosquitto.conf")], stdout=log, stderr=log
        )
    try:
        for port in (ports.plain, ports.secure):
            _await_listener(port, process, folder / "log")
        yield ports
    finally:
        process.kill()
        process.wait()
        shutil.rmtree(folder)


def _await_listener(port: int, process: subprocess.Popen[bytes], log: Path) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while True:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port)):
            return
        assert process.poll() is None, log.read_text()
        assert time.monotonic() < deadline, log.read_text()
        time.sleep(0.01)


@contextlib.asynccontextmanager
async def client(port: int, user: str | None, **more: object) -> AsyncIterator[aiomqtt.Client]:
    password = PASSWORDS.get(user or "")
    async with (
        asyncio.timeout(PATIENCE_S),
        aiomqtt.Client("127.0.0.1", port, username=user, password=password, **more) as connected,  # type: ignore[arg-type]
    ):
        yield connected


async def test_nobody_comes_in_without_a_password(sample_broker: Broker) -> None:
    with pytest.raises(aiomqtt.MqttError, match="Not authorized"):
        async with client(sample_broker.plain, None):
            pass


async def test_the_secure_listener_shows_the_certificate_of_the_authority(
    sample_broker: Broker,
) -> None:
    context = ssl.create_default_context(cafile=str(sample_broker.ca))
    async with client(sample_broker.secure, "reader", tls_context=context) as reader:
        await reader.subscribe("benchd/#", qos=1)


def test_whoever_does_not_know_the_authority_refuses_the_broker(sample_broker: Broker) -> None:
    with (
        socket.create_connection(("127.0.0.1", sample_broker.secure)) as plain,
        pytest.raises(ssl.SSLCertVerificationError, match="certificate verify failed"),
    ):
        ssl.create_default_context().wrap_socket(plain, server_hostname="127.0.0.1")


async def _heard(sample_broker: Broker, sender: str, topic: str) -> list[str]:
    """Topics that a reader hears when `sender` publishes to `topic` and the daemon then ends."""
    heard = []
    async with client(sample_broker.plain, "reader") as reader:
        await reader.subscribe("benchd/#", qos=1)
        async with client(sample_broker.plain, sender) as from_sender:
            await from_sender.publish(topic, "x", qos=1)
        async with client(sample_broker.plain, "benchd") as daemon:
            await daemon.publish("benchd/my-bench/end", "x", qos=1)
        async for message in reader.messages:
            heard.append(str(message.topic))
            if heard[-1].endswith("/end"):
                break
    return heard[:-1]


@pytest.mark.parametrize(
    ("sender", "topic", "passes"),
    [
        ("benchd", "benchd/my-bench/result", True),
        ("reader", "benchd/my-bench/orders", False),
        ("operator", "benchd/my-bench/orders", True),
        ("operator", "benchd/my-bench/result", False),
        ("operator", "benchd/another-bench/orders", False),
    ],
)
async def test_each_user_may_do_what_the_access_rules_say(
    sample_broker: Broker, sender: str, topic: str, passes: bool
) -> None:
    assert await _heard(sample_broker, sender, topic) == ([topic] if passes else [])


async def test_a_reader_that_is_away_finds_more_than_a_thousand_messages_on_its_return(
    sample_broker: Broker,
) -> None:
    count = 1500  # Mosquitto's own default keeps 1,000
    away: dict[str, object] = {"identifier": "away", "clean_session": False}
    async with client(sample_broker.plain, "reader", **away) as reader:
        await reader.subscribe("benchd/my-bench/result", qos=1)
    async with client(sample_broker.plain, "benchd") as daemon:
        for number in range(count):
            await daemon.publish("benchd/my-bench/result", str(number), qos=1)
    numbers = []
    async with client(sample_broker.plain, "reader", **away) as reader:
        async for message in reader.messages:
            assert isinstance(message.payload, bytes)
            numbers.append(int(message.payload))
            if len(numbers) == count:
                break
    assert numbers == list(range(count))


def test_the_unit_starts_a_command_that_benchd_takes() -> None:
    unit = configparser.ConfigParser(interpolation=None, strict=False)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read(DEPLOY / "benchd.service")
    program_path, name, *arguments = shlex.split(unit["Service"]["ExecStart"])
    assert (program_path, name) == ("/opt/benchd/bin/benchd", "serve")
    command = typer.main.get_command(app).commands[name]  # type: ignore[attr-defined]
    options = command.make_context(name, arguments).params
    assert options["data"] == Path("/var/lib") / unit["Service"]["StateDirectory"]
    # The password is loaded by systemd under the name that the command line asks for.
    loaded = unit["Service"]["LoadCredential"].partition(":")[0]
    assert options["broker_password_file"] == Path(f"${{CREDENTIALS_DIRECTORY}}/{loaded}")


def test_the_unit_waits_for_ready_and_for_signs_of_life_longer_than_a_hang_takes() -> None:
    """The daemon ends a bench thread that hangs by itself, with RF off, before systemd would."""
    unit = configparser.ConfigParser(interpolation=None, strict=False)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read(DEPLOY / "benchd.service")
    assert unit["Service"]["Type"] == "notify"
    assert unit["Service"]["Restart"] == "always"
    ends_by_itself_s = TICK_S * HANGS_AFTER_TICKS + HELPER_WITHIN_S + TOLD_WITHIN_S
    assert float(unit["Service"]["WatchdogSec"]) > ends_by_itself_s - SILENT_TICKS * TICK_S


@pytest.mark.parametrize("when", ["ExecStartPre", "ExecStopPost"])
def test_the_unit_switches_rf_off_before_a_start_and_after_an_end(when: str) -> None:
    unit = configparser.ConfigParser(interpolation=None, strict=False)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read(DEPLOY / "benchd.service")
    program_path, name, *arguments = shlex.split(unit["Service"][when])
    # The dash: a source that is switched off must not keep the daemon from starting.
    assert (program_path, name) == ("-/opt/benchd/bin/benchd", "rf-off")
    options = quick_options(arguments)
    assert options is not None
    assert options.unless_owned
    assert options.data == Path("/var/lib") / unit["Service"]["StateDirectory"]
    started = shlex.split(unit["Service"]["ExecStart"])
    assert str(options.bench) == started[started.index("--bench") + 1]
    assert "AF_UNIX" in unit["Service"]["RestrictAddressFamilies"].split()


def test_the_notes_explain_each_setting_of_the_sample_broker() -> None:
    notes = (DEPLOY / "README.md").read_text()
    settings = [
        line.split()[0]
        for line in (DEPLOY / "mosquitto.conf").read_text().splitlines()
        if line and not line.startswith("#")
    ]
    assert settings
    assert [name for name in settings if f"`{name}" not in notes] == []


@pytest.mark.needs("openssl")
def test_the_notes_make_a_certificate_that_openssl_accepts(tmp_path: Path) -> None:
    (commands,) = [
        block for block in SHELL.findall((DEPLOY / "README.md").read_text()) if "openssl" in block
    ]
    subprocess.run(
        ["sh", "-e", "-c", commands],
        cwd=tmp_path,
        check=True,
        capture_output=True,
        timeout=PATIENCE_S,
    )
    done = subprocess.run(
        [program("openssl"), "verify", "-CAfile", "ca.pem", "-verify_hostname", "broker.example",
         "broker.pem"],
        cwd=tmp_path, capture_output=True, text=True,
    )  # fmt: skip
    assert done.stdout == "broker.pem: OK\n", done.stderr
