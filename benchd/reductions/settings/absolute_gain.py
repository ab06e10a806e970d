"""`gain-two-identical` and `gain-three-antennas`: gain without an antenna of known gain."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from benchd.files.fields import Label
from benchd.reductions.settings.base import (
    CaptureNames,
    Finding,
    View,
    reduction,
    spread,
)
from benchd.reductions.settings.gain_settings import GainReduction
from benchd.reductions.settings.same_sweep import differences
from benchd.units import Kind


class _Range(GainReduction):
    """What both ways share: a thru, the frequencies, the antennas' own reflections."""

    quantities: ClassVar[Mapping[str, Kind | None]] = {
        f"realised_gain{over}": Kind.GAIN for over in ("", "_mean", "_min", "_max")
    }

    thru: CaptureNames = Field(description="capture with the cables joined, or a list")

    def far_captures(self) -> dict[str, str]:
        """Input -> capture over the range, in order; the first sets route and grid."""
        return {}

    def inputs(self) -> dict[str, str]:
        """The captures over the range, and the thru."""
        return {**self.far_captures(), **spread("thru", self.thru)}

    def check(self, view: View) -> Iterator[Finding]:
        """Roles, routes, grids and frequencies; the range must have a length."""
        inputs = self.inputs()
        first = view.captures[next(iter(inputs.values()))]
        for key, name in inputs.items():
            capture = view.captures[name]
            base, _, number = key.rpartition("_")
            path = (base, int(number) - 1) if number.isdigit() else (key,)
            wanted = "thru" if key.startswith("thru") else "test"
            if capture.role != wanted:
                yield path, f'"{name}" has the role {capture.role}, expected {wanted}'
            if view.bench.routes[capture.route].kind != "transmission":
                yield path, f'"{name}" was taken on the route "{capture.route}", a reflection'
            apart = differences(first, capture, grid=not self.interpolate)
            if apart:
                yield path, f'"{name}" does not fit "{first.name}": {"; ".join(apart)}'
        if view.bench.box is None or view.bench.box.range_length_m is None:
            yield ("kind",), "needs box.range_length in the bench file"
        yield from self.frequency_findings(first)

    def options(self, view: View) -> dict[str, Any]:
        """match, at_hz (list), band_hz ([low, high]), antenna of the first capture."""
        return self.gain_options(view, view.captures[next(iter(self.inputs().values()))])


@reduction("gain-two-identical")
class TwoIdentical(_Range):
    """Realised gain of each of two antennas built alike, one at either end of the range."""

    kind: Literal["gain-two-identical"] = Field(description="gain-two-identical")
    test: CaptureNames = Field(description="capture with both antennas on the range, or a list")

    def far_captures(self) -> dict[str, str]:
        """The captures with both antennas."""
        return spread("test", self.test)


@reduction("gain-three-antennas")
class ThreeAntennas(_Range):
    """Realised gain of three antennas, each pair measured once; none needs to be known."""

    kind: Literal["gain-three-antennas"] = Field(description="gain-three-antennas")
    ab: Label = Field(description="capture with the first at the near end and the second far")
    ac: Label = Field(description="capture with the first at the near end and the third far")
    bc: Label = Field(description="capture with the second at the near end and the third far")
    antennas: Annotated[list[Label], Field(min_length=3, max_length=3)] = Field(
        description="the three antennas: first, second, third"
    )

    def far_captures(self) -> dict[str, str]:
        """The three pairs."""
        return {"ab": self.ab, "ac": self.ac, "bc": self.bc}

    def check(self, view: View) -> Iterator[Finding]:
        """Also: three different antennas of the bench, and each capture of the right far one."""
        yield from super().check(view)
        for index, name in enumerate(self.antennas):
            if name not in view.bench.antennas:
                known = ", ".join(view.bench.antennas)
                yield ("antennas", index), f'the bench has no antenna "{name}", it has: {known}'
            if name in self.antennas[:index]:
                yield ("antennas", index), f'"{name}" stands here twice'
        for key, far in (("ab", 1), ("ac", 2), ("bc", 2)):
            name = getattr(self, key)
            found = view.captures[name].antenna
            if found != self.antennas[far]:
                text = f'"{name}" is of {found}, expected {self.antennas[far]} at the far end'
                yield (key,), text

    def options(self, view: View) -> dict[str, Any]:
        """As for two antennas, and `antennas` in order."""
        return {**super().options(view), "antennas": list(self.antennas)}
