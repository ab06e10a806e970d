"""A batch as a table: values, verdicts, and the spread over all serial numbers."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from benchd.report.batch_table import BatchJob, batch_table
from benchd.results import Result, ResultRecord, Verdict

NOW = datetime(2026, 3, 1, 21, 4, 5, tzinfo=UTC)


def _job(
    serial: str, loss_db: float, outcome: Any = "pass", *flags: str, number: int = 1,
    resonance_hz: float = 1.7e9,
) -> BatchJob:  # fmt: skip
    loss = Result("return_loss", loss_db, "dB", 1.0, 2.0, loss_db - 1, loss_db + 1, 1.7e9,
                  antenna="patch r5", flags=flags)  # fmt: skip
    dip = Result("resonance_frequency", resonance_hz, "Hz", 2e6, 2.0, resonance_hz - 2e6,
                 resonance_hz + 2e6, antenna="patch r5")  # fmt: skip
    records = [
        ResultRecord(f"res-{serial}-{at}", "workshop", f"job-{serial}-{number}", "reflection",
                     "return-loss", "", "", {}, NOW, result, {"serial": serial})
        for at, result in enumerate((dip, loss))
    ]  # fmt: skip
    job = {"id": f"job-{serial}-{number}", "serial": serial, "recipe": "return-loss",
           "state": "done", "message": "done"}  # fmt: skip
    return BatchJob(job, records, [Verdict("return_loss", outcome, 1.0, "at least 10 dB", loss)])


def test_the_spread_is_that_of_the_sample() -> None:
    losses_db = [12.25, 14.5, 9.0, 13.75]
    made = batch_table("batch-1", [
        _job(f"{at}", loss, "pass" if loss > 10 else "fail") for at, loss in enumerate(losses_db)
    ])  # fmt: skip
    (column,) = made.spread
    # numpy's standard deviation with n - 1, apart from this project's.
    assert column.mean == pytest.approx(np.mean(losses_db), rel=1e-12)
    assert column.deviation == pytest.approx(np.std(losses_db, ddof=1), rel=1e-12)
    assert (column.least, column.greatest, column.failed) == (9.0, 14.5, 1)
    assert column.text == {
        "mean": "12.4 dB", "least": "9.0 dB", "greatest": "14.5 dB", "deviation": "2.4 dB",
    }  # fmt: skip
    assert (made.passed, made.failed, made.cannot_tell) == (3, 1, 0)
    assert (made.antenna, made.recipe) == ("patch r5", "return-loss")


def test_what_was_not_measured_is_left_out_of_the_spread_and_counted() -> None:
    made = batch_table("batch-1", [
        _job("1", 12.0), _job("2", 14.0), _job("3", math.nan, "cannot-tell"),
        _job("4", 40.0, "cannot-tell", "path-broken"),
        BatchJob({"id": "job-5", "serial": "5", "recipe": "return-loss", "state": "failed",
                  "message": "the analyzer is lost"}),
    ])  # fmt: skip
    (column,) = made.spread
    assert (column.measured, column.not_told, column.cannot_tell) == (2, 3, 2)
    assert (column.mean, column.greatest) == (13.0, 14.0)
    assert made.rows[3].values[0].flags == "the path was broken"
    assert (made.rows[4].state, made.rows[4].values) == ("failed", (None,))


def test_one_alone_has_no_spread() -> None:
    (column,) = batch_table("batch-1", [_job("1", 12.0)]).spread
    assert (column.mean, column.deviation) == (12.0, None)
    assert "deviation" not in column.text


def test_the_newest_of_a_number_counts_and_numbers_stand_as_people_count() -> None:
    made = batch_table("batch-1", [
        _job("A10", 12.0), _job("A9", 8.0, "fail"), _job("A9", 11.0, number=2), _job("002", 9.0),
    ])  # fmt: skip
    assert [(row.serial, row.job, row.again) for row in made.rows] == [
        ("002", "job-002-1", 0), ("A9", "job-A9-2", 1), ("A10", "job-A10-1", 0),
    ]  # fmt: skip
    assert made.failed == 0


def test_a_dip_is_one_column_wherever_it_lies() -> None:
    jobs = [_job("1", 12.0, resonance_hz=1.69e9), _job("2", 12.0, resonance_hz=1.71e9)]
    made = batch_table("batch-1", jobs, ["resonance_frequency", "return_loss", "vswr"])
    assert [(one.quantity, one.where, one.measured) for one in made.spread] == [
        ("resonance_frequency", "", 2), ("return_loss", "1.7 GHz", 2), ("vswr", "", 0),
    ]  # fmt: skip
    assert made.spread[0].text["mean"] == "1.700 GHz"
    assert made.spread[0].text["deviation"] == "14 MHz"
