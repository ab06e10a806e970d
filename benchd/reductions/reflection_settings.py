"""`reflection`: return loss, VSWR, resonance, bandwidth and trim of one antenna."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from benchd.files.fields import Duration, Frequency, FrequencyBand, Label, Measure, Plain, Truth
from benchd.files.filemodel import FileModel
from benchd.reduce.decibels import return_loss_from_gamma
from benchd.reduce.next_points import LEAST_CHOSEN, gaps_of
from benchd.reductions.base import Finding, Frequencies, Reduction, View
from benchd.reductions.worksheet_checks import (
    band_findings,
    baseline_findings,
    baseline_path,
)
from benchd.units import Kind
from benchd.worksheet import NEWEST, BaselineInput, CaptureStep


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


class Reflection(Reduction):
    """Return loss and what follows from it."""

    takes_refined: ClassVar[bool] = True

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
    band_hz: FrequencyBand | None = Field(
        None, alias="band", description="band whose worst return loss and VSWR are wanted"
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

    def inputs(self) -> dict[str, tuple[str, ...]]:
        """The test capture."""
        return {"test": (self.test,)}

    def baselines(self) -> tuple[BaselineInput, ...]:
        """Those of open and short that the recipe names, then the closing ones."""
        closing = self.baseline.closing or ClosingBaseline(open=None, short=None)
        every = (
            BaselineInput("open", self.baseline.open or ""),
            BaselineInput("short", self.baseline.short or ""),
            BaselineInput("open", closing.open or "", is_closing=True),
            BaselineInput("short", closing.short or "", is_closing=True),
        )
        return tuple(one for one in every if one.name)

    @property
    def edge_levels_db(self) -> dict[str, float]:
        """Return losses, dB, at whose crossings the edges of each wanted band lie."""
        levels = {"bandwidth": self.bandwidth_level_db}
        if self.vswr_limit is not None:
            gamma = (self.vswr_limit - 1.0) / (self.vswr_limit + 1.0)
            levels["vswr_bandwidth"] = return_loss_from_gamma(gamma)
        return levels

    @property
    def oldest_s(self) -> float | None:
        """The value of `baseline.max_age`, s."""
        return self.baseline.max_age_s

    def check(self, view: View) -> Iterator[Finding]:
        """Check role, route and grid of the captures, and that frequencies lie inside the sweep."""
        test = view.captures[self.test]
        if self.baseline.open is None and self.baseline.short is None:
            yield ("baseline",), 'expected "open", "short" or both, best both'
        if view.bench.routes[test.route].kind != "reflection":
            yield ("test",), f'"{self.test}" was taken on the route "{test.route}", a transmission'
        if test.role != "test":
            yield ("test",), f'"{self.test}" has the role {test.role}, expected test'
        yield from baseline_findings(view, test, self.baselines(), self.interpolate)
        if test.sweep.refine_to is not None:
            yield from self._refined_findings(view, test)
        yield from self._closing_findings()
        for path, frequency in self._frequencies(view):
            yield from band_findings(path, frequency, test)
        if self.band_hz is not None:
            yield from band_findings(("band", 0), self.band_hz.least, test)
            yield from band_findings(("band", 1), self.band_hz.most, test)

    def _refined_findings(self, view: View, test: CaptureStep) -> Iterator[Finding]:
        """What a sweep that chooses its frequencies by the baseline cannot be asked for."""
        for one in self.baselines():
            capture = view.captures.get(one.name)
            if not one.is_closing and capture is not None and capture.index > test.index:
                yield (
                    baseline_path(one),
                    f'"{one.name}" comes after "{test.name}", whose sweep refines and needs the '
                    "baseline to choose by: take it before",
                )
        if self.interpolate:
            yield (
                ("interpolate",),
                f'the sweep of "{test.name}" refines: it chooses among the frequencies of its '
                "baseline, so that nothing need be interpolated; leave it out",
            )
        fewer = test.sweep.refine_to
        assert fewer is not None, "its caller has looked"
        span_hz = test.sweep.stop_hz - test.sweep.start_hz
        first = gaps_of(test.sweep.points, span_hz, fewer.reach_hz) + 1
        # Each frequency that is not on the grid needs a reading on both its sides.
        least = min(test.sweep.points, first + 2 * len(self.at_hz or []) + LEAST_CHOSEN)
        if self.at_hz is not None and fewer.at_most_points < least:
            yield (
                ("at",),
                f"{len(self.at_hz)} frequencies besides the {first} that are read first leave the "
                f"sweep none of its {fewer.at_most_points} points to choose: ask for fewer, or "
                f"write at_most_points: {least} or more",
            )
        if self.band_hz is not None:
            yield (
                ("band",),
                f'the worst of a band needs every point of it, and the sweep of "{test.name}" '
                "refines: leave `refine` out of the sweep, or `band` here",
            )

    def _closing_findings(self) -> Iterator[Finding]:
        """Check that each closing baseline has an opening one, and that either all standards have a
        closing baseline or none has."""
        opening = {one.role for one in self.baselines() if not one.is_closing}
        closing = {one.role: one.name for one in self.baselines() if one.is_closing}
        if closing and closing.keys() != opening:
            opened, closed = (", ".join(sorted(some)) for some in (opening, closing))
            yield ("baseline", "closing"), f"closes {closed}, but the baseline opens with {opened}"
        for role, name in closing.items():
            if name == NEWEST:
                path = ("baseline", "closing", role)
                yield path, f"{NEWEST} lies before the capture; name a later capture of this recipe"

    def resolved(self, view: View) -> Reflection:
        """The same settings with the design frequency filled in; it is also the frequency to report
        at if the recipe names none."""
        frequencies = [frequency for _, frequency in self._frequencies(view)]
        design = frequencies[0]
        return self.model_copy(
            update={"design_frequency_hz": design, "at_hz": frequencies[1:] or [design]}
        )

    @classmethod
    def of_first_form(cls, step: dict[str, Any]) -> dict[str, Any]:
        """The first format had opening baselines, closing baselines and age on one level."""
        given = step["baseline"]
        closing = {
            role: given[f"closing_{role}"]
            for role in ("open", "short")
            if f"closing_{role}" in given
        }
        baseline = {
            **{role: name for role, name in given.items() if not role.startswith("closing_")},
            "closing": closing or None,
            "max_age_s": step.get("max_age_s"),
        }
        return super().of_first_form(step) | {"baseline": baseline}

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
