"""`benchd instruments --test`: a dialect is found out by trying, and RF stays off meanwhile."""

from __future__ import annotations

import json
import socketserver
import subprocess
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML

from tests.patience import PATIENCE_S
from tests.system.rigging import PROGRAM, Daemon, Simulator, ending

HEAD = """\
bench: attic
title: A source of its own make
timezone: UTC
instruments:
  generator:
    kind: source
    driver: scpi-source
    timeout: 2 s
    address: "TCPIP::127.0.0.1::PORT::SOCKET"
    frequency: [400 MHz, 3 GHz]
    level: [-60 dBm, 10 dBm]
"""
TAIL = "box: {inside: [600 mm, 400 mm, 400 mm], shielded: no}\nroutes: {}\n"


@dataclass
class Attic:
    """A source that has no sweep of its own, words its level otherwise, and names the output in its
    own way where `output` is not `OUTP`. Everything that it hears is recorded with whether RF was
    on after it."""

    output: str = "OUTP"
    radiates: bool = True
    on_by_level: bool = False
    mute_by_level: bool = False
    mute: bool = False
    queue: list[str] = field(default_factory=list)
    heard: list[tuple[str, bool]] = field(default_factory=list)
    connections: int = 0
    opening: list[str] = field(default_factory=list)

    def answer(self, words: str) -> str | None:
        replies = [reply for part in words.split(";") if (reply := self._one(part)) is not None]
        self.heard.append((words, self.radiates))
        if self.mute:
            return None
        return ";".join(replies) if replies else None

    def _one(self, words: str) -> str | None:
        match words.lstrip(":").split(" "):
            case ["*IDN?"]:
                return "Attic,Source,1,1"
            case ["*CLS" | "*RST"]:
                self.queue.clear()
            case ["*OPC?"]:
                return "1"
            case ["SYST:ERR?"]:
                return self.queue.pop(0) if self.queue else '0,"No error"'
            case ["SOUR:FREQ:CW", _]:
                pass
            case ["SOUR:FREQ:CW?"]:
                return "1.7E9"
            case ["SOUR:POW:LEV:IMM:AMPL", _]:
                self.radiates = self.radiates or self.on_by_level
                self.mute = self.mute_by_level
            case ["SOUR:POW:LEV:IMM:AMPL?"]:
                return "LEVEL=-60.0 DBM"
            case [header, "ON" | "OFF" as word] if header == f"{self.output}:STAT":
                self.radiates = word == "ON"
                self.mute = False
            case [header] if header == f"{self.output}:STAT?":
                return str(int(self.radiates))
            case [header, *_] if "SWE:DWEL" in header:
                pass  # taken in silence, and without effect
            case _:
                self.queue.append(f'-113,"Undefined header; {words}"')
        return None


@pytest.fixture
def attic() -> Iterator[tuple[Attic, int]]:
    it = Attic()
    lock = threading.Lock()

    class Handler(socketserver.StreamRequestHandler):
        disable_nagle_algorithm = True

        def handle(self) -> None:
            first = True
            for line in self.rfile:
                words = line.decode("latin-1").strip()
                with lock:
                    if first:
                        it.opening.append(words)
                        first = False
                    reply = it.answer(words)
                if reply is not None:
                    self.wfile.write(reply.encode() + b"\n")

    class Server(socketserver.ThreadingTCPServer):
        daemon_threads = True
        allow_reuse_address = True

    with Server(("127.0.0.1", 0), Handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield it, server.server_address[1]
        server.shutdown()


class _NoSimulator:
    addresses: dict[str, str] = {}  # noqa: RUF012


def _daemon(folder: Path, port: int, more: str = "") -> Daemon:
    folder.mkdir(exist_ok=True)
    bench = folder / "attic.yaml"
    bench.write_text(HEAD.replace("PORT", str(port)) + more + TAIL)
    return Daemon(folder, _NoSimulator(), "none", bench=bench)  # type: ignore[arg-type]


def _tested(daemon: Daemon, *options: str) -> tuple[int, str]:
    done = subprocess.run(
        [*PROGRAM, "instruments", "--test", "--daemon", str(daemon.said["http"]), *options],
        capture_output=True, text=True, timeout=PATIENCE_S, check=False,
    )  # fmt: skip
    return done.returncode, done.stdout


def _report(daemon: Daemon, name: str = "generator") -> dict[str, Any]:
    answer = daemon.http.post("/api/instruments/test", params={"name": name})
    assert answer.status_code == 200, answer.text
    report: dict[str, Any] = answer.json()
    return report


def _outcomes(report: dict[str, Any]) -> dict[str, str]:
    return {one["command"]: one["outcome"] for one in report["commands"]}


def test_what_an_instrument_refuses_is_named_with_the_lines_that_mend_it(
    attic: tuple[Attic, int], tmp_path: Path
) -> None:
    source, port = attic
    daemon = _daemon(tmp_path / "first", port)
    with ending(daemon):
        status, text = _tested(daemon)
    assert status == 1, text
    assert "RF before: off, verified; after: off, verified." in text
    assert "free_run_start (:SOUR:FREQ:STAR 400000000): refused: -113 Undefined header" in text
    assert "level_query (:SOUR:POW:LEV:IMM:AMPL?): another answer than expected" in text
    assert "Not tried: rf_on: it would switch RF on." in text
    lines = text[text.index("For the bench file") :].splitlines()[1:]
    mending = YAML(typ="safe").load(
        "\n".join(line[4:] for line in lines if line.startswith("    "))
    )
    assert mending["replies"] == {"level_query": "LEVEL={value} DBM"}
    assert set(mending["commands"]) == {
        "free_run_start", "free_run_stop", "free_run_points", "free_run_on", "free_run_off"
    }  # fmt: skip

    # A hold sweep would need them; this source has none, so all are left out.
    more = "    commands: {" + ", ".join(f"{one}: null" for one in mending["commands"]) + "}\n"
    more += '    replies: {level_query: "LEVEL={value} DBM"}\n'
    source.heard.clear()
    daemon = _daemon(tmp_path / "mended", port, more)
    with ending(daemon):
        report = _report(daemon)
    assert set(_outcomes(report).values()) == {"taken", "not-tried"}, report
    assert not [words for words, radiates in source.heard[1:] if radiates]
    assert {*source.opening} == {":OUTP:STAT OFF"}


def test_while_rf_is_not_verified_off_only_off_and_questions_are_tried(
    attic: tuple[Attic, int], tmp_path: Path
) -> None:
    source, port = attic
    source.output = "MAKE:RF"
    daemon = _daemon(tmp_path / "doubt", port)
    with ending(daemon):
        status, text = _tested(daemon, "--json")
    assert status == 3, text
    (report,) = json.loads(text)
    found = _outcomes(report)
    assert found["rf_off"] == "refused"
    assert found["rf_query"] == "no-answer"
    tried = {name for name, outcome in found.items() if outcome != "not-tried"}
    assert tried == {"rf_off", "rf_query", "next_error", "identify"}
    assert not [words for words, _ in source.heard if "POW" in words]


def test_a_command_that_switches_rf_on_ends_the_test_with_rf_off(
    attic: tuple[Attic, int], tmp_path: Path
) -> None:
    source, port = attic
    source.on_by_level = True
    daemon = _daemon(tmp_path / "wild", port)
    with ending(daemon):
        report = _report(daemon)
        assert not source.radiates
    assert report["rf_after"] == "off, verified"
    found = _outcomes(report)
    assert found["set_level"] == "switched-rf-on"
    assert list(found)[-1] == "set_level"
    on = [number for number, (_, radiates) in enumerate(source.heard) if radiates]
    assert source.heard[on[-1] + 1][0] == ":OUTP:STAT OFF"


def test_a_source_that_falls_silent_hears_off_and_nothing_else_is_tried(
    attic: tuple[Attic, int], tmp_path: Path
) -> None:
    source, port = attic
    source.on_by_level = source.mute_by_level = True
    daemon = _daemon(tmp_path / "mute", port)
    with ending(daemon):
        report = _report(daemon)
        assert not source.radiates
    assert list(_outcomes(report))[-1] == "set_level"
    assert "nobody can tell whether RF came on; it heard OFF" in report["commands"][-1]["said"]
    assert report["rf_after"] == "off, verified"
    level = next(at for at, (words, _) in enumerate(source.heard) if ":AMPL " in words)
    asked, off = (words for words, _ in source.heard[level + 1 : level + 3])
    assert (asked, off) == (":SYST:ERR?", ":OUTP:STAT OFF")


def test_a_bench_that_speaks_scpi_passes_and_its_record_says_that_rf_was_off(
    tmp_path: Path,
) -> None:
    simulator = Simulator(tmp_path)
    daemon = Daemon(tmp_path, simulator, "none")
    with ending(daemon, simulator):
        for one in daemon.http.get("/api/instruments").json():
            report = _report(daemon, one["name"])
            assert set(_outcomes(report).values()) <= {"taken", "not-tried"}, report
            assert (report["message"], report["rf_after"]) == ("", "off, verified")
        history = simulator.do("state")["instruments"]["generator"]["rf_history"]
        assert not [entry for entry in history if entry[1]], history
        job = daemon.queue_text(
            "recipe: wait\ntitle: Wait\nsteps: [{hands: {ask: Wait., patience: 1 h}}]\n"
        )
        daemon.until_state(job, "needs-hands")
        answer = daemon.http.post("/api/instruments/test", params={"name": "generator"})
        assert (answer.status_code, answer.json()["family"]) == (409, "refused")
        assert job in answer.json()["message"]
        missing: Any = daemon.http.post("/api/instruments/test", params={"name": "nobody"})
        assert missing.status_code == 404
