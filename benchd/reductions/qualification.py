"""Checks that all qualifications share: whether there are enough captures, taken the same way."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from pydantic import Field

from benchd.files.fields import Label
from benchd.reductions.base import Finding, Frequencies, Reduction, View
from benchd.reductions.worksheet_checks import band_findings, differences


class Qualification(Reduction):
    """Base of the qualifications.

    series: keys that hold lists of captures, in order; the first given one sets the pattern.
    least: key -> fewest captures that it needs.
    alone: keys whose captures need not be taken like the others.
    """

    at_hz: Frequencies | None = Field(
        None, alias="at", description="frequencies to report beside the whole band"
    )

    def series(self) -> Mapping[str, Sequence[Label]]:
        """Key -> captures; keys that the recipe leaves out are not in it."""
        return {}

    def least(self) -> Mapping[str, int]:
        """Key -> smallest number of captures; a key that is not in it needs one."""
        return {}

    def alone(self) -> frozenset[str]:
        """Keys whose captures need not be taken in the same way as the others."""
        return frozenset()

    def inputs(self) -> dict[str, tuple[str, ...]]:
        """The captures of every series, by its key."""
        return {key: tuple(names) for key, names in self.series().items()}

    def check(self, view: View) -> Iterator[Finding]:
        """Check that there are enough captures, that they are taken the same way, and that the
        frequencies lie inside the sweep."""
        first = None
        for key, names in self.series().items():
            fewest = self.least().get(key, 1)
            if len(names) < fewest:
                yield (key,), f"found {len(names)} captures, at least {fewest} are needed"
            if key in self.alone():
                continue
            for index, name in enumerate(names):
                capture = view.captures[name]
                first = first or capture
                apart = differences(first, capture, grid=True)
                if apart:
                    text = f'"{name}" does not fit "{first.name}": {"; ".join(apart)}'
                    yield (key, index), text
        if first is not None:
            for index, frequency in enumerate(self.at_hz or []):
                yield from band_findings(("at", index), frequency, first)
