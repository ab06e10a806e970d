"""`trim-look`: one look of a trim session, held against the looks before it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Annotated, Literal

from pydantic import Field

from benchd.bench.antennas import Trim
from benchd.errors import ReductionRefused
from benchd.files.fields import Duration, Frequency, Label, Measure
from benchd.known.captures import BenchKnowledge, JobCaptures
from benchd.known.path_flags import path_flags
from benchd.known.reflection import coupler_over_frequency, reflection_knowledge
from benchd.quantities import LOOK, given_by
from benchd.reduce.budget_inputs import Known
from benchd.reduce.decibels import SPEED_OF_LIGHT_M_PER_S
from benchd.reduce.dips import Dips, dip_results, dips
from benchd.reduce.normalise import normalised
from benchd.reduce.reflection import reflection_results
from benchd.reduce.revision_readings import Looked, of_dip
from benchd.reduce.revisions import Pair
from benchd.reduce.trim import TrimKnowledge
from benchd.reduce.trim_history import (
    Advice,
    Response,
    Shift,
    advise,
    first_of_chain,
    next_step,
    rate_words,
    response,
)
from benchd.reductions.base import CapturePatterns, Finding, Reduction, View
from benchd.reductions.outcome import Outcome, finished
from benchd.reductions.reflection import trim_knowledge
from benchd.reductions.registry import reduction
from benchd.reductions.repeated_captures import curve
from benchd.reductions.worksheet_checks import band_findings, baseline_findings
from benchd.results import Result
from benchd.traces import REMOVED, Capture, FloatArray
from benchd.units import Kind
from benchd.worksheet import BaselineInput

__all__ = ["TrimLook", "look_curves", "next_step", "reduce_trim_look"]

USUAL_ARM = 0.235
"""Arm of a half-wave dipole over the wavelength (Balanis, Antenna Theory: 0.47 to 0.48 for both
arms). Only a scale here: what the looks tell of an antenna without a stated arm does not depend on
it."""


class TrimLook(Reduction):
    """Resonance after a cut, its shift, and how much to take off before the next look."""

    kind: Literal["trim-look"] = Field(description="trim-look")
    looks: CapturePatterns = Field(
        description="captures of the antenna so far, in order; the last one is the newest look"
    )
    open: Label | None = Field(None, description="capture of the open, or newest")
    short: Label | None = Field(None, description="capture of the short, or newest")
    max_age_s: Duration | None = Field(
        None,
        alias="max_age",
        description="greatest age of a stored baseline when the first look is taken",
    )
    design_frequency_hz: Frequency | None = Field(
        None,
        alias="design_frequency",
        description="frequency to trim to; without it, the antenna's own",
    )
    dip: Literal["deepest", "nearest"] = Field(
        "deepest",
        description="which resonance is meant where there are several: the deepest, or the one "
        "nearest to the design frequency",
    )
    removed_uncertainty_m: Annotated[float, Measure(Kind.LENGTH, least=1e-6, most=0.01)] = Field(
        0.12e-3,
        alias="removed_uncertainty",
        description="expanded uncertainty (k = 2) of each length taken off, as you measure it",
    )

    def inputs(self) -> dict[str, tuple[str, ...]]:
        """All looks so far."""
        return {"looks": tuple(self.looks)}

    def baselines(self) -> tuple[BaselineInput, ...]:
        """Those of open and short that the recipe names."""
        both = (BaselineInput("open", self.open or ""), BaselineInput("short", self.short or ""))
        return tuple(one for one in both if one.name)

    @property
    def oldest_s(self) -> float | None:
        """The value of `max_age`, s."""
        return self.max_age_s

    def check(self, view: View) -> Iterator[Finding]:
        """Check roles, route and grid of the looks, and that they are all of one antenna."""
        if not self.baselines():
            yield ("open",), 'expected "open", "short" or both, best both'
        newest = view.captures[self.looks[-1]]
        for index, name in enumerate(self.looks):
            one = view.captures[name]
            if view.bench.routes[one.route].kind != "reflection":
                yield ("looks", index), f'"{name}" was taken on "{one.route}", a transmission'
            if one.role != "test":
                yield ("looks", index), f'"{name}" has the role {one.role}, expected test'
            if one.antenna != newest.antenna:
                yield ("looks", index), f'"{name}" is of {one.antenna}, not of {newest.antenna}'
        yield from baseline_findings(view, newest, self.baselines(), interpolate=False)
        if self.design_frequency_hz is not None:
            yield from band_findings(("design_frequency",), self.design_frequency_hz, newest)

    def resolved(self, view: View) -> TrimLook:
        """The design frequency of the antenna where the recipe names none."""
        if self.design_frequency_hz is not None:
            return self
        newest = view.captures[self.looks[-1]]
        antenna = view.bench.antennas[str(newest.antenna)]
        return self.model_copy(update={"design_frequency_hz": antenna.design_frequency_hz})


@dataclass(frozen=True, eq=False)
class _Look:
    """One look: normalised, with its dips."""

    capture: Capture
    looked: Looked
    dips: Dips

    @property
    def resonance(self) -> Result | None:
        """Its resonance as a result, with the interval; None where it has none."""
        if self.dips.meant.budget is None:
            return None
        found = dip_results(self.dips)
        return next(one for one in found if one.quantity == "resonance_frequency")


class _Looks:
    """The looks of a session, each normalised against the one baseline that all share."""

    def __init__(self, settings: TrimLook, captures: JobCaptures, known: BenchKnowledge) -> None:
        self._settings, self._known = settings, known
        self.captures = [captures.named(name) for name in settings.looks]
        # The first look's baseline serves all: what they share cancels in their differences.
        self.baselines = captures.baselines(
            settings.baselines(),
            self.captures[0],
            max_age_s=settings.max_age_s,
            interpolate=False,
        )
        self._made: dict[int, _Look] = {}

    @property
    def removed_m(self) -> list[float | None]:
        """What was taken off each arm before each look; None where nobody said it."""
        return [capture.readings.get(REMOVED) for capture in self.captures]

    def look(self, number: int) -> _Look:
        """One look, counted from 0."""
        if number not in self._made:
            self._made[number] = self._read(self.captures[number])
        return self._made[number]

    def _read(self, capture: Capture) -> _Look:
        bench, archive = self._known.bench, self._known.archive
        knowledge = reflection_knowledge(bench, capture, self.baselines.opening, archive)
        levels = [one.level for one in self.baselines.opening.values()]
        ratio = normalised(capture.level, levels)
        at = coupler_over_frequency(knowledge, bench, capture, archive)
        looked = Looked(ratio.frequency_hz, ratio.decibels, at)
        found = dips(
            looked.frequency_hz,
            looked.ratio_db,
            at,
            meant=self._settings.dip,
            near_hz=self._settings.design_frequency_hz,
        )
        return _Look(capture, looked, found)


@reduction(TrimLook)
def reduce_trim_look(settings: TrimLook, captures: JobCaptures, known: BenchKnowledge) -> Outcome:
    """Resonance of the newest look, its shift since the first, and what to take off next.

    Raises NormalisationRefused, ReductionRefused.
    """
    looks = _Looks(settings, captures, known)
    design_hz = settings.design_frequency_hz
    assert design_hz is not None, "a resolved reduction tells it"
    newest = looks.look(len(looks.captures) - 1)
    looked = newest.looked
    given = {row.name for row in given_by(LOOK)}
    results = [one for one in dip_results(newest.dips) if one.quantity in given]
    at_design = looked.known_at(design_hz)
    results += [
        one
        for one in reflection_results(looked.frequency_hz, looked.ratio_db, [design_hz], at_design)
        if one.quantity == "return_loss"
    ]
    removed_m = looks.removed_m[-1]
    if len(looks.captures) > 1 and removed_m is not None:
        results.append(_removed(removed_m, settings.removed_uncertainty_m))
    results += _advice_results(settings, looks, known, design_hz)
    flags = path_flags(newest.capture, looked.frequency_hz, looked.ratio_db, looked.known_at)
    used = [newest.capture, *looks.baselines.every]
    return finished(
        newest.capture.antenna,
        used,
        [result.with_flags(*flags) for result in results],
        [curve("return_loss", looked.frequency_hz, -looked.ratio_db)],
    )


def look_curves(
    settings: TrimLook, captures: JobCaptures
) -> list[tuple[str, FloatArray, FloatArray]]:
    """Each look's capture id, frequencies in Hz and return loss in dB, without any interval.

    Cheap, so that a page may ask for it after every look. Raises NormalisationRefused and
    ReductionRefused.
    """
    looks = [captures.named(name) for name in settings.looks]
    baselines = captures.baselines(
        settings.baselines(), looks[0], max_age_s=settings.max_age_s, interpolate=False
    )
    levels = [one.level for one in baselines.opening.values()]
    found = []
    for one in looks:
        ratio = normalised(one.level, levels)
        found.append((one.id, ratio.frequency_hz, -ratio.decibels))
    return found


def _removed(removed_m: float, expanded_m: float) -> Result:
    return Result(
        quantity="removed_length",
        value=removed_m,
        unit="m",
        expanded_uncertainty=expanded_m,
        coverage_factor=2.0,
        low=removed_m - expanded_m,
        high=removed_m + expanded_m,
        note="Taken off each arm since the look before, as it was typed in.",
    )


def _advice_results(
    settings: TrimLook, looks: _Looks, known: BenchKnowledge, design_hz: float
) -> list[Result]:
    newest = looks.look(len(looks.captures) - 1)
    antenna = known.bench.antennas.get(newest.capture.antenna or "")
    stated = antenna.trim if antenna is not None else None
    meant = newest.dips.meant
    if meant.budget is None:
        return []
    found: list[Result] = []
    base = _base(looks)
    shift: Shift | None = None
    if base is not None:
        difference = _difference(looks.look(base), newest)
        shift = _shift(looks, base, difference)
        since = f"since look {base + 1}"
        found.append(replace(difference, note=f"{difference.note} It is the shift {since}."))
    arm_m = _arm_at(looks, base or 0, stated, design_hz)
    trimmed = trim_knowledge(stated) if stated is not None else TrimKnowledge()
    if stated is None:
        trimmed = replace(trimmed, arm_length_sd_m=Known(0.0))
    sd_m = settings.removed_uncertainty_m / 2.0
    seen = response(shift, arm_m, design_hz, trimmed, sd_m, law=stated is not None)
    if seen is None:
        return found
    taken_m = 0.0 if shift is None else shift.removed_m
    advice = advise(meant, meant.budget, arm_m - taken_m, design_hz, trimmed, seen)
    return [*found, advice.result, _rate(advice)]


def _base(looks: _Looks) -> int | None:
    """The first look with a resonance since which all lengths are known; None without one, or
    where nothing was taken off since."""
    removed = looks.removed_m
    for number in range(first_of_chain(removed), len(removed) - 1):
        if sum(one or 0.0 for one in removed[number + 1 :]) <= 0.0:
            return None
        if looks.look(number).resonance is not None:
            return number
    return None


def _difference(first: _Look, newest: _Look) -> Result:
    """Resonance of the newest look less that of the first, by joint draws of what both share."""
    one, other = first.resonance, newest.resonance
    assert one is not None, "looked for before"
    assert other is not None, "looked for before"
    name = "resonance_frequency"
    try:
        readings = (
            of_dip(name, first.looked, one.value),
            of_dip(name, newest.looked, other.value),
        )
        return Pair(first.looked, newest.looked).difference(one, other, readings)
    except ReductionRefused:
        # So uncertain that joint draws find no dip: both intervals count in full.
        return _by_intervals(one, other)


def _by_intervals(one: Result, other: Result) -> Result:
    expanded = float(
        (one.expanded_uncertainty or 0.0) ** 2 + (other.expanded_uncertainty or 0) ** 2
    )
    expanded = expanded**0.5
    value = other.value - one.value
    return replace(
        other,
        quantity="resonance_frequency_difference",
        value=value,
        expanded_uncertainty=expanded,
        low=value - expanded,
        high=value + expanded,
        budget=None,
        note="Both intervals count in full: the looks are too uncertain to be compared jointly.",
    )


def _shift(looks: _Looks, base: int, difference: Result) -> Shift:
    removed = looks.removed_m[base + 1 :]
    from_hz = looks.look(base).dips.meant.frequency_hz
    half_hz = difference.expanded_uncertainty or 0.0
    return Shift(
        from_hz=from_hz,
        to_hz=from_hz + difference.value,
        standard_hz=half_hz / 1.96,
        removed_m=sum(one or 0.0 for one in removed),
        cuts=sum(1 for one in removed if one),
    )


def _arm_at(looks: _Looks, base: int, stated: Trim | None, design_hz: float) -> float:
    """Length of an arm at a look, m.

    Where a length before it is unknown, it follows from the resonances by the 1/f law.
    """
    arm_m = USUAL_ARM * SPEED_OF_LIGHT_M_PER_S / design_hz if stated is None else stated.arm_m
    before = looks.removed_m[1 : base + 1]
    if all(one is not None for one in before):
        return arm_m - sum(one or 0.0 for one in before)
    first, there = looks.look(0).dips.meant, looks.look(base).dips.meant
    if first.budget is None or there.budget is None:
        return arm_m
    return arm_m * first.frequency_hz / there.frequency_hz


def _rate(advice: Advice) -> Result:
    """How much to take off for each hertz, from law and looks, with what each says by itself."""
    seen = advice.response
    rate = advice.rate_m_per_hz
    expanded = 1.96 * rate * seen.standard / seen.value
    return Result(
        quantity="trim_rate",
        value=rate,
        unit="m/Hz",
        expanded_uncertainty=expanded,
        coverage_factor=1.96,
        low=rate - expanded,
        high=rate + expanded,
        note=_rate_note(seen, rate),
    )


def _rate_note(seen: Response, rate: float) -> str:
    words = rate_words(rate)
    if seen.own is None:
        return f"{words} of each arm, by the 1/f law: no cut of this antenna has been seen yet."
    if seen.doubted:
        return (
            f"{words} of each arm, by the 1/f law alone: the looks moved {seen.own:.2g} times as "
            "far as the lengths say, which no antenna does. Was each length typed as it was cut?"
        )
    by_law, by_own = rate_words(rate * seen.value), rate_words(rate * seen.value / seen.own)
    percent = round(100.0 * seen.weight)
    if percent == 100:
        return f"{words} of each arm, by this antenna's own looks; by the 1/f law {by_law}."
    return (
        f"{words} of each arm: by this antenna's own looks {by_own}, which counts for {percent} %, "
        f"by the 1/f law {by_law}, which counts for {100 - percent} %."
    )
