"""Real processes for the system tests: the simulator, the daemon, Mosquitto, an MQTT client.

Nothing here is imported by benchd and nothing of benchd is imported here but the names of its
commands: what the tests see is what a stranger would see.
"""

from __future__ import annotations

import json
import queue
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import paho.mqtt.client as paho

from tests.patience import PATIENCE_S
from tests.provisions import program
from tests.usual import usual

REPOSITORY = Path(__file__).resolve().parents[2]
PROGRAM = (sys.executable, "-m", "benchd")
BENCH = REPOSITORY / "recipes" / "benches" / "workshop.yaml"


def free_port() -> int:
    """A TCP port of loopback that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def until(condition: Callable[[], Any], what: str, patience_s: float = PATIENCE_S) -> Any:
    """Ask again and again until the condition gives something; fail naming what was waited for.

    After a second less often: a question costs the daemon some milliseconds, and many tests wait.
    """
    begun = time.monotonic()
    while (waited_s := time.monotonic() - begun) < patience_s:
        if found := condition():
            return found
        time.sleep(0.02 if waited_s < 1.0 else 0.1)
    raise AssertionError(f"waited {patience_s:.0f} s in vain for {what}")


class Process:
    """A child that says on its first line of stdout, in JSON, when it is ready."""

    def __init__(
        self, command: list[str], log: Path, environ: dict[str, str] | None = None
    ) -> None:
        self.log = log
        with log.open("ab") as errors:
            self.popen = subprocess.Popen(
                command,
                stdout=subprocess.PIPE,
                stderr=errors,
                start_new_session=True,
                env=environ,
            )
        self._lines: queue.Queue[bytes] = queue.Queue()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.popen.stdout is not None
        with self.popen.stdout:
            for line in self.popen.stdout:
                self._lines.put(line)
        self._lines.put(b"")

    def ready(self) -> dict[str, Any]:
        """The ready line. Fails with the log if the process ends first."""
        try:
            line = self._lines.get(timeout=PATIENCE_S)
        except queue.Empty:
            line = b""
        if not line:
            raise AssertionError(f"never became ready:\n{self.log.read_text()[-4000:]}")
        found: dict[str, Any] = json.loads(line)
        return found

    def kill(self) -> None:
        """kill -9."""
        if self.popen.poll() is None:
            self.popen.send_signal(signal.SIGKILL)
        self.popen.wait()
        self._reader.join(timeout=PATIENCE_S)

    def stop(self) -> int:
        """SIGTERM, and the exit status."""
        if self.popen.poll() is None:
            self.popen.send_signal(signal.SIGTERM)
        try:
            return self.popen.wait(timeout=PATIENCE_S)
        except subprocess.TimeoutExpired:
            self.kill()
            raise AssertionError(
                f"did not end after SIGTERM:\n{self.log.read_text()[-4000:]}"
            ) from None


class Simulator(Process):
    """`benchd-simulator`, and the hands of a person through its control port."""

    def __init__(self, folder: Path, world: str = "workshop", *options: str) -> None:
        super().__init__(
            [sys.executable, "-m", "simulators", world, *options], folder / "simulator.log"
        )
        said = self.ready()
        self.addresses: dict[str, str] = said["instruments"]
        self.control = (said["control"]["host"], said["control"]["port"])

    def do(self, verb: str, **details: Any) -> dict[str, Any]:
        """One order to the control port; fails if it is not obeyed."""
        with socket.create_connection(self.control, timeout=PATIENCE_S) as line:
            line.sendall(json.dumps({"do": verb, **details}).encode() + b"\n")
            with line.makefile() as reader:
                answer: dict[str, Any] = json.loads(reader.readline())
        assert answer["ok"], answer
        return answer


@dataclass
class Mosquitto:
    """A real broker on a free port of loopback."""

    folder: Path
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, or start it again with what it kept."""
        data = self.folder / "mosquitto"
        data.mkdir(exist_ok=True)
        for place in (*data.parents, data):
            # Started as root it drops to a user of its own, who must reach its files.
            if place.is_relative_to(Path("/tmp")) and place != Path("/tmp"):
                place.chmod(0o755)
        data.chmod(0o777)
        config = data / "mosquitto.conf"
        config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence true\n"
            f"persistence_location {data}/\nautosave_on_changes true\nautosave_interval 1\n"
            "max_queued_messages 0\nmax_inflight_messages 100\n"
        )
        with (data / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [program("mosquitto"), "-c", str(config)],
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        until(self._answers, "Mosquitto to listen")

    def _answers(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def stop(self) -> None:
        """End it gently, so that it writes what it keeps."""
        if self.process is not None:
            self.process.terminate()
            self.process.wait(timeout=PATIENCE_S)

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"


class Listener:
    """An independent subscriber (paho-mqtt): keeps every message of a bench in order.

    A message is a JSON object, below `reading` a bare number.
    """

    def __init__(self, port: int, topic: str = "benchd/#", client_id: str = "stranger") -> None:
        self.messages: list[tuple[str, Any]] = []
        self._subscribed = threading.Event()
        self.client = paho.Client(
            paho.CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=False
        )
        self.client.on_connect = lambda *_: self.client.subscribe(topic, qos=1)
        self.client.on_subscribe = lambda *_: self._subscribed.set()
        self.client.on_message = self._keep
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self._subscribed.wait(PATIENCE_S), "the subscription was not acknowledged"

    def _keep(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        self.messages.append((message.topic, json.loads(message.payload)))

    def on(self, ending: str) -> list[dict[str, Any]]:
        """Payloads of all topics that end so, in the order of arrival."""
        return [payload for topic, payload in list(self.messages) if topic.endswith(ending)]

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def patient(bench: Path, folder: Path) -> Path:
    """A copy of a bench file whose instruments may take five minutes to answer.

    The simulator's answers wait while it works out its physics, for seconds where the machine is
    busy with other tests; how long an instrument may take decides none of these.
    """
    copy = folder / f"patient-{bench.name}"
    text = re.sub(r"(\n    driver: scpi-[a-z-]+\n)(?!    timeout:)", r"\1    timeout: 300 s\n",
                  bench.read_text())  # fmt: skip
    # With RF on no lid contact is given so long: it may take the most that a bench file can say.
    copy.write_text(
        re.sub(r"(\n    driver: scpi-lid\n)(?!    answer)", r"\1    answer_within: 10 s\n", text)
    )
    return copy


class Daemon(Process):
    """`benchd serve` as a subprocess, and its HTTP API."""

    def __init__(
        self,
        folder: Path,
        simulator: Simulator,
        broker: str,
        *,
        bench: Path = BENCH,
        options: tuple[str, ...] = (),
    ) -> None:
        addresses = [f"{name}={place}" for name, place in simulator.addresses.items()]
        given = [part for text in addresses for part in ("--address", text)]
        super().__init__(
            [
                *(*PROGRAM, "serve"),
                *("--bench", str(patient(bench, folder)), "--data", str(folder / "data")),
                *("--http", "127.0.0.1:0", "--broker", broker),
                *given,
                *options,
            ],
            folder / "daemon.log",
        )
        self.said = self.ready()
        self.http = httpx.Client(base_url=self.said["http"], timeout=PATIENCE_S, trust_env=False)

    def queue(self, recipe: str, **arguments: str) -> str:
        """Queue a shipped recipe, with the usual antenna unless one is named; its job id."""
        body = {"recipe": recipe, "arguments": usual(recipe, arguments)}
        answer = self.http.post("/api/jobs", json=body)
        assert answer.status_code < 300, answer.text
        job: str = answer.json()["id"]
        return job

    def queue_text(self, text: str, **arguments: str) -> str:
        """Queue a recipe given in full; its job id."""
        answer = self.http.post(
            "/api/jobs", json={"text": text, "file": "test.yaml", "arguments": arguments}
        )
        assert answer.status_code < 300, answer.text
        job: str = answer.json()["id"]
        return job

    def job(self, job_id: str) -> dict[str, Any]:
        """A job as the API tells it."""
        found: dict[str, Any] = self.http.get(f"/api/jobs/{job_id}").json()
        return found

    def until_state(self, job_id: str, *states: str, patience_s: float = PATIENCE_S) -> Any:
        """Wait until the job is in one of the states; fail early if it ends in another."""

        def there() -> Any:
            job = self.job(job_id)
            if job["state"] not in states and job["state"] in ("done", "failed", "withdrawn"):
                raise AssertionError(f"job ended {job['state']}: {job['message']}")
            return job if job["state"] in states else None

        return until(there, f"job {job_id} to be {' or '.join(states)}", patience_s)


@contextmanager
def ending(*processes: Any) -> Iterator[None]:
    """Kill what is left, whatever happened."""
    try:
        yield
    finally:
        for process in processes:
            if isinstance(process, Process):
                process.kill()
                if isinstance(process, Daemon):
                    process.http.close()
            elif isinstance(process, Mosquitto):
                process.stop()
