"""Benches of foreign make with antennas of two dips: bands alone.

One foreign bench in six has two dips; these are drawn for how sure the edges are of a band beside
another, or of one that reaches over both.
"""

from __future__ import annotations

import numpy as np

from benchd.reduce.bandwidth import band_results
from benchd.reduce.resonance import look
from tests.coverage_study.antennas import dual
from tests.coverage_study.foreign import drawn_foreign, looked
from tests.coverage_study.foreign_lines import BAND_DB, of_band
from tests.coverage_study.study import Line

APART_FROM_FOREIGN = 3_000_000
"""Added to a seed, so that its bench of two dips is another than its foreign one."""


def band_lines_of(seed: int) -> list[Line]:
    """The band around the deepest dip that was read, and its edges."""
    one = drawn_foreign(APART_FROM_FOREIGN + seed, dual)
    (seen,) = looked(one)
    f, ratio_db = seen.frequency_hz, seen.ratio_db
    known = seen.known_at(float(f[np.argmin(ratio_db)]))
    valleys = look(f, ratio_db, known)
    around_hz = float(valleys.data.frequency_hz[valleys.valleys[0].lowest])
    found = band_results(
        f,
        ratio_db,
        BAND_DB,
        around_hz,
        seen.known_at(around_hz),
        knowledge_at=seen.known_at,
        alone=sum(valley.is_dip for valley in valleys.valleys) < 2,
    )
    return list(of_band(one, found, around_hz))
