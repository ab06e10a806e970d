"""`reflection`: return loss, VSWR, resonance, bandwidth and trim of one antenna."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from benchd.files.fields import Duration, Frequency, Label, Measure, Plain, Truth
from benchd.files.filemodel import FileModel
from benchd.reductions.settings.base import (
    NEWEST,
    Finding,
    Frequencies,
    Reduction,
    View,
    reduction,
)
from benchd.reductions.settings.same_sweep import band_findings, baseline_findings
from benchd.units import Kind

CLOSING = "closing_"


class ClosingBaseline(FileModel):
    """Baselines taken after the capture: with the opening ones they bracket it in time."""

    open: Label | None = Field(None, description="later capture of the open, in this recipe")
    short: Label | None = Field(None, description="later capture of the short, in this recipe")


class ReflectionBaseline(FileModel):
    """What the capture is normalised against. Open and short together halve the error."""

    open: Label | None = Field(None, description="capture of the open, or newest")
    short: Label | None = Field(None, description="capture of the short, or newest")
    closing: ClosingBaseline | None = Field(
        None, description="the same taken again after the capture; what drifts is interpolated"
    )
    max_age_s: Duration | None = Field(
        None, alias="max_age", description="greatest age of a stored baseline"
    )


@reduction("reflection")
class Reflection(Reduction):
    """Return loss and what follows from it."""

    quantities: ClassVar[Mapping[str, Kind | None]] = {
        "return_loss": Kind.RATIO,
        "mismatch_loss": Kind.RATIO,
        "vswr": None,
        "reflection_magnitude": None,
        "resonance_count": None,
        "resonance_frequency": Kind.FREQUENCY,
        "resonance_return_loss": Kind.RATIO,
        "further_resonance_frequency": Kind.FREQUENCY,
        "further_resonance_return_loss": Kind.RATIO,
        "loaded_q": None,
        "unloaded_q": None,
        "bandwidth": Kind.FREQUENCY,
        "bandwidth_low_edge": Kind.FREQUENCY,
        "bandwidth_high_edge": Kind.FREQUENCY,
        "vswr_bandwidth": Kind.FREQUENCY,
        "vswr_bandwidth_low_edge": Kind.FREQUENCY,
        "vswr_bandwidth_high_edge": Kind.FREQUENCY,
        "trim_per_arm": Kind.LENGTH,
    }

    kind: Literal["reflection"] = Field(description="reflection")
    test: Label = Field(description="capture of the antenna")
    baseline: ReflectionBaseline = Field(description="captures to normalise against")
    design_frequency_hz: Frequency | None = Field(
        None,
        alias="design_frequency",
        description="frequency to trim to; without it, the antenna's own",
    )
    bandwidth_level_db: Annotated[float, Measure(Kind.RATIO, above=0.0, most=60.0)] = Field(
        10.0, alias="bandwidth_level", description="return loss at the edges of the band"
    )
    vswr_limit: Annotated[float, Plain(1.0, 100.0)] | None = Field(
        None, description="VSWR at the edges of a second band, if wanted"
    )
    at_hz: Frequencies | None = Field(
        None, alias="at", description="frequencies to report; without it, the design frequency"
    )
    dip: Literal["deepest", "nearest"] = Field(
        "deepest",
        description="which resonance is meant where there are several: the deepest, or the one "
        "nearest to the design frequency",
    )
    interpolate: Truth = Field(False, description="yes allows a baseline on another frequency grid")
    free_space: Truth = Field(
        False,
        description="yes wants values that hold without the box, its walls in the uncertainty",
    )

    def inputs(self) -> dict[str, str]:
        """The test capture."""
        return {"test": self.test}

    def baseline_inputs(self) -> dict[str, str]:
        """Open and short as far as given; closing_open and closing_short likewise."""
        closing = self.baseline.closing or ClosingBaseline(open=None, short=None)
        pairs = (
            ("open", self.baseline.open),
            ("short", self.baseline.short),
            (f"{CLOSING}open", closing.open),
            (f"{CLOSING}short", closing.short),
        )
        return {role: name for role, name in pairs if name is not None}

    @property
    def oldest_s(self) -> float | None:
        """From `baseline.max_age`."""
        return self.baseline.max_age_s

    @property
    def may_interpolate(self) -> bool:
        """From `interpolate`."""
        return self.interpolate

    def check(self, view: View) -> Iterator[Finding]:
        """Role, route and grid of the captures; frequencies inside the sweep."""
        test = view.captures[self.test]
        given = self.baseline_inputs()
        if not {"open", "short"} & set(given):
            yield ("baseline",), 'expected "open", "short" or both, best both'
        if view.bench.routes[test.route].kind != "reflection":
            yield ("test",), f'"{self.test}" was taken on the route "{test.route}", a transmission'
        if test.role != "test":
            yield ("test",), f'"{self.test}" has the role {test.role}, expected test'
        yield from baseline_findings(view, test, self.baseline_inputs(), self.interpolate)
        yield from self._closing_findings(given)
        for path, frequency in self._frequencies(view):
            yield from band_findings(path, frequency, test)

    def _closing_findings(self, given: dict[str, str]) -> Iterator[Finding]:
        """Each closing baseline needs its opening one, and all standards are closed alike."""
        closing = {role for role in ("open", "short") if f"{CLOSING}{role}" in given}
        opening = {"open", "short"} & set(given)
        if closing and closing != opening:
            opened, closed = (", ".join(sorted(some)) for some in (opening, closing))
            yield ("baseline", "closing"), f"closes {closed}, but the baseline opens with {opened}"
        for role in closing:
            if given[f"{CLOSING}{role}"] == NEWEST:
                path = ("baseline", "closing", role)
                yield path, f"{NEWEST} lies before the capture; name a later capture of this recipe"

    def options(self, view: View) -> dict[str, Any]:
        """design_frequency_hz, bandwidth_level_db, vswr_limit, at_hz (list), antenna, dip,
        free_space."""
        frequencies = [frequency for _, frequency in self._frequencies(view)]
        design = frequencies[0]
        return {
            "design_frequency_hz": design,
            "bandwidth_level_db": self.bandwidth_level_db,
            "vswr_limit": self.vswr_limit,
            "at_hz": frequencies[1:] or [design],
            "antenna": view.captures[self.test].antenna,
            "dip": self.dip,
            "free_space": self.free_space,
        }

    def _frequencies(self, view: View) -> list[tuple[tuple[str | int, ...], float]]:
        """Design frequency first, then those of `at`."""
        antenna = view.captures[self.test].antenna
        design = self.design_frequency_hz
        path: tuple[str | int, ...] = ("design_frequency",)
        if design is None and antenna is not None:
            design, path = view.bench.antennas[antenna].design_frequency_hz, ("test",)
        found = [] if design is None else [(path, design)]
        found.extend((("at", index), value) for index, value in enumerate(self.at_hz or []))
        return found
