"""Whether a baseline fits a capture, with the differences as sentences that a person can act on.

A baseline fits only if both were taken the same way. With a changed cable or level between them
normalising gives a smooth, plausible and wrong trace, and no later check can find that.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import datetime
from typing import Any

import numpy as np

from benchd.errors import NormalisationRefused
from benchd.traces import Capture, FloatArray

COMPARED = (
    "route",
    "fixtures",
    "grid",
    "method",
    "level_dbm",
    "resolution_bandwidth_hz",
    "detector",
    "instruments",
    "taken_at",
)
"""The attributes that must agree, in the order in which differences are listed."""

_WORDS = {
    "route": "route",
    "method": "sweep method",
    "level_dbm": "source level (dBm)",
    "resolution_bandwidth_hz": "resolution bandwidth (Hz)",
    "detector": "detector",
}
_SAME = 1e-9  # relative; grids and settings are copied, not measured, so only rounding differs


def description(capture: Capture) -> dict[str, Any]:
    """How a capture was taken, as the mapping that `differences` compares."""
    settings = capture.settings
    return {
        "route": capture.route,
        "fixtures": capture.fixtures,
        "grid": capture.level.frequency_hz,
        "method": settings.method,
        "level_dbm": settings.level_dbm,
        "resolution_bandwidth_hz": settings.resolution_bandwidth_hz,
        "detector": settings.detector,
        "instruments": capture.instruments,
        "taken_at": capture.taken_at,
        "refined": settings.refine_to is not None,
    }


def differences(
    baseline: Mapping[str, Any],
    capture: Mapping[str, Any],
    *,
    max_age_s: float | None = None,
    other_grid: bool = False,
    leave_out: Collection[str] = (),
) -> list[str]:
    """Every difference in how baseline and capture were taken; empty if the baseline fits.

    baseline, capture: attributes by the names in COMPARED. `grid` is an array of Hz, `fixtures`
        and `instruments` map names to hashes or identities, `taken_at` are aware datetimes. Where
        `refined` is true of the capture alone, its grid may be a part of the baseline's.
    max_age_s: largest distance in time; None leaves age out.
    other_grid: the recipe asks for interpolation, so the grid need only lie inside the span.
    leave_out: attributes that differ on purpose.
    Raises ValueError for an attribute that neither mapping nor COMPARED knows.
    """
    unknown = set(leave_out) - set(COMPARED)
    if unknown:
        raise ValueError(f"cannot leave out {sorted(unknown)}, known are {COMPARED}")
    found: list[str] = []
    for name in COMPARED:
        if name in leave_out:
            continue
        if name == "grid":
            refined = bool(capture.get("refined")) and not baseline.get("refined")
            found += _grid(baseline["grid"], capture["grid"], other_grid, refined)
        elif name in ("fixtures", "instruments"):
            found += _named(name, baseline[name], capture[name])
        elif name == "taken_at":
            found += _age(baseline[name], capture[name], max_age_s)
        else:
            found += _plain(_WORDS[name], baseline.get(name), capture.get(name))
    return found


def require_fit(
    baseline: Mapping[str, Any],
    capture: Mapping[str, Any],
    *,
    max_age_s: float | None = None,
    other_grid: bool = False,
    leave_out: Collection[str] = (),
    where: str = "",
) -> None:
    """Raise NormalisationRefused, naming every difference, unless the baseline fits."""
    found = differences(
        baseline, capture, max_age_s=max_age_s, other_grid=other_grid, leave_out=leave_out
    )
    if found:
        raise NormalisationRefused(
            found, where=where, advice="Take a new baseline with the settings of this capture."
        )


def _plain(word: str, before: Any, now: Any) -> list[str]:
    both = isinstance(before, int | float) and isinstance(now, int | float)
    same = bool(np.isclose(before, now, rtol=_SAME, atol=_SAME)) if both else before == now
    if same:
        return []
    return [f"{word}: the baseline has {_shown(before)}, the capture {_shown(now)}"]


def _shown(value: Any) -> str:
    return "none" if value is None else f"{value:.10g}" if isinstance(value, float) else str(value)


def _named(what: str, before: Mapping[str, str], now: Mapping[str, str]) -> list[str]:
    word = what.removesuffix("s")
    found = [f"{word} {name}: only the baseline used it" for name in before if name not in now]
    found += [f"{word} {name}: only the capture used it" for name in now if name not in before]
    for name in before:
        if name not in now or before[name] == now[name]:
            continue
        if what == "fixtures":
            found.append(f"fixture {name}: its description changed since the baseline")
        else:
            found.append(
                f"instrument {name}: the baseline was taken with {before[name]}, "
                f"the capture with {now[name]}"
            )
    return found


def _grid(before: FloatArray, now: FloatArray, other_grid: bool, refined: bool) -> list[str]:
    if other_grid:
        slack = _SAME * float(now[-1])
        if now[0] >= before[0] - slack and now[-1] <= before[-1] + slack:
            return []
        return [f"grid: the capture's {_span(now)} reaches outside the baseline's {_span(before)}"]
    if before.shape == now.shape and np.allclose(before, now, rtol=_SAME, atol=0.0):
        return []
    if refined:
        lacks = int(np.count_nonzero(~np.isin(now, before)))
        if not lacks:
            return []
        return [
            f"grid: the baseline, {before.size} points over {_span(before)}, lacks {lacks} of the "
            f"{now.size} frequencies over {_span(now)} that the capture chose"
        ]
    return [
        f"grid: the baseline has {before.size} points over {_span(before)}, "
        f"the capture {now.size} points over {_span(now)}"
    ]


def _span(grid: FloatArray) -> str:
    return f"{grid[0] / 1e6:.6g} to {grid[-1] / 1e6:.6g} MHz"


def _age(before: datetime, now: datetime, max_age_s: float | None) -> list[str]:
    # A closing baseline is younger than its capture: the time between them counts, in either order.
    age_s = abs((now - before).total_seconds())
    if max_age_s is None or age_s <= max_age_s:
        return []
    return [
        f"age: the baseline lies {_duration(age_s)} from the capture, "
        f"the recipe allows {_duration(max_age_s)}"
    ]


def _duration(seconds: float) -> str:
    for size, unit in ((86_400.0, "d"), (3_600.0, "h"), (60.0, "min")):
        if seconds >= size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds:.3g} s"
