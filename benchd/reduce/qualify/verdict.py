"""The last result of every qualification: good enough, not good enough, or cannot tell.

The judged value has a 95 % interval. The answer is certain only if the whole interval lies on one
side of the limit (decision rules of JCGM 106:2012, section 8; from memory). If the limit lies
inside the interval, the answer is "cannot tell", and the advice is to measure better.
"""

from __future__ import annotations

from enum import Enum

from benchd.results import Result


class Judgement(Enum):
    """Whether a value keeps its limit. The number of each is the value of the verdict's result."""

    GOOD = 1.0
    UNSURE = 0.5
    NOT_GOOD = 0.0


def judged(
    low: float | None,
    high: float | None,
    *,
    least: float | None = None,
    most: float | None = None,
) -> Judgement:
    """Judge a 95 % interval from `low` to `high` by a limit, all in the same unit.

    low, high: None if that end is unknown; then no answer that needs it is certain.
    least, most: the limit; exactly one of them. A value equal to the limit keeps it.
    """
    if (least is None) == (most is None):
        raise ValueError("judge against `least` or against `most`, not both and not neither")
    if least is not None:
        near, far, limit = low, high, least
    else:
        assert most is not None
        near = None if high is None else -high
        far = None if low is None else -low
        limit = -most
    if near is not None and near >= limit:
        return Judgement.GOOD
    if far is not None and far < limit:
        return Judgement.NOT_GOOD
    return Judgement.UNSURE


def all_of(*judgements: Judgement) -> Judgement:
    """One judgement of several that must all be good: not good if any is certainly not good,
    else "cannot tell" if any cannot be told."""
    return min(judgements, key=lambda one: one.value)


def verdict(
    kind: str,
    judgement: Judgement,
    note: str,
    *,
    band_hz: tuple[float, float] | None = None,
    flags: tuple[str, ...] = (),
) -> Result:
    """`<kind>_verdict`: 1 good enough, 0 not good enough, 0.5 cannot tell.

    note: what was found, and what to do.

    It is a number, so that an accept step can set a limit: {quantity: stillness_verdict, least: 1}.
    The interval of a certain answer is that number itself. The interval of "cannot tell" is 0 to 1,
    so that an accept step gives neither a certain pass nor a certain failure.
    """
    value = judgement.value
    sure = judgement is not Judgement.UNSURE
    return Result(
        quantity=f"{kind}_verdict",
        value=value,
        unit="1",
        expanded_uncertainty=None,
        coverage_factor=None,
        low=value if sure else Judgement.NOT_GOOD.value,
        high=value if sure else Judgement.GOOD.value,
        band_hz=band_hz,
        flags=flags,
        note=note,
    )


def decibels(value_db: float) -> str:
    """A size in dB in words: two digits, never an exponent."""
    return f"{value_db:.2f} dB" if abs(value_db) < 1.0 else f"{value_db:.1f} dB"


def gigahertz(frequency_hz: float) -> str:
    """A frequency in words."""
    return f"{frequency_hz / 1e9:.4g} GHz"
