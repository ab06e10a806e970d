"""A bench file alone makes benchd work with instruments of a make that no driver knows."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.system.foreign import ANTENNA, RECIPE, Foreign
from tests.system.rigging import Daemon, ending


@dataclass
class NoSimulator:
    """Stands where a daemon's addresses would come from: the bench file has them all."""

    addresses: dict[str, str] = field(default_factory=dict)


@pytest.fixture
def foreign() -> Iterator[Foreign]:
    servers = Foreign()
    yield servers
    servers.close()


@pytest.fixture
def daemon(foreign: Foreign, tmp_path: Path) -> Iterator[Daemon]:
    bench = tmp_path / "foreign.yaml"
    bench.write_text(foreign.bench())
    running = Daemon(tmp_path, NoSimulator(), "none", bench=bench)  # type: ignore[arg-type]
    with ending(running):
        yield running


def results_of(daemon: Daemon, job: str) -> dict[str, dict[str, Any]]:
    found = daemon.http.get("/api/results", params={"job": job}).json()
    return {one["result"]["quantity"]: one["result"] for one in found}


def test_a_return_loss_is_measured_and_holds_the_truth(foreign: Foreign, daemon: Daemon) -> None:
    job = daemon.queue_text(RECIPE)
    daemon.until_state(job, "done")
    found = results_of(daemon, job)["return_loss"]
    foreign.workshop.position = ANTENNA
    truth = -20.0 * math.log10(abs(foreign.workshop.reflection(1000.0)))
    assert found["low"] <= truth <= found["high"], (found, truth)
    assert foreign.workshop.radiates is False


def test_only_words_that_the_bench_file_gives_are_spoken(foreign: Foreign, daemon: Daemon) -> None:
    """No `*IDN?`, no `*OPC?`, no error queue where there is none; and OFF is the first word."""
    daemon.until_state(daemon.queue_text(RECIPE), "done")
    for name, said in foreign.workshop.said.items():
        assert not [words for words in said if words.startswith(("*", ":"))], (name, said[:9])
    assert foreign.workshop.trouble == "ALL WELL"
    for heard in foreign.workshop.connections["generator"]:
        assert heard[:1] == ["EMIT NO"], heard[:5]
    listed = {one["name"]: one for one in daemon.http.get("/api/instruments").json()}
    assert listed["generator"]["identity"] == "Emitter of the attic, number 3"
    assert listed["analyzer"]["identity"] == "Hearing thing, number 7"


def test_the_worksheet_says_what_cannot_be_asked(daemon: Daemon) -> None:
    answer = daemon.http.post("/api/check", json={"text": RECIPE, "file": "foreign-look.yaml"})
    assert answer.status_code == 200, answer.text
    cautions = " ".join(answer.json()["cautions"])
    assert "generator cannot be asked whether RF is off" in cautions
    assert "switch cannot be asked where it stands" in cautions


def test_a_fault_without_a_number_ends_the_job_in_its_own_words(
    foreign: Foreign, daemon: Daemon
) -> None:
    daemon.until_state(daemon.queue_text(RECIPE), "done")
    job = daemon.queue_text(RECIPE.replace("-10 dBm", "-11 dBm"))
    foreign.workshop.trouble = "OVEN COLD"
    row = daemon.until_state(job, "failed")
    assert "reports error: OVEN COLD" in row["message"]
    assert foreign.workshop.radiates is False


def test_a_source_that_cannot_be_asked_is_caught_radiating_by_the_readings(
    foreign: Foreign, daemon: Daemon
) -> None:
    daemon.until_state(daemon.queue_text(RECIPE), "done")
    foreign.workshop.obeys, foreign.workshop.radiates = False, True
    row = daemon.until_state(daemon.queue_text(RECIPE), "failed")
    assert row["error"]["family"] == "still-radiating", row["error"]
    assert "by hand" in row["error"]["message"] + row["error"]["advice"]


def test_a_sweep_that_lacks_its_commands_is_refused_before_anything_runs(
    foreign: Foreign, daemon: Daemon
) -> None:
    hold = RECIPE.replace("method: stepped", "method: hold, for: 1 s")
    answer = daemon.http.post("/api/check", json={"text": hold, "file": "hold.yaml"})
    assert answer.status_code >= 400
    assert "which the bench file removed" in answer.text
    assert "EMIT YES" not in foreign.workshop.said["generator"]
