"""The last result of every qualification: good enough or not, and what a person should do."""

from __future__ import annotations

from benchd.results import Result

GOOD = 1.0
NOT_GOOD = 0.0


def verdict(
    kind: str,
    is_good: bool,
    note: str,
    *,
    band_hz: tuple[float, float] | None = None,
    flags: tuple[str, ...] = (),
) -> Result:
    """`<kind>_verdict`: 1 where the bench is good enough, else 0; the note says what to do.

    A number, so that an accept step can hold it: {quantity: stillness_verdict, least: 1}. It is a
    decision, in which all uncertainty has been weighed: its interval is itself.
    """
    value = GOOD if is_good else NOT_GOOD
    return Result(
        quantity=f"{kind}_verdict",
        value=value,
        unit="1",
        expanded_uncertainty=None,
        coverage_factor=None,
        low=value,
        high=value,
        band_hz=band_hz,
        flags=flags,
        note=note,
    )


def decibels(value_db: float) -> str:
    """A size for a sentence: two digits, never an exponent."""
    return f"{value_db:.2f} dB" if abs(value_db) < 1.0 else f"{value_db:.1f} dB"


def gigahertz(frequency_hz: float) -> str:
    """A frequency for a sentence."""
    return f"{frequency_hz / 1e9:.4g} GHz"
