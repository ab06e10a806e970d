"""Flags for captures whose RF path may have been broken, so that no signal came through."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np

from benchd.reduce.budget_inputs import ReflectionKnowledge
from benchd.reduce.pathcheck import at_noise, below_leak, noise_over
from benchd.reduce.reflection import NO_NOISE_MARGIN
from benchd.traces import PATH_BROKEN, Capture, FloatArray

MOST_AT_NOISE = 0.5
"""If more than this share of a sweep lies at the noise, no conclusion on the antenna is drawn."""

LOOKED_AT = 41
"""Frequencies at which the coupler's directivity is looked up; straight lines join them."""


def path_flags(
    test: Capture,
    frequency_hz: FloatArray,
    ratio_db: FloatArray,
    known_at: Callable[[float], ReflectionKnowledge],
) -> tuple[str, ...]:
    """Flags of a return loss as a whole, frequency_hz and ratio_db of shape (n,).

    `path-broken` is given where the reading lies so far below the baselines that even the coupler's
    leak is missing: some of it must arrive over any path that is whole. A capture was compared with
    the stated losses already when it was taken; measured baselines are more certain than those.
    """
    few_hz = np.linspace(frequency_hz[0], frequency_hz[-1], min(LOOKED_AT, frequency_hz.size))
    few_db = [known_at(float(at_hz)).directivity_db.value for at_hz in few_hz]
    leak_db = np.interp(frequency_hz, few_hz, few_db)
    broken = below_leak(frequency_hz, -ratio_db, leak_db, wide=test.role != "load")
    return (PATH_BROKEN,) if broken is not None else ()


def noise_margin_flags(captures: Iterable[Capture]) -> tuple[str, ...]:
    """`no-noise-margin` where most of any capture does not stand above the analyzer's noise.

    Two sorts of capture are not judged here: one that was read with RF off, and one that held the
    maxima of a free-running source. Their own flags tell what was seen.
    """
    for capture in captures:
        noise = capture.trace("noise")
        if noise is None or capture.settings.method == "hold":
            continue
        grid = capture.level.frequency_hz
        noise_dbm = noise.decibels
        floor = noise_over(grid, noise.frequency_hz, noise_dbm)
        low = at_noise(capture.level.decibels, floor)
        if np.count_nonzero(low) > MOST_AT_NOISE * grid.size:
            return (NO_NOISE_MARGIN,)
    return ()
