"""Do captures of one worksheet fit each other, as far as that is known before they are taken?"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from benchd.reductions.base import Finding, View
from benchd.units import show
from benchd.worksheet import NEWEST, BaselineInput, CaptureStep

_ALWAYS = (
    ("method", ""),
    ("level_dbm", "dBm"),
    ("resolution_bandwidth_hz", "Hz"),
    ("detector", ""),
    ("rf", ""),
)
_GRID = (("start_hz", "Hz"), ("stop_hz", "Hz"), ("points", ""))


def differences(one: CaptureStep, other: CaptureStep, *, grid: bool) -> list[str]:
    """What two captures were planned with differently, one phrase each."""
    found = []
    if one.route != other.route:
        found.append(f"route {one.route} against {other.route}")
    for key, unit in (*_ALWAYS, *(_GRID if grid else ())):
        mine, theirs = getattr(one.sweep, key), getattr(other.sweep, key)
        if mine != theirs:
            words = [show(value, unit) if unit else str(value) for value in (mine, theirs)]
            name = key.removesuffix("_hz").removesuffix("_dbm").replace("_", " ")
            found.append(f"{name} {words[0]} against {words[1]}")
    return found


def baseline_path(one: BaselineInput) -> tuple[str, ...]:
    """Where a baseline stands in its reduction: open, or open below `closing`."""
    return ("baseline", "closing", one.role) if one.is_closing else ("baseline", one.role)


def baseline_findings(
    view: View, test: CaptureStep, baselines: Iterable[BaselineInput], interpolate: bool
) -> Iterator[Finding]:
    """A baseline must have its role, and must have been taken as the capture was."""
    for one in baselines:
        if one.name == NEWEST:
            continue
        capture = view.captures[one.name]
        path = baseline_path(one)
        if capture.role != one.role:
            yield path, f'"{one.name}" has the role {capture.role}, expected {one.role}'
        apart = differences(test, capture, grid=not interpolate)
        if apart:
            yield path, f'"{one.name}" does not fit "{test.name}": {"; ".join(apart)}'


def band_findings(
    path: tuple[str | int, ...], frequency_hz: float, capture: CaptureStep
) -> Iterator[Finding]:
    """A frequency must lie inside the sweep."""
    sweep = capture.sweep
    slack = 1e-9 * frequency_hz
    if not sweep.start_hz - slack <= frequency_hz <= sweep.stop_hz + slack:
        yield (
            path,
            f"{show(frequency_hz, 'Hz')} lies outside the sweep of "
            f'"{capture.name}", which runs from {show(sweep.start_hz, "Hz")} to '
            f"{show(sweep.stop_hz, 'Hz')}",
        )
