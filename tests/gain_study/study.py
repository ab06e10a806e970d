"""Shipped gain recipes on a drawn range, each stated interval held against the true gain."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from benchd.bench import Bench
from benchd.engine.reducing import Reducer
from benchd.recipe import load_recipe, resolve
from benchd.reduce.distributions import coverage_factor
from benchd.results import Result
from benchd.sweeps import SweepAsRun
from benchd.traces import Capture, Form, Role, Trace
from benchd.worksheet import CaptureStep, HandsStep, ReduceStep
from tests.coverage_study.memory import Shelf
from tests.coverage_study.study import Line
from tests.gain_study.owner import bench_of
from tests.gain_study.place import POINTS, Fit, Place, place
from tests.gain_study.wires import LIGHT_M_PER_S

RECIPES = Path(__file__).resolve().parents[2] / "recipes"
MORNING = datetime(2026, 1, 5, 6, 0, tzinfo=UTC)
STEP_S = 300.0
"""From one capture to the next: a third of a radian of the drift's swing."""
OUT_OF_BAND_DB = 3.0
DIPOLES = ("range dipole", "reference dipole")

Scene = Callable[[CaptureStep], Fit | None]


@cache
def _recipe(name: str) -> Any:
    return load_recipe(RECIPES / f"{name}.yaml")


@dataclass
class Session:
    """One person at one range, who runs recipes and keeps all captures."""

    place: Place
    bench: Bench
    taken: int = 0

    def run(self, name: str, scene: Scene, **arguments: str) -> tuple[Result, ...]:
        """Results of a recipe's last reduce step. scene: what stands where for each capture."""
        shelf = Shelf()
        f = self.place.frequency_hz
        band = {
            "start": f"{f[0] / 1e9:.9g} GHz", "stop": f"{f[-1] / 1e9:.9g} GHz",
            "points": str(POINTS), "level": f"{self.place.level_dbm} dBm",
            "at": f"{self.place.design_hz / 1e9:.9g} GHz",
        }  # fmt: skip
        known = _recipe(name).parameters
        given = {key: text for key, text in band.items() if key in known}
        sheet = resolve(_recipe(name), self.bench, given | arguments)
        found: tuple[Result, ...] = ()
        self.marks_m: dict[int, tuple[float, float, float]] = {}
        for step in sheet.steps:
            if isinstance(step, HandsStep):
                self.marks_m |= marks_m(step.ask)
            elif isinstance(step, CaptureStep):
                shelf.kept.append(self._captured(step, scene(step)))
            elif isinstance(step, ReduceStep):
                found = Reducer(self.bench, shelf).outcome("job", step).results
        return found

    def offset_m(self, step: CaptureStep, mount: str) -> tuple[float, float, float]:
        """Where the mark of a step lies, as the recipe's own text says."""
        ahead, aside, up = self.marks_m[int(step.bindings["mark"])]
        return (-ahead, -aside if mount == "mount_b" else aside, up)

    def _captured(self, step: CaptureStep, fit: Fit | None) -> Capture:
        self.taken += 1
        mount = step.position or "mount_a"
        f = self.place.frequency_hz
        level = self.place.level_dbm_of(fit, self.taken * STEP_S, self.taken, mount)
        few = np.linspace(f[0], f[-1], 5)
        noise = self.place.noise_reading_dbm(self.taken)
        return Capture(
            id=f"cap-{self.taken}", bench=self.bench.bench, job_id="job", step=step.name,
            role=Role(step.role), route=step.route, position=step.position, antenna=step.antenna,
            traces=(Trace("level", Form.LEVEL_DBM, f, level),
                    Trace("noise", Form.LEVEL_DBM, few, noise)),
            settings=SweepAsRun.of(step.sweep), fixtures=dict(step.fixtures),
            instruments={}, taken_at=MORNING + timedelta(seconds=self.taken * STEP_S),
            recipe_hash="a" * 64, worksheet_hash="b" * 64,
        )  # fmt: skip


def marks_m(ask: str) -> dict[int, tuple[float, float, float]]:
    """The numbered marks of a request, in m: ahead / aside / up."""
    rows = re.findall(r"(\d): (-?[\d.]+) mm / (-?[\d.]+) mm / (-?[\d.]+) mm", ask)
    return {int(n): (float(x) / 1e3, float(y) / 1e3, float(z) / 1e3) for n, x, y, z in rows}


def substitution(one: Session) -> tuple[Result, ...]:
    """Reference, then antenna: on one mount by hand, on two by switch."""

    def scene(step: CaptureStep) -> Fit:
        return Fit("range dipole", str(step.antenna), step.position or "mount_a")

    if one.place.switched:
        return one.run("gain-pair-by-switch", scene, antenna="antenna")
    return one.run("gain-pair-by-swap", scene, antenna="antenna", position="none")


def over_places(one: Session) -> tuple[Result, ...]:
    """Over the recipe's own marks."""

    def scene(step: CaptureStep) -> Fit:
        mount = step.position or "mount_a"
        return Fit("range dipole", str(step.antenna), mount, one.offset_m(step, mount))

    if one.place.switched:
        return one.run("gain-over-positions-by-switch", scene, antenna="antenna")
    return one.run("gain-over-positions", scene, antenna="antenna", position="none")


def _mount(one: Session) -> str:
    return "mount_a" if one.place.switched else "none"


def range_antenna(one: Session) -> tuple[Result, ...]:
    """Over the range whose other antenna is known."""

    def scene(step: CaptureStep) -> Fit | None:
        return None if step.role == "thru" else Fit("range dipole", "antenna")

    return one.run("gain-by-known-range-antenna", scene, antenna="antenna", position=_mount(one))


def two_alike(one: Session) -> tuple[Result, ...]:
    """The antenna under test at either end."""

    def scene(step: CaptureStep) -> Fit | None:
        return None if step.role == "thru" else Fit("antenna", "antenna")

    return one.run("gain-two-identical", scene, antenna="antenna", position=_mount(one))


def three_antennas(one: Session) -> tuple[Result, ...]:
    """All three of the bench."""
    names = {"first": "range dipole", "second": "reference dipole", "third": "antenna"}

    def scene(step: CaptureStep) -> Fit | None:
        if step.role == "thru":
            return None
        near, _, far = step.name.partition(" to ")
        return Fit(names[near], names[far])

    return one.run("gain-three-antennas", scene, position=_mount(one), **names)


def reflectivity(here: Place) -> Iterator[Line]:
    """What the recipe says of the walls, held against what they do at the usual place.

    One path by its spread, and the difference of unlike antennas by its own: intervals about
    nothing, with the coverage factor of the spread's degrees of freedom.
    """
    session = Session(here, bench_of(here, DIPOLES), taken=900)
    step_m = LIGHT_M_PER_S / here.design_hz / 8.0

    def scene(step: CaptureStep) -> Fit:
        line, _, turn = step.name.partition(" ")
        number = int(turn) - 1
        ahead = (-step_m * number, 0.0, 0.0)
        aside = (0.0, step_m * (number - 3.5), 0.0)
        return Fit("range dipole", str(step.antenna), "mount_a",
                   ahead if line == "along" else aside)  # fmt: skip

    results = session.run(
        "reflectivity", scene, antenna="reference dipole", position=_mount(session),
        step=f"{1e3 * step_m:.3f} mm", needed_from=f"{here.design_hz / 1e9:.9g} GHz",
    )  # fmt: skip
    middle = POINTS // 2
    off = {
        name: float((here.true_db(fit) - here.true_db(fit, walls=False))[middle])
        for name in ("reference dipole", "antenna")
        for fit in [Fit("range dipole", name)]
    }
    truths = {"box_path_spread": ("one path", off["reference dipole"])}
    if here.kind != "dipole":
        apart = off["antenna"] - off["reference dipole"]
        truths["box_gain_spread"] = ("a difference of unlike antennas", apart)
    for result in results:
        if result.quantity in truths and result.frequency_hz == float(here.frequency_hz[middle]):
            word, truth = truths.pop(result.quantity)
            assert result.budget is not None
            half = coverage_factor(result.budget.degrees_of_freedom) * result.value
            yield Line(here.seed, f"reflectivity, {word}", "walls", abs(truth) <= half, 0.0,
                       -half, half, truth, result.flags, result.frequency_hz)  # fmt: skip


METHODS: dict[str, tuple[Callable[[Session], tuple[Result, ...]], tuple[str, str]]] = {
    "substitution": (substitution, DIPOLES),
    "over places": (over_places, DIPOLES),
    "range antenna": (range_antenna, ("range dipole", "antenna")),
    "two alike": (two_alike, ("antenna", "antenna")),
    "three antennas": (three_antennas, DIPOLES),
}
"""Name -> how, and the antennas that the owner found the spread of one path with."""


def lines_of(seed: int) -> list[Line]:
    """Every stated interval of one range."""
    here = place(seed)
    found: list[Line] = []
    for number, (method, (measure, path_of)) in enumerate(METHODS.items()):
        session = Session(here, bench_of(here, path_of), taken=100 * number)
        found += _lines(here, method, measure(session))
    return [*found, *reflectivity(here)]


def _lines(here: Place, method: str, results: tuple[Result, ...]) -> Iterator[Line]:
    for result in results:
        if not result.quantity.startswith("realised_gain"):
            continue
        f = here.frequency_hz
        fine_hz = np.linspace(f[0], f[-1], 401)
        curve = here.antennas[result.antenna or "antenna"].realised_gain_dbi(fine_hz)
        over = result.quantity.removeprefix("realised_gain").lstrip("_")
        truth = _truth(over, fine_hz, curve, result.frequency_hz)
        yield Line(
            here.seed, f"{method}, {over}" if over else method,
            _region(here, result, truth, curve),
            (result.low is None or result.low <= truth)
            and (result.high is None or truth <= result.high),
            result.value, result.low, result.high, truth, result.flags, result.frequency_hz,
        )  # fmt: skip


def _truth(over: str, fine_hz: Any, curve: Any, at_hz: float | None) -> float:
    """At a frequency, or of the curve over the band."""
    if over:
        return float({"mean": curve.mean(), "min": curve.min(), "max": curve.max()}[over])
    assert at_hz is not None
    return float(np.interp(at_hz, fine_hz, curve))


def _region(here: Place, result: Result, truth: float, curve: Any) -> str:
    if "near-noise" in result.flags:
        return "near noise"
    if truth < float(curve.max()) - OUT_OF_BAND_DB:
        return "out of the antenna's band"
    return "dipole" if here.kind == "dipole" or result.antenna in DIPOLES else "yagi"
