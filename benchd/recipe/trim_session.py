"""The recipe of a trim session, written out for one bench and one antenna.

A trim session is a job like any other: a row of requests, each followed by a quick sweep and its
reduction. So queue, RF rules, storing and recovery hold for it as they do for every job. Its recipe
is text, as a person would write it, and is read and checked in the same way.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass

from benchd.bench import Bench, Route
from benchd.errors import OrderRefused
from benchd.files.yamlfile import nearest
from benchd.recipe.timing import POINT_OVERHEAD_S, SWEEP_OVERHEAD_S
from benchd.worksheet import TRIM_SESSION, LookStart

NAME = TRIM_SESSION
STANDARDS = ("open", "short")
NO_ANTENNA = ("open", "short", "load", "thru")

MOST_LOOKS = 60
LEAST_POINTS, MOST_POINTS = 41, 101
DWELL_S = 0.002
LOOK_S = 1.4
"""Most time that the sweep of one look may take. Two seconds are promised from the start of a look
to what is left to cut; the rest is for the looks with RF off before and after the sweep."""


@dataclass(frozen=True, slots=True)
class TrimRequest:
    """What a person asks for when a trim session begins.

    looks: most looks that it may take. route, position: where the antenna is; None finds it.
    start: what starts a look. level_text: of the source, with its unit.
    design_frequency, span: with units; None takes those of the antenna.
    max_age_text: greatest age of a stored baseline, with its unit; without a fitting one, open and
        short are taken first. patience_text: how long each request stands, with its unit.
    dip: `deepest`, or `nearest` to the design frequency.
    """

    antenna: str
    looks: int = 20
    start: LookStart = "button"
    route: str | None = None
    position: str | None = None
    design_frequency: str | None = None
    span: str | None = None
    level_text: str = "-10 dBm"
    max_age_text: str = "12 h"
    patience_text: str = "1 h"
    dip: str = "deepest"


def trim_recipe(bench: Bench, wanted: TrimRequest, *, stored: bool) -> str:
    """The recipe as text. stored: use stored baselines; else open and short are taken first.

    Raises OrderRefused where the bench has no antenna or route of that name.
    """
    if wanted.antenna not in bench.antennas:
        raise OrderRefused(
            f'the bench has no antenna "{wanted.antenna}", '
            f"{nearest(wanted.antenna, bench.antennas)}",
            advice="Enter it in the bench file or in the register first: benchd antenna add.",
        )
    name, route = _route(bench, wanted.route)
    position = _position(name, route, wanted.position)
    points = _points(bench, route)
    sides = {side: "newest" if stored else side for side in STANDARDS}
    q = json.dumps  # every text of JSON is the same text in YAML
    lines = [
        f"recipe: {NAME}",
        f"title: {q(f'Trimming {wanted.antenna} by sight')}",
        "parameters:",
        f"  antenna: {{kind: antenna, default: {q(wanted.antenna)}}}",
        _frequency("centre", wanted.design_frequency, "of: antenna"),
        _frequency("span", wanted.span, "times: span, of: antenna"),
        "on_interrupt: resume",
        "sweeps:",
        "  look: {method: stepped, centre: $centre, span: $span, "
        f"points: {points}, level: {q(wanted.level_text)}, resolution_bandwidth: 10 kHz, "
        f"detector: rms, dwell: {DWELL_S * 1e3:g} ms}}",
        "steps:",
    ]
    if not stored:
        lines += _baseline_steps(name, route, position)
    place = f"route: {q(name)}" + (f", position: {q(position)}" if position else "")
    for number in range(1, wanted.looks + 1):
        lines += [
            f"  - hands: {{ask: {q(_ask(number, wanted))}, look: {wanted.start}, "
            f"patience: {q(wanted.patience_text)}, caution: {q(CAUTION)}}}",
            f"  - capture: {{name: look {number}, role: test, {place}, antenna: $antenna, "
            "sweep: look}",
            f"  - reduce: {{kind: trim-look, name: look {number}, looks: [look *], "
            f"open: {sides['open']}, short: {sides['short']}, max_age: {q(wanted.max_age_text)}, "
            f"design_frequency: $centre, dip: {wanted.dip}}}",
        ]
    return "\n".join(lines) + "\n"


CAUTION = "Take tool and hands out of the box and close it before the look: RF comes on then."


def _ask(number: int, wanted: TrimRequest) -> str:
    of = f"Look {number} of {wanted.looks} at the {wanted.antenna}."
    how = (
        "Close the lid, or ask for the look, when hands and tool are out."
        if wanted.start == "lid"
        else "Ask for the look when hands and tool are out and the box is closed."
    )
    if number == 1:
        return f"{of} Fit it to the port. {how}"
    cut = "Take off what the last look advised, if it advised a cut, and say how much it was."
    return f"{of} {cut} {how}"


def _frequency(name: str, given: str | None, otherwise: str) -> str:
    if given is None:
        return f"  {name}: {{kind: frequency, {otherwise}}}"
    return f"  {name}: {{kind: frequency, default: {json.dumps(given)}}}"


def _baseline_steps(name: str, route: Route, position: str | None) -> Iterable[str]:
    by_switch = all(side in route.positions for side in STANDARDS)
    if by_switch:
        ask = (
            "Close the lid and keep your hands out of the box: open and short are measured first, "
            "by switch. No fresh baseline is stored for these settings."
        )
        yield f"  - hands: {{ask: {json.dumps(ask)}}}"
    for side in STANDARDS:
        where = side if by_switch else position
        place = f"route: {json.dumps(name)}" + (f", position: {json.dumps(where)}" if where else "")
        if not by_switch:
            ask = (
                f"Fit the {side} where the antenna will be, tighten it, and close the lid. "
                "No fresh baseline is stored for these settings."
            )
            yield f"  - hands: {{ask: {json.dumps(ask)}}}"
        yield f"  - capture: {{name: {side}, role: {side}, {place}, sweep: look}}"


def _route(bench: Bench, wanted: str | None) -> tuple[str, Route]:
    found = {name: one for name, one in bench.routes.items() if one.kind == "reflection"}
    if wanted is not None and wanted not in found:
        raise OrderRefused(
            f'the bench has no reflection route "{wanted}", {nearest(wanted, found)}',
            advice="Trimming needs a route with a coupler.",
        )
    if not found:
        raise OrderRefused(
            f'the bench "{bench.bench}" has no reflection route',
            advice="Trimming needs a route with a coupler; state one in the bench file.",
        )
    name = wanted if wanted is not None else next(iter(found))
    return name, found[name]


def _position(name: str, route: Route, wanted: str | None) -> str | None:
    if not route.positions:
        return None
    if wanted is not None:
        return wanted
    free = [one for one in route.positions if one not in NO_ANTENNA]
    if len(free) != 1:
        raise OrderRefused(
            f'the route "{name}" has the positions {", ".join(route.positions)}: it is not clear '
            "where the antenna is",
            advice="Name the position.",
        )
    return free[0]


def _points(bench: Bench, route: Route) -> int:
    """As many points as fit into the time of a look."""
    each_s = bench.source_of(route).settle_s + DWELL_S + POINT_OVERHEAD_S
    fit = int((LOOK_S - SWEEP_OVERHEAD_S) / each_s)
    return max(LEAST_POINTS, min(MOST_POINTS, fit))
