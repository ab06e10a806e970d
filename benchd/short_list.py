"""Which results a person looks for first; the table of quantities says so of each."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.quantities import Shown, quantity
from benchd.results import Result


def looked_for_first(results: Sequence[Result]) -> list[Result]:
    """What a person looks for first; all of them where none of it is among them."""
    over_band = {r.quantity for r in results if r.band_hz is not None and r.frequency_hz is None}

    def is_first(result: Result) -> bool:
        match quantity(result.quantity).shown:
            case Shown.FIRST:
                return True
            case Shown.OVER_BAND:
                return result.quantity in over_band and result.frequency_hz is None
        return False

    return [result for result in results if is_first(result)] or list(results)
