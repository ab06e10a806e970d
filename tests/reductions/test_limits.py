"""Acceptance limits held against results and their intervals."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from benchd.reductions.limits import hold_against
from benchd.results import Result, ResultRecord
from benchd.worksheet import Limit


def record(
    value: float, low: float | None, high: float | None, at_hz: float = 1.7e9
) -> ResultRecord:
    return ResultRecord(
        id="res-1",
        bench="workshop",
        job_id="job-1",
        step="dipole",
        recipe="return-loss",
        recipe_hash="",
        worksheet_hash="",
        instruments={},
        reduced_at=datetime(2026, 11, 1, tzinfo=UTC),
        result=Result(
            quantity="return_loss",
            value=value,
            unit="dB",
            expanded_uncertainty=1.0,
            coverage_factor=2.0,
            low=low,
            high=high,
            frequency_hz=at_hz,
        ),
    )


@pytest.mark.parametrize(
    ("value", "low", "high", "outcome", "margin"),
    [
        pytest.param(14.0, 12.5, 15.5, "pass", 4.0, id="whole interval above"),
        pytest.param(10.5, 9.0, 12.0, "pass-marginal", 0.5, id="value above, interval straddles"),
        pytest.param(9.5, 8.0, 11.0, "fail-marginal", -0.5, id="value below, interval straddles"),
        pytest.param(7.0, 6.0, 8.0, "fail", -3.0, id="whole interval below"),
        pytest.param(14.0, 12.0, None, "pass", 4.0, id="open upwards, low end above"),
        pytest.param(14.0, None, 15.0, "cannot-tell", 4.0, id="open downwards may be far below"),
        pytest.param(7.0, None, 8.0, "fail", -3.0, id="open downwards, upper end below"),
        pytest.param(14.0, None, None, "pass-marginal", 4.0, id="no interval at all"),
        pytest.param(7.0, 6.0, None, "fail-marginal", -3.0, id="open upwards is never a sure fail"),
    ],
)
def test_a_least_limit_is_sure_only_where_the_whole_interval_is_on_one_side(
    value: float, low: float | None, high: float | None, outcome: str, margin: float
) -> None:
    (verdict,) = hold_against(
        [Limit(quantity="return_loss", least=10.0)], [record(value, low, high)]
    )
    assert (verdict.outcome, verdict.margin, verdict.limit) == (outcome, margin, "at least 10 dB")


def test_a_window_is_failed_by_the_nearer_of_its_two_ends() -> None:
    limit = Limit(quantity="return_loss", least=10.0, most=20.0)
    (verdict,) = hold_against([limit], [record(21.0, 20.5, 22.0)])
    assert (verdict.outcome, verdict.margin) == ("fail", -1.0)


def test_a_limit_at_a_frequency_ignores_results_elsewhere() -> None:
    records = [record(30.0, 29.0, 31.0, at_hz=1.6e9), record(5.0, 4.0, 6.0)]
    (verdict,) = hold_against([Limit(quantity="return_loss", least=10.0, at_hz=1.7e9)], records)
    assert verdict.outcome == "fail"


def test_a_limit_without_a_result_says_so_rather_than_passing() -> None:
    (verdict,) = hold_against([Limit(quantity="vswr", most=2.0)], [record(14.0, 13.0, 15.0)])
    assert (verdict.outcome, verdict.margin) == ("absent", None)


@pytest.mark.parametrize(
    ("limit", "words"),
    [
        (Limit(quantity="return_loss", least=10.0, at_hz=1.7e9), "at least 10 dB at 1.7 GHz"),
        (Limit(quantity="return_loss", least=10.0, most=20.0), "at least 10 dB and at most 20 dB"),
        (Limit(quantity="resonance_frequency", most=1.71e9), "at most 1.71 GHz"),
        (Limit(quantity="trim_per_arm", most=0.0005), "at most 0.5 mm"),
        (Limit(quantity="realised_gain_min", least=-1.5), "at least -1.5 dBi"),
        (Limit(quantity="vswr", most=2.0, at_hz=1.6975e9), "at most 2 at 1.6975 GHz"),
    ],
)
def test_a_limit_is_said_with_its_unit_and_place_even_where_no_result_is(
    limit: Limit, words: str
) -> None:
    (verdict,) = hold_against([limit], [])
    assert (verdict.outcome, verdict.limit) == ("absent", words)
