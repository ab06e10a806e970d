"""A reduction that somebody else has written runs from a recipe like ours, and is missed politely.

The package lies in a folder of its own, with the metadata that an installer would have written.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.system.rigging import Daemon, Mosquitto, Simulator, ending

CODE = '''
"""How evenly a level lies over a sweep."""

from typing import Literal

import numpy as np
from pydantic import Field

from benchd.files.fields import PositiveRatio
from benchd.quantities import Quantity, Shown, add
from benchd.reductions.base import CaptureNames
from benchd.reductions import Outcome, Reduction, reduction
from benchd.reductions.outcome import finished
from benchd.reductions.repeated_captures import curve
from benchd.results import Result

add(Quantity("level_span", "dB", "Span of the level", ("flatness",), shown=Shown.FIRST))


class Flatness(Reduction):
    kind: Literal["flatness"] = Field(description="flatness")
    of: CaptureNames = Field(description="captures to look at")
    ripple_db: PositiveRatio = Field(1.0, alias="ripple", description="what is forgiven")

    def inputs(self):
        return {"of": tuple(self.of)}

    def check(self, view):
        for index, name in enumerate(self.of):
            if view.captures[name].role == "test":
                yield ("of", index), f'"{name}" is of an antenna, which is never flat'


@reduction(Flatness)
def reduce_flatness(settings, captures, known):
    taken = captures.all(settings.of)
    levels = [np.real(one.level.values) for one in taken]
    spans = [float(np.ptp(one)) - settings.ripple_db for one in levels]
    result = Result("level_span", max(spans), "dB", None, None)
    lines = [
        curve("level_span", one.level.frequency_hz, level - level.mean(), part=one.step)
        for one, level in zip(taken, levels)
    ]
    return finished(None, taken, [result], lines)
'''

RECIPE = """\
recipe: flat
title: How flat two standards are
sweeps:
  main: {method: stepped, centre: 1.7 GHz, span: 100 MHz, points: 21, level: -10 dBm,
         resolution_bandwidth: 10 kHz}
steps:
  - capture: {role: open, route: middle, position: open, sweep: main}
  - capture: {role: short, route: middle, position: short, sweep: main}
  - reduce: {kind: flatness, of: [open, short], ripple: 0.25 dB}
  - accept: [{quantity: level_span, most: 60 dB}]
"""


def install(folder: Path, code: str) -> None:
    """As an installer leaves a package: its module, its metadata, its entry points."""
    about = folder / "shed_flatness-1.0.dist-info"
    about.mkdir(parents=True)
    (folder / "shed_flatness.py").write_text(code, "utf-8")
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: shed-flatness\nVersion: 1.0\n")
    (about / "entry_points.txt").write_text("[benchd.reductions]\nflatness = shed_flatness\n")


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder on the path of the processes that are started from now on."""
    folder = tmp_path / "packages"
    monkeypatch.setenv("PYTHONPATH", str(folder))
    return folder


def refusal(daemon: Daemon, text: str) -> dict[str, Any]:
    """What the daemon answers to a recipe that it does not take."""
    answer = daemon.http.post("/api/check", json={"text": text, "file": "flat.yaml"})
    assert answer.status_code >= 400
    found: dict[str, Any] = answer.json()
    return found


def test_a_strangers_reduction_runs_from_a_recipe_and_may_be_gone_later(
    tmp_path: Path, package: Path, simulator: Simulator, mosquitto: Mosquitto,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    install(package, CODE)
    daemon = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(daemon):
        text = RECIPE.replace("role: short", "role: test, antenna: dipole r3, name: short")
        assert "is of an antenna, which is never flat" in refusal(daemon, text)["message"]
        job = daemon.queue_text(RECIPE)
        daemon.until_state(job, "done")
        (result,) = daemon.http.get("/api/results", params={"job": job}).json()
        curves = daemon.http.get(f"/api/jobs/{job}/traces").json()
        spans = [max(one["values"]) - min(one["values"]) for one in curves]
        assert [one["part"] for one in curves] == ["open", "short"]
        assert result["result"]["quantity"] == "level_span"
        assert result["result"]["value"] == pytest.approx(max(spans) - 0.25)
        (verdict,) = daemon.http.get(f"/api/jobs/{job}/verdicts").json()
        assert verdict["outcome"] == "pass-marginal"
        daemon.stop()

    monkeypatch.delenv("PYTHONPATH")
    without = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(without):
        step = without.http.get(f"/api/jobs/{job}/worksheet").json()["steps"][2]
        assert step["settings"]["ripple_db"] == 0.25
        (kept,) = without.http.get("/api/results", params={"job": job}).json()
        assert kept == result
        again = without.http.post(f"/api/jobs/{job}/reduce").json()
        assert 'there is no reduction "flatness"' in again["message"]
        assert 'the kind "flatness" is not known' in refusal(without, RECIPE)["message"]


def test_a_strangers_reduction_that_cannot_be_loaded_costs_only_itself(
    tmp_path: Path, package: Path, simulator: Simulator, mosquitto: Mosquitto
) -> None:
    install(package, "import a_part_that_is_missing\n")
    daemon = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(daemon):
        said = refusal(daemon, RECIPE)["message"]
        assert 'the reduction "flatness" (shed_flatness) cannot be loaded' in said
        assert "a_part_that_is_missing" in said
        assert "flat.yaml:9:" in said
        daemon.until_state(daemon.queue("open-short-baseline"), "done")
