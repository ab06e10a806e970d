"""The text of a recipe that answers a question, with comments that say why it is so. Pure.

One recipe may measure reflection (match, resonance, bandwidth) and gain. Baselines are taken in the
same job, so that it needs nothing that was stored before.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

from benchd.bench.antennas import RELATIVE_SPANS
from benchd.recipe.question import Question
from benchd.rounding import number_words

USUAL_RETURN_LOSS_DB = 10.0
USUAL_VSWR = 2.0
"""Asked of an antenna where nobody says otherwise (common practice, no source)."""

_ROOM = 2.0  # the sweep over a band is at least so many times its width
_GAIN_ROOM = 1.06


@dataclass(frozen=True)
class Places:
    """Where the bench measures what. Positions "none" where a person fits the parts.

    reach_hz: from where to where source and analyzer of the reflection work.
    """

    reflection: str = "middle"
    open: str = "none"
    short: str = "none"
    antenna: str = "none"
    range: str = "range"
    reference_mount: str = "none"
    antenna_mount: str = "none"
    reach_hz: tuple[float, float] = (0.0, math.inf)


def recipe_name(question: Question) -> str:
    """A name for recipe and file: "match-yagi-r2"."""
    words = [*question.quantities, question.antenna or question.kind or "antenna"]
    return re.sub(r"[^a-z0-9]+", "-", " ".join(words).lower()).strip("-")[:40].strip("-")


def recipe_text(question: Question, places: Places) -> str:
    """The file."""
    return "\n".join(_lines(question, places, question.way != "switch")) + "\n"


def _lines(question: Question, places: Places, by_hand: bool) -> Iterator[str]:
    reflects = bool({"match", "resonance", "bandwidth"} & set(question.quantities))
    if question.text:
        yield f"# Asked: {' '.join(question.text.split())}"
    yield f"# Understood: {question.words()}."
    yield f"recipe: {recipe_name(question)}"
    yield f"title: {_quoted(_title(question))}"
    yield "parameters:"
    default = f", default: {_quoted(question.antenna)}" if question.antenna else ""
    yield f"  antenna: {{kind: antenna{default}, about: antenna under test}}"
    yield from _frequencies(question, places.reach_hz)
    if reflects:
        yield f"  route: {{kind: route, default: {places.reflection}, about: leads to the port}}"
    if "gain" in question.quantities:
        yield "  reference: {kind: antenna, choose: reference, about: antenna of known gain}"
        yield f"  range: {{kind: route, default: {places.range}, about: leads over the range}}"
    yield "  points: {kind: integer, default: 201, least: 11, most: 10001}"
    yield "  level: {kind: level, default: -10 dBm, about: level that the source is set to}"
    yield from _limits(question)
    yield f"on_interrupt: {'restart' if by_hand else 'resume'}"
    yield "sweeps:"
    if reflects:
        yield from _sweep("main", "start", "stop")
    if "gain" in question.quantities:
        yield from _sweep("over_range", "gain_start", "gain_stop")
    yield "steps:"
    if reflects:
        yield from _reflection(question, places, by_hand)
    if "gain" in question.quantities:
        yield from _gain(question, places, by_hand)
    yield from _accepted(question)


def _sweep(name: str, start: str, stop: str) -> Iterator[str]:
    yield f"  {name}:"
    yield "    method: stepped"
    yield f"    start: ${start}"
    yield f"    stop: ${stop}"
    yield "    points: $points"
    yield "    level: $level"
    yield "    resolution_bandwidth: 10 kHz"
    yield "    detector: rms"
    yield "    dwell: 2 ms"


def _title(question: Question) -> str:
    what = " and ".join(question.quantities)
    return f"{what[:1].upper()}{what[1:]} of {question.antenna or question.kind or 'one antenna'}"


def _frequencies(question: Question, reach_hz: tuple[float, float]) -> Iterator[str]:
    """Sweep, middle and band: from the question, else from the antenna's design frequency.

    The sweep of the reflection is wide enough to see a design that came out wrong; that of the gain
    is narrower, since the gain of the reference is stated over its own band only. Where the
    instruments do not reach so far, the sweep ends where they do.
    """
    gains = "gain" in question.quantities
    reflects = question.quantities != ["gain"]
    named = [*(question.band_hz or ()), *question.at_hz]
    share = RELATIVE_SPANS[question.kind or "other"]
    if not named:
        yield "  centre: {kind: frequency, of: antenna, about: design frequency}"
        if reflects:
            yield from _ends("", 1.0 - 0.5 * share, 1.0 + 0.5 * share)
        if gains:
            yield from _ends("gain_", 0.94, 1.06)
        return
    low, high = min(named), max(named)
    middle = 0.5 * (low + high)
    yield f"  centre: {{kind: frequency, default: {_hz(middle)}, about: middle of what was asked}}"
    if reflects:
        half = 0.5 * max(share * middle, _ROOM * (high - low))
        yield from _ends("", *_within(reach_hz, low, high, middle - half, middle + half))
    if gains:
        yield from _ends("gain_", _hz(low / _GAIN_ROOM), _hz(high * _GAIN_ROOM))
    if question.band_hz is not None:
        for name, end_hz in zip(("band_start", "band_stop"), question.band_hz, strict=True):
            which = "first" if name == "band_start" else "last"
            about = f"default: {_hz(end_hz)}, about: {which} of the band"
            yield f"  {name}: {{kind: frequency, {about}}}"


def _within(
    reach_hz: tuple[float, float], low: float, high: float, start: float, stop: float
) -> tuple[str, str]:
    """Both ends of a sweep, no further out than the instruments work, nor inside what was asked:
    what they cannot do of that, the check of the recipe says."""
    return _hz(min(low, max(start, reach_hz[0]))), _hz(max(high, min(stop, reach_hz[1])))


def _ends(prefix: str, start: float | str, stop: float | str) -> Iterator[str]:
    """Both ends of a sweep: frequencies, or parts of the design frequency."""
    for name, value, which in (("start", start, "first"), ("stop", stop, "last")):
        told = f"default: {value}" if isinstance(value, str) else f"times: {value:.4g}, of: antenna"
        yield f"  {prefix}{name}: {{kind: frequency, {told}, about: {which} frequency swept}}"


def _limits(question: Question) -> Iterator[str]:
    if "match" in question.quantities and not _by_vswr(question):
        least = question.least_return_loss_db
        value = USUAL_RETURN_LOSS_DB if least is None else least
        yield f"  least_return_loss: {{kind: ratio, default: {value:g} dB, least: 0 dB}}"
    if _by_vswr(question):
        value = question.largest_vswr or USUAL_VSWR
        yield f"  largest_vswr: {{kind: number, default: {value:g}, least: 1, most: 100}}"
    if question.least_bandwidth_hz is not None:
        yield f"  least_bandwidth: {{kind: frequency, default: {_hz(question.least_bandwidth_hz)}}}"
    if question.least_gain_dbi is not None:
        yield f"  least_gain: {{kind: gain, default: {question.least_gain_dbi:g} dBi}}"


def _by_vswr(question: Question) -> bool:
    """Whether the match is judged by VSWR; return loss is reported as well."""
    return "match" in question.quantities and (
        question.largest_vswr is not None
        or (question.wants_vswr and question.least_return_loss_db is None)
    )


def _reflection(question: Question, places: Places, by_hand: bool) -> Iterator[str]:
    yield "  # Open and short in the same job: what both have in common is taken off the antenna."
    for standard, position in (("open", places.open), ("short", places.short)):
        if by_hand:
            yield "  - hands:"
            yield "      ask: Join the source to the coupler and the coupled arm to the analyzer."
            yield f"        Fit the {standard} to the end of the port cable and close the lid."
            yield "      caution: Clean the connectors and use the torque they are made for."
        yield f"  - capture: {{name: {standard}, role: {standard}, route: $route,"
        yield f"      position: {position}, sweep: main}}"
    if by_hand:
        yield "  - hands:"
        yield "      ask: Take the short off, fit the $antenna to the port cable and close the lid."
        yield "      caution: A hand or a cable nearby shifts its resonance."
    yield f"  - capture: {{name: antenna, role: test, route: $route, position: {places.antenna},"
    yield "      antenna: $antenna, sweep: main}"
    yield "  - reduce:"
    yield "      kind: reflection"
    yield "      test: antenna"
    yield "      baseline: {open: open, short: short}"
    yield "      design_frequency: $centre  # a trim is worked out towards it"
    if "bandwidth" in question.quantities or "match" in question.quantities:
        level = question.least_return_loss_db
        yield f"      bandwidth_level: {USUAL_RETURN_LOSS_DB if level is None else level:g} dB"
    yield f"      at: [{', '.join(_reported(question))}]"
    if question.band_hz is not None:
        yield "      band: [$band_start, $band_stop]  # the worst values of the band are told too"


def _reported(question: Question) -> list[str]:
    if question.at_hz:
        return [_hz(one) for one in question.at_hz]
    if question.band_hz is not None:
        return ["$centre", "$band_start", "$band_stop"]
    return ["$centre"]


def _gain(question: Question, places: Places, by_hand: bool) -> Iterator[str]:
    yield "  # Reference, then antenna in its place: what both have in common cancels."
    for name, role, what, mount in (
        ("reference", "reference", "$reference", places.reference_mount),
        ("antenna on range", "test", "$antenna", places.antenna_mount),
    ):
        if by_hand:
            yield "  - hands:"
            yield "      ask: Join the range cable to the source and the far cable to the analyzer."
            yield f"        Fit the {what} to the mount and close the lid."
            yield "      caution: Same place, same polarisation; do not bend the far cable."
        yield f"  - capture: {{name: {name}, role: {role}, route: $range, position: {mount},"
        yield f"      antenna: {what}, sweep: over_range}}"
    yield "  - reduce:"
    yield "      kind: gain"
    yield "      method: substitution"
    yield "      test: antenna on range"
    yield "      reference: reference"
    yield f"      at: [{', '.join(_reported(question))}]"
    if question.band_hz is not None:
        yield "      band: [$band_start, $band_stop]"


def _accepted(question: Question) -> Iterator[str]:
    limits = []
    in_band = question.band_hz is not None and "match" in question.quantities
    at = (question.at_hz and f"at: {_hz(question.at_hz[0])}") or "at: $centre"
    if _by_vswr(question):
        what = "worst_vswr" if in_band else f"vswr, {at}"
        limits.append(f"{{quantity: {what}, most: $largest_vswr}}")
    elif "match" in question.quantities:
        what = "worst_return_loss" if in_band else f"return_loss, {at}"
        limits.append(f"{{quantity: {what}, least: $least_return_loss}}")
    if question.least_bandwidth_hz is not None:
        limits.append("{quantity: bandwidth, least: $least_bandwidth}")
    if question.least_gain_dbi is not None:
        limits.append(f"{{quantity: realised_gain, {at}, least: $least_gain}}")
    if limits:
        yield "  # Passed for certain only where the whole 95 % interval lies inside the limit."
        yield "  - accept:"
        yield from (f"      - {limit}" for limit in limits)


def _hz(value_hz: float) -> str:
    return number_words(value_hz, "Hz", digits=9)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
