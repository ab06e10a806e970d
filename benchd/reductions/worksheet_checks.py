"""Whether captures of a worksheet are planned to be taken the same way, checked before they run."""

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


def differences(
    one: CaptureStep, other: CaptureStep, *, grid: bool, is_baseline: bool = False
) -> list[str]:
    """The settings in which two planned captures differ, one phrase each.

    is_baseline: the other is a baseline of the first, so that its grid need only hold the
        frequencies which the first will choose if it refines.
    """
    found = []
    chooses = other.sweep.refine_to or (None if is_baseline else one.sweep.refine_to)
    if grid and chooses is not None:
        found.append("a sweep that refines to an aim chooses frequencies of its own")
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
    """The key path of a baseline in its reduction: its role, below `closing` for a closing one."""
    return ("baseline", "closing", one.role) if one.is_closing else ("baseline", one.role)


def baseline_findings(
    view: View, test: CaptureStep, baselines: Iterable[BaselineInput], interpolate: bool
) -> Iterator[Finding]:
    """Findings for baselines that have another role, or are not taken the way the capture is."""
    for one in baselines:
        if one.name == NEWEST:
            continue
        capture = view.captures[one.name]
        path = baseline_path(one)
        if capture.role != one.role:
            yield path, f'"{one.name}" has the role {capture.role}, expected {one.role}'
        apart = differences(test, capture, grid=not interpolate, is_baseline=True)
        if apart:
            yield path, f'"{one.name}" does not fit "{test.name}": {"; ".join(apart)}'


def band_findings(
    path: tuple[str | int, ...], frequency_hz: float, capture: CaptureStep
) -> Iterator[Finding]:
    """A finding if the frequency lies outside the sweep."""
    sweep = capture.sweep
    slack = 1e-9 * frequency_hz
    if not sweep.start_hz - slack <= frequency_hz <= sweep.stop_hz + slack:
        yield (
            path,
            f"{show(frequency_hz, 'Hz')} lies outside the sweep of "
            f'"{capture.name}", which runs from {show(sweep.start_hz, "Hz")} to '
            f"{show(sweep.stop_hz, 'Hz')}",
        )
