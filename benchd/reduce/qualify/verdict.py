"""The last result of every qualification: good enough, not good enough, or cannot tell.

What is judged comes with a 95 % interval. Only where the whole interval lies on one side of the
limit is the answer sure (decision rules of JCGM 106:2012, section 8; from memory). Where the limit
lies inside, the honest answer is "cannot tell", and the advice is to measure better.
"""

from __future__ import annotations

from enum import Enum

from benchd.results import Result


class Judgement(Enum):
    """How something stands to its limit; the value is the number that the verdict carries."""

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
    """What a 95 % interval from `low` to `high` says of a limit, all in the same unit.

    low, high: None where that end is not known; nothing sure rests on an unknown end.
    least, most: the limit; exactly one of them. A value on the limit keeps it.
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
    """Several judgements that must all be good: the worst of them, and what is not good is sure."""
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

    A number, so that an accept step can hold it: {quantity: stillness_verdict, least: 1}. A sure
    answer is its own interval. One that cannot be told reaches from 0 to 1, so that such a step
    calls it neither a sure pass nor a sure failure.
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
    """A size for a sentence: two digits, never an exponent."""
    return f"{value_db:.2f} dB" if abs(value_db) < 1.0 else f"{value_db:.1f} dB"


def gigahertz(frequency_hz: float) -> str:
    """A frequency for a sentence."""
    return f"{frequency_hz / 1e9:.4g} GHz"
