"""What may be asked of a live look, and the recipe that it becomes.

A live look is planned with the recipe's own means: the same words for what is wrong, the same level
budget, cautions and refusals as for a job. The recipe is written here and not in a file, because
its sweep follows from the stored baselines.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from benchd.bench import Bench
from benchd.errors import OrderRefused
from benchd.files.yamlfile import nearest
from benchd.recipe import Recipe, load_recipe
from benchd.reductions.live_picture import SHOWN, Shown
from benchd.sweeps import SweepPlan
from benchd.worksheet import NEWEST

NAME = "live-look"
DEFAULT_TIME_S = 300.0
LONGEST_TIME_S = 3600.0
MOST_POINTS = 1001
USUAL_POINTS = 41
"""Enough to see a dip move, few enough for some sweeps a second of a source that settles in 3 ms
(arithmetic)."""

STANDARDS = ("open", "short", "load", "thru")
"""Names of positions at which no antenna is fitted."""

ASKED: dict[str, Any] = {
    "recipe": NAME,
    "title": "Live look",
    "parameters": {
        "antenna": {"kind": "antenna", "about": "antenna that is adjusted"},
        "route": {"kind": "route", "about": "route that leads to it"},
        "position": {"kind": "position", "default": "none", "about": "position of the route"},
        "centre": {"kind": "frequency", "of": "antenna", "about": "wanted frequency"},
        "span": {
            "kind": "frequency",
            "times": "span",
            "of": "antenna",
            "about": "width of the sweep",
        },
        "points": {
            "kind": "integer",
            "default": USUAL_POINTS,
            "least": 11,
            "most": MOST_POINTS,
            "about": "frequencies of one sweep",
        },
        "level": {
            "kind": "level",
            "default": "-10 dBm",
            "about": "level that the source is set to",
        },
        "show": {
            "kind": "choice",
            "choices": list(SHOWN),
            "default": SHOWN[0],
            "about": "return loss, a level over a stored thru, or the plain level",
        },
        "lid": {
            "kind": "choice",
            "choices": ["closed", "open"],
            "default": "closed",
            "about": "open looks with the lid open on purpose, at little power",
        },
        "max_age": {"kind": "time", "default": "12 h", "about": "greatest age of the baselines"},
        "time": {
            "kind": "time",
            "default": f"{DEFAULT_TIME_S:g} s",
            "least": "5 s",
            "most": f"{LONGEST_TIME_S:g} s",
            "about": "time until RF goes off unless somebody renews it",
        },
    },
    "steps": [{"wait": {"for": "1 s"}}],
}
"""The parameters of a live look as a recipe has them. Its step is never run."""


def asked_recipe() -> Recipe:
    """The recipe whose parameters a live look may be asked for."""
    return load_recipe(json.dumps(ASKED), file=NAME)


def look_recipe(shown: Shown, plan: SweepPlan, wanted_hz: float) -> Recipe:
    """The recipe of one live look: a capture, and its reduction where it is a return loss.

    plan: the sweep. wanted_hz: frequency that the antenna shall be right at.
    """
    parameters = ASKED["parameters"]
    asked = ("antenna", "route", "position", "lid", "max_age", "time")
    steps: list[dict[str, Any]] = [
        {
            "capture": {
                "name": "look",
                "role": "test",
                "route": "$route",
                "position": "$position",
                "antenna": "$antenna",
                "sweep": "main",
                "lid": "$lid",
            }
        }
    ]
    if shown == "return-loss":
        baseline = {"open": NEWEST, "short": NEWEST, "max_age": "$max_age"}
        wanted = f"{wanted_hz!r} Hz"
        steps.append(
            {
                "reduce": {
                    "kind": "reflection",
                    "test": "look",
                    "baseline": baseline,
                    "design_frequency": wanted,
                    "at": [wanted],
                    "interpolate": True,
                }
            }
        )
    text = {
        "recipe": NAME,
        "title": _TITLES[shown],
        "on_interrupt": "resume",
        "parameters": {name: parameters[name] for name in asked},
        "sweeps": {"main": _sweep(plan)},
        "steps": steps,
    }
    return load_recipe(json.dumps(text), file=NAME)


_TITLES: Mapping[Shown, str] = {
    "return-loss": "Live look at the return loss of one antenna",
    "over-thru": "Live look at a level over a stored thru",
    "level": "Live look at a plain level",
}


def _sweep(plan: SweepPlan) -> dict[str, Any]:
    """The sweep as a recipe states it."""
    found: dict[str, Any] = {
        "method": plan.method,
        "start": f"{plan.start_hz!r} Hz",
        "stop": f"{plan.stop_hz!r} Hz",
        "points": plan.points,
        "level": f"{plan.level_dbm!r} dBm",
        "resolution_bandwidth": f"{plan.resolution_bandwidth_hz!r} Hz",
        "detector": "rms" if plan.detector == "power" else plan.detector,
        "dwell": f"{plan.dwell_s!r} s",
    }
    if plan.method == "stepped":
        found["step_by"] = "command"  # before every point it is asked whether somebody looks
    optional = {
        "video_bandwidth": (plan.video_bandwidth_hz, "Hz"),
        "sweep_time": (plan.sweep_time_s, "s"),
        "reference_level": (plan.reference_level_dbm, "dBm"),
        "attenuation": (plan.attenuation_db, "dB"),
    }
    found |= {key: f"{value!r} {unit}" for key, (value, unit) in optional.items() if value}
    return found


def with_route(what: str | None, arguments: Mapping[str, str], bench: Bench) -> dict[str, str]:
    """The arguments, with the route and position that the bench leaves no doubt about.

    what: an antenna or a route, by name; None where the arguments name them. Raises OrderRefused.
    """
    found = dict(arguments)
    if what is not None:
        if what in bench.antennas:
            found.setdefault("antenna", what)
        elif what in bench.routes:
            found.setdefault("route", what)
        else:
            hint = nearest(what, [*bench.antennas, *bench.routes])
            raise OrderRefused(f'there is no antenna and no route "{what}", {hint}')
    if "route" not in found:
        routes = [name for name, one in bench.routes.items() if one.kind == "reflection"]
        if len(routes) != 1:
            named = ", ".join(routes) or "none"
            raise OrderRefused(
                f"the bench has more or less than one reflection route: {named}",
                advice="Say which route leads to the antenna: route=NAME.",
            )
        found["route"] = routes[0]
    route = bench.routes.get(found["route"])
    if route is not None:
        found.setdefault("show", "return-loss" if route.kind == "reflection" else "over-thru")
        free = [name for name in route.positions if name not in STANDARDS]
        if len(free) == 1:
            found.setdefault("position", free[0])
    return found
