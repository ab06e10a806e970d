"""Good enough, not good enough, cannot tell: decided by the whole interval, for all qualifications.

The rule is that of JCGM 106:2012, section 8 (from memory).
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.reduce.qualify.verdict import Judgement, all_of, judged, verdict
from benchd.report.wording import value_words
from benchd.worksheet import Limit

SIZES = st.floats(-1e6, 1e6)


@pytest.mark.parametrize(
    ("low", "high", "least", "most", "expected"),
    [
        (25.0, 30.0, 25.0, None, Judgement.GOOD),
        (22.0, 28.0, 25.0, None, Judgement.UNSURE),
        (20.0, 24.9, 25.0, None, Judgement.NOT_GOOD),
        (26.0, None, 25.0, None, Judgement.GOOD),
        (20.0, None, 25.0, None, Judgement.UNSURE),
        (None, 20.0, 25.0, None, Judgement.NOT_GOOD),
        (None, None, 25.0, None, Judgement.UNSURE),
        (0.02, 0.1, None, 0.1, Judgement.GOOD),
        (0.05, 0.2, None, 0.1, Judgement.UNSURE),
        (0.11, 0.2, None, 0.1, Judgement.NOT_GOOD),
        (0.11, None, None, 0.1, Judgement.NOT_GOOD),
        (None, 0.05, None, 0.1, Judgement.GOOD),
    ],
)
def test_a_limit_is_kept_or_broken_only_by_the_whole_interval(
    low: float | None,
    high: float | None,
    least: float | None,
    most: float | None,
    expected: Judgement,
) -> None:
    assert judged(low, high, least=least, most=most) is expected


@given(st.tuples(SIZES, SIZES, SIZES), SIZES)
def test_a_sure_judgement_is_never_wrong_while_the_truth_lies_in_the_interval(
    points: tuple[float, float, float], limit: float
) -> None:
    low, truth, high = sorted(points)
    kept = judged(low, high, least=limit)
    assert kept is not Judgement.GOOD or truth >= limit
    assert kept is not Judgement.NOT_GOOD or truth < limit
    # A most is a least of what is mirrored.
    assert judged(-high, -low, most=-limit) is kept


def test_nothing_is_judged_against_two_limits_or_none() -> None:
    for limits in ({}, {"least": 1.0, "most": 2.0}):
        with pytest.raises(ValueError, match="not both and not neither"):
            judged(0.0, 1.0, **limits)


def test_of_several_judgements_the_worst_counts() -> None:
    good, unsure, bad = Judgement.GOOD, Judgement.UNSURE, Judgement.NOT_GOOD
    assert all_of(good, unsure) is unsure
    assert all_of(unsure, bad, good) is bad
    assert all_of(good, good) is good


@pytest.mark.parametrize(
    ("judgement", "words", "outcome"),
    [
        (Judgement.GOOD, "good enough", "pass"),
        (Judgement.UNSURE, "cannot tell", "fail-marginal"),
        (Judgement.NOT_GOOD, "not good enough", "fail"),
    ],
)
def test_an_accept_step_passes_only_what_is_surely_good(
    judgement: Judgement, words: str, outcome: str
) -> None:
    from datetime import UTC, datetime

    from benchd.reductions.limits import hold_against
    from benchd.results import ResultRecord

    found = verdict("coupler", judgement, "note")
    assert math.isfinite(found.value)
    assert value_words(found) == words
    record = ResultRecord(
        "res-1", "b", "job-1", "s", "r", "h", "w", {}, datetime(2026, 1, 1, tzinfo=UTC), found
    )
    (held,) = hold_against([Limit(quantity="coupler_verdict", least=1.0)], [record])
    assert held.outcome == outcome
