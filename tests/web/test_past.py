"""What the addresses for looking back say in words."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from benchd.reduce.uncertainty import combine, term
from benchd.results import Result, ResultRecord
from benchd.web.past import difference_document, improve_document


def record(*sizes: tuple[str, float], assumed: bool = False) -> ResultRecord:
    terms = [term(name, size, "dB", assumed=assumed) for name, size in sizes]
    budget = combine(terms, estimate=12.0)
    result = Result("return_loss", 12.0, "dB", budget.expanded, 2.0, antenna="dipole r3",
                    budget=budget)  # fmt: skip
    return ResultRecord(
        id="res-1", bench="workshop", job_id="job-1", step="reflection", recipe="return-loss",
        recipe_hash="", worksheet_hash="", instruments={},
        reduced_at=datetime(2026, 3, 1, tzinfo=UTC), result=result,
    )  # fmt: skip


def test_the_weightiest_source_is_told_with_what_is_left_and_what_to_do() -> None:
    found = improve_document([record(("directivity", 3.0), ("noise", 1.0), assumed=True)])
    assert found["text"] == (
        "Directivity: 90 % of the variance on average, the largest part in 1 of 1 results; without "
        "it the uncertainty would be 32 % of what it is. Its size is assumed, so measure it first. "
        "Queue the recipe coupler, which measures it, or use a better coupler."
    )
    assert [one["name"] for one in found["terms"]] == ["directivity", "noise"]
    assert "Measure with more level" in found["terms"][1]["text"]


def test_advice_fits_the_term_and_not_a_word_in_its_name() -> None:
    names = {
        "frequency reference": "one frequency reference",
        "cable and switch, reference": "recipe repeatability",
        "mismatch at reference": "match of both antennas",
        "noise, reference": "more level",
        "reference gain": "reference antenna measured better",
    }
    for name, words in names.items():
        assert words in improve_document([record((name, 1.0))])["text"], name


def test_without_any_budget_it_says_that_there_is_nothing_to_rank() -> None:
    assert improve_document([]) == {
        "text": "No stored result of a registered antenna has a budget yet.",
        "results": 0,
        "terms": [],
    }


@pytest.mark.parametrize(
    ("low", "high", "sure"),
    [(0.5, 2.5, True), (-2.5, -0.5, True), (-0.5, 2.5, False), (0.5, None, True),
     (None, -0.5, True), (None, 0.5, False), (None, None, False)],
)  # fmt: skip
def test_a_difference_is_sure_only_where_its_interval_leaves_zero_out(
    low: float | None, high: float | None, sure: bool
) -> None:
    result = Result("return_loss_difference", 1.5, "dB", None, None, low, high, 1.7e9)
    found = difference_document(result)
    assert (found["sure"], found["where"]) == (sure, "1.7 GHz")
    assert found["words"] == "Return loss difference"
