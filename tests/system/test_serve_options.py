"""Every option of `benchd serve` reaches the place where it acts.

Each option has a proof here, which looks from outside: at HTTP, at the broker, at the disk. An
option without a proof fails `test_no_option_is_without_a_proof`.
"""

from __future__ import annotations

import json
import ssl
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import paho.mqtt.client as paho
import pytest
import typer

from benchd.cli.app import app
from tests.patience import PATIENCE_S
from tests.publish.brokers import Certificates, Mosquitto, free_port
from tests.system.rigging import BENCH, Daemon, Simulator, ending, until

TOKEN = "the-token-of-these-tests"
TRACE_POINTS = 7
ROOT = "antennas/benches"
RECIPE = (
    "recipe: of-my-own\ntitle: Nothing but a wait\nsteps:\n  - wait: {time: 1 s}\n"
)  # fmt: skip

Proof = Callable[["Scene"], None]
PROOFS: dict[str, Proof] = {}


@dataclass
class Scene:
    """A daemon with a broker of its own, and one with the broker on board."""

    folder: Path
    simulator: Simulator
    mosquitto: Mosquitto
    daemon: Daemon
    messages: list[tuple[str, Any]] = field(default_factory=list)

    def published(self, ending_with: str) -> Any:
        """The first message below the root of this bench on a topic that ends so."""
        return until(
            lambda: next((m for t, m in list(self.messages) if t.endswith(ending_with)), None),
            f"a message on ...{ending_with}",
        )


def proves(option: str) -> Callable[[Proof], Proof]:
    """The function shows where `option` acts."""

    def keep(proof: Proof) -> Proof:
        PROOFS[option] = proof
        return proof

    return keep


def options_of_serve() -> set[str]:
    """All options that `benchd serve --help` lists, but for --help itself."""
    command = typer.main.get_command(app).commands["serve"]  # type: ignore[attr-defined]
    return {one.opts[0] for one in command.params}


def listen(scene: Scene, ca: Path) -> paho.Client:
    """An independent client that keeps everything below the root."""
    ready = threading.Event()
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id="stranger")
    client.username_pw_set("reader", "reading")
    client.tls_set(ca_certs=str(ca), cert_reqs=ssl.CERT_REQUIRED)
    client.on_connect = lambda *_: client.subscribe("#", qos=1)
    client.on_subscribe = lambda *_: ready.set()
    client.on_message = lambda _c, _d, m: scene.messages.append((m.topic, json.loads(m.payload)))
    client.connect("127.0.0.1", scene.mosquitto.port)
    client.loop_start()
    assert ready.wait(PATIENCE_S), "the subscription was not acknowledged"
    return client


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scene]:
    folder = tmp_path_factory.mktemp("options")
    keys = folder / "keys"
    keys.mkdir()
    certificates = Certificates.make(keys)
    broker = Mosquitto(
        "allow_anonymous false", "password_file FOLDER/passwords", "log_type all",
        "cafile FOLDER/ca.pem", "certfile FOLDER/broker.pem", "keyfile FOLDER/broker.key",
        files={
            "ca.pem": certificates.ca.read_text(),
            "broker.pem": certificates.certificate.read_text(),
            "broker.key": certificates.key.read_text(),
        },
    )  # fmt: skip
    broker.set_password("daemon", "publishing")
    broker.set_password("reader", "reading")
    broker.start()
    (folder / "token").write_text(f"{TOKEN}\n")
    (folder / "password").write_text("publishing\n")
    (folder / "my-recipes").mkdir()
    (folder / "my-recipes" / "of-my-own.yaml").write_text(RECIPE)
    bench = folder / "options.yaml"
    bench.write_text(BENCH.read_text().replace("bench: workshop", "bench: options", 1))
    simulator = Simulator(folder)
    with ending(simulator):
        daemon = Daemon(
            folder, simulator, f"mqtts://daemon@127.0.0.1:{broker.port}", bench=bench,
            options=(
                *("--http", "localhost:0", "--http-name", "Bench.Lan"),
                *("--token-file", str(folder / "token"), "--recipes", str(folder / "my-recipes")),
                *("--broker-password-file", str(folder / "password")),
                *("--broker-ca", str(certificates.ca), "--broker-protocol", "3.1.1"),
                *("--topic-root", ROOT, "--trace-points", str(TRACE_POINTS)),
            ),
        )  # fmt: skip
        made = Scene(folder, simulator, broker, daemon)
        with ending(daemon):
            client = listen(made, certificates.ca)
            daemon.http.headers["authorization"] = f"Bearer {TOKEN}"
            yield made
            client.disconnect()
            client.loop_stop()
    broker.close()


def test_no_option_is_without_a_proof() -> None:
    assert options_of_serve() == set(PROOFS)


@pytest.mark.needs("mosquitto", "mosquitto_passwd", "openssl")
@pytest.mark.parametrize("option", sorted(options_of_serve()))
def test_an_option_acts(scene: Scene, option: str) -> None:
    PROOFS[option](scene)


@proves("--bench")
def _(scene: Scene) -> None:
    assert scene.daemon.http.get("/api/health").json()["bench"] == "options"


@proves("--recipes")
def _(scene: Scene) -> None:
    assert "of-my-own" in {one["name"] for one in scene.daemon.http.get("/api/recipes").json()}


@proves("--data")
def _(scene: Scene) -> None:
    assert (scene.folder / "data" / "benchd.sqlite").is_file()


@proves("--http")
def _(scene: Scene) -> None:
    assert scene.daemon.said["http"].startswith("http://localhost:")


@proves("--http-name")
def _(scene: Scene) -> None:
    codes = {
        host: scene.daemon.http.get("/api/health", headers={"host": host}).status_code
        for host in ("bench.lan", "bench.lan:8520", "BENCH.LAN", "other.lan")
    }
    assert codes == {"bench.lan": 200, "bench.lan:8520": 200, "BENCH.LAN": 200, "other.lan": 403}


@proves("--token-file")
def _(scene: Scene) -> None:
    url = f"{scene.daemon.said['http']}/api/health"
    assert httpx.get(url, trust_env=False, timeout=PATIENCE_S).status_code == 401
    assert scene.daemon.http.get("/api/health").status_code == 200


@proves("--broker")
def _(scene: Scene) -> None:
    assert scene.published("/options/presence")["state"] == "online"


@proves("--broker-password-file")
def _(scene: Scene) -> None:
    # Nobody comes in there without the right password.
    _connected(scene)


@proves("--broker-ca")
def _(scene: Scene) -> None:
    # No computer knows this authority by itself.
    _connected(scene)


@proves("--broker-protocol")
def _(scene: Scene) -> None:
    _connected(scene)
    log = (scene.mosquitto.folder / "log").read_text()
    # Mosquitto writes the version as p1 (3.1), p2 (3.1.1) or p5 (5.0); it would have spoken 5.0.
    assert "as benchdoptions (p2," in log
    assert "as benchdoptions (p5," not in log


@proves("--topic-root")
def _(scene: Scene) -> None:
    scene.published("/options/presence")
    assert {topic for topic, _ in scene.messages if not topic.startswith(f"{ROOT}/options/")} == (
        set()
    )


@proves("--address")
def _(scene: Scene) -> None:
    found = scene.daemon.http.get("/api/instruments").json()
    assert {one["name"]: one["address"] for one in found} == scene.simulator.addresses


@proves("--trace-points")
def _(scene: Scene) -> None:
    job = scene.daemon.queue("open-short-baseline")
    scene.daemon.until_state(job, "done")
    stored = scene.daemon.http.get("/api/captures", params={"job": job}).json()
    for capture in stored:
        trace = scene.published(f"{ROOT}/options/trace/{capture['id']}")
        assert trace["schema"] == "benchd.trace/1"
        assert 1 < len(trace["frequency_hz"]) == len(trace["values"]) <= TRACE_POINTS
        assert trace["points_recorded"] == capture["settings"]["points"] > TRACE_POINTS
        start_hz, stop_hz = capture["settings"]["start_hz"], capture["settings"]["stop_hz"]
        assert all(start_hz <= place_hz <= stop_hz for place_hz in trace["frequency_hz"])


@proves("--embedded-port")
def _(scene: Scene) -> None:
    port = free_port()
    folder = scene.folder / "on-board"
    folder.mkdir()
    simulator = Simulator(folder)
    with ending(simulator):
        daemon = Daemon(
            folder, simulator, "embedded",
            options=("--embedded-port", str(port), "--topic-root", "shed"),
        )  # fmt: skip
        with ending(daemon):
            assert daemon.said["broker"] == f"mqtt://127.0.0.1:{port}"
            seen: set[str] = set()
            client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id="guest")
            client.on_connect = lambda *_: client.subscribe("shed/workshop/presence", qos=1)
            client.on_message = lambda _c, _d, message: seen.add(message.topic)
            client.connect("127.0.0.1", port)
            client.loop_start()
            until(lambda: "shed/workshop/presence" in seen, "presence below the other root")
            client.disconnect()
            client.loop_stop()


def _connected(scene: Scene) -> None:
    broker = until(
        lambda: (
            found
            if (found := scene.daemon.http.get("/api/health").json()["broker"])["connected"]
            else None
        ),
        "the daemon to be connected",
    )
    assert broker["address"] == f"mqtts://127.0.0.1:{scene.mosquitto.port}"
