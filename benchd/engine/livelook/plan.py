"""Preparing a live look: its worksheet, and the stored baselines that its sweeps are held against.

Nothing is switched on here. The sweep takes level, resolution bandwidth, detector and method from
the newest baseline of the route, since a baseline fits nothing else, and is made as quick as these
allow: fewer points of the same grid, and no longer dwell than the filter needs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from benchd.acquire import CONTINUOUS_METHODS
from benchd.bench import Bench
from benchd.engine.livelook.request import NAME, asked_recipe, look_recipe, with_route
from benchd.engine.stored_inputs import StoredInputs
from benchd.errors import NormalisationRefused, OrderRefused, Problem, RecipeError
from benchd.files.fields import Given
from benchd.known.captures import LOOKED_AT
from benchd.recipe import Recipe, resolve
from benchd.recipe.arguments import read_arguments
from benchd.recipe.parameters import NO_POSITION
from benchd.reductions.live_picture import Shown
from benchd.rounding import duration_words
from benchd.store import Store
from benchd.sweeps import SweepPlan
from benchd.traces import PATH_BROKEN, Capture, FloatArray, Role
from benchd.worksheet import NEWEST, BaselineInput, CaptureStep, Worksheet

SETTLED_IN = 2.0
"""Dwell in times of 1/RBW: the filter needs one to answer at all (see `benchd.recipe.sweeps`)."""

STAYS_ON = (
    "RF stays on between the sweeps while somebody looks, for {time} at most unless somebody asks "
    "for more. It goes off when the last viewer leaves or is silent for 10 s, when the lid does "
    "not stand as it should, and before any job."
)
BY_HAND = (
    "Nothing is asked of you before RF goes on: have {antenna} fitted to {port}, and the box as "
    "you want it, before you start."
)


@dataclass(frozen=True, eq=False)
class LivePlan:
    """A live look that may be started.

    worksheet: what a kept sweep's job would be. shown: what is drawn. baselines: the captures that
    sweeps are held against, empty for a plain level. wanted_hz: the frequency that the antenna
    shall be right at, Hz. for_s: how long RF may be on until somebody renews it.
    """

    worksheet: Worksheet
    shown: Shown
    baselines: tuple[Capture, ...]
    wanted_hz: float
    for_s: float

    @property
    def step(self) -> CaptureStep:
        """The capture that is repeated."""
        step = self.worksheet.steps[0]
        assert isinstance(step, CaptureStep), "the recipe of a live look begins with its capture"
        return step

    @property
    def digest(self) -> str:
        """What a person names to start it: the hash of the worksheet that they were shown."""
        return self.worksheet.digest


def prepared(
    what: str | None,
    arguments: Mapping[str, str],
    bench: Bench,
    store: Store,
    identities: Mapping[str, str],
    now: datetime,
) -> LivePlan:
    """The live look that was asked for. Reads the store; switches nothing.

    what: an antenna or a route. arguments: values with units, by the names of `request.ASKED`.
    identities: of the instruments that have answered. now: from which ages are counted.
    Raises RecipeError, UnsafeError, OrderRefused and NormalisationRefused, as a job's check does.
    """
    given = with_route(what, arguments, bench)
    asked = read_arguments(asked_recipe(), bench, given)
    shown: Shown = asked["show"].value
    route = bench.routes[str(asked["route"].value)]
    if shown == "return-loss" and route.kind != "reflection":
        raise OrderRefused(
            f"the route {asked['route'].value} is a transmission, it has no return loss",
            advice="Show over-thru or level, or name a reflection route.",
        )
    like = _newest(store, bench, str(asked["route"].value), shown)
    plan = _sweep(asked, like, given)
    if route.source == route.analyzer and like is None:
        plan = plan.model_copy(update={"method": "tracking"})
    wanted_hz = float(asked["centre"].value)
    kept = ("antenna", "route", "position", "lid", "max_age", "time")
    texts = {name: asked[name].text for name in kept}
    sheet = _resolved(look_recipe(shown, plan, wanted_hz), bench, texts)
    for_s = float(asked["time"].value)
    stays_on = STAYS_ON.format(time=duration_words(for_s))
    own = [stays_on]
    if asked["position"].value == NO_POSITION:
        own.append(BY_HAND.format(antenna=asked["antenna"].value, port=route.port))
    sheet = sheet.model_copy(update={"cautions": (*sheet.cautions, *own)})
    baselines = _baselines(sheet, shown, asked, StoredInputs(store, bench, identities, now))
    return LivePlan(sheet, shown, baselines, wanted_hz, for_s)


def _resolved(recipe: Recipe, bench: Bench, texts: Mapping[str, str]) -> Worksheet:
    """The worksheet. What is wrong is told by its key alone: nobody has written this recipe, so its
    lines say nothing. Raises RecipeError, UnsafeError."""
    try:
        return resolve(recipe, bench, texts)
    except RecipeError as error:
        raise RecipeError(
            [Problem(NAME, 0, 0, one.key.rpartition(".")[2], one.message) for one in error.problems]
        ) from error


def _newest(store: Store, bench: Bench, route: str, shown: Shown) -> Capture | None:
    """The newest stored baseline of the route; its settings are those that a sweep must have."""
    if shown == "level":
        return None
    role = Role.OPEN if shown == "return-loss" else Role.THRU
    rows = store.captures(bench=bench.bench, route=route, role=role, limit=LOOKED_AT)
    for row in rows:
        if PATH_BROKEN not in row.flags:
            return row.load()
    return None


def _sweep(asked: Mapping[str, Given], like: Capture | None, given: Mapping[str, str]) -> SweepPlan:
    centre_hz, span_hz = float(asked["centre"].value), float(asked["span"].value)
    start_hz, stop_hz = round(centre_hz - span_hz / 2.0), round(centre_hz + span_hz / 2.0)
    points, level_dbm = int(asked["points"].value), float(asked["level"].value)
    if like is None:
        return SweepPlan(
            method="stepped",
            start_hz=float(start_hz),
            stop_hz=float(stop_hz),
            points=points,
            level_dbm=level_dbm,
            resolution_bandwidth_hz=10e3,
            dwell_s=SETTLED_IN / 10e3,
        )
    settings = like.settings
    if settings.method not in CONTINUOUS_METHODS:
        raise OrderRefused(
            f"the newest baseline of this route was taken by a {settings.method} sweep, which "
            "cannot be repeated for a live look",
            advice="Take a stepped or a tracking baseline, or show the plain level.",
        )
    dwell_s = settings.dwell_s
    if settings.detector in ("rms", "log-average"):
        dwell_s = min(dwell_s, SETTLED_IN / settings.resolution_bandwidth_hz)
    ends = (float(start_hz), float(stop_hz), points)
    if settings.method == "stepped":
        ends = _on_grid(like.level.frequency_hz, *ends, clip="span" not in given)
    changed: dict[str, Any] = {
        "start_hz": ends[0],
        "stop_hz": ends[1],
        "points": ends[2],
        "dwell_s": dwell_s,
        "average": 1,
        "refine": None,
        "lists": None,
    }
    if "level" in given:
        changed["level_dbm"] = level_dbm
    fields = {name: getattr(settings, name) for name in SweepPlan.model_fields}
    return SweepPlan.model_validate({**fields, **changed})


def _on_grid(
    grid: FloatArray, start_hz: float, stop_hz: float, points: int, *, clip: bool
) -> tuple[float, float, int]:
    """Start, stop and points of a sweep on every so-many-th frequency of a baseline.

    So nothing has to be interpolated between its points.

    clip: keep within the baseline where the sweep would reach beyond. Where it may not, or the
    baseline's steps are not equal, start, stop and points are returned as they are.
    """
    if clip:
        start_hz, stop_hz = max(start_hz, float(grid[0])), min(stop_hz, float(grid[-1]))
    step_hz = float(grid[-1] - grid[0]) / (grid.size - 1)
    even = bool(np.all(np.abs(np.diff(grid) - step_hz) <= 1.0))
    inside = grid[0] <= start_hz < stop_hz <= grid[-1]
    if not (even and inside):
        return start_hz, stop_hz, points
    first = int(np.argmin(np.abs(grid - start_hz)))
    last = int(np.argmin(np.abs(grid - stop_hz)))
    every = max(1, round((last - first) / (points - 1)))
    count = (last - first) // every + 1
    if count < 2:
        return start_hz, stop_hz, points
    return float(grid[first]), float(grid[first + (count - 1) * every]), count


def _baselines(
    sheet: Worksheet, shown: Shown, asked: Mapping[str, Given], inputs: StoredInputs
) -> tuple[Capture, ...]:
    if shown == "level":
        return ()
    wanted = (
        [BaselineInput("open", NEWEST), BaselineInput("short", NEWEST)]
        if shown == "return-loss"
        else [BaselineInput("thru", NEWEST)]
    )
    step = sheet.steps[0]
    assert isinstance(step, CaptureStep)
    try:
        found = inputs.baselines(sheet, step, wanted, float(asked["max_age"].value))
    except NormalisationRefused as refusal:
        raise NormalisationRefused(
            refusal.differences, where=refusal.where, advice=_ADVICE[shown]
        ) from refusal
    return tuple(found.every)


_ADVICE: Mapping[str, str] = {
    "return-loss": "Nothing was switched on. Take the baselines first: benchd queue "
    "open-short-baseline with the same route and level.",
    "over-thru": "Nothing was switched on. Take a thru of this route first, or show the plain "
    "level.",
}
