"""The antennas that tests measure with shipped recipes where they do not care which.

A shipped recipe has no antenna of its own: it asks for one.
"""

from __future__ import annotations

from collections.abc import Mapping

_DIPOLE, _YAGI = {"antenna": "dipole r3"}, {"antenna": "yagi r2"}

USUAL: Mapping[str, Mapping[str, str]] = {
    "return-loss": _DIPOLE,
    "return-loss-by-hand": _DIPOLE,
    "return-loss-refined": _DIPOLE,
    "match-over-band": _DIPOLE,
    "return-loss-between-baselines": _DIPOLE,
    "gain-pair-by-switch": _YAGI,
    "gain-pair-by-swap": _YAGI,
    "gain-by-known-range-antenna": _YAGI,
    "gain-between-references": _YAGI,
    "gain-over-positions": _YAGI,
    "gain-over-positions-by-switch": _YAGI,
    "gain-two-identical": _YAGI,
    "gain-three-antennas": {"third": "yagi r2"},
    "compare-revisions": {"first": "dipole r3", "second": "yagi r2"},
}


def usual(recipe: str, arguments: Mapping[str, str]) -> dict[str, str]:
    """The arguments, with the usual antennas where they name none."""
    return {**USUAL.get(recipe, {}), **arguments}
