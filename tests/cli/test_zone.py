"""The zone of the bench, not of the computer: what is typed is meant in it, what is shown is in it.

Each command runs with another zone of the computer than that of the bench.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

JOB = "job-0000000000000001"
VIENNA = ZoneInfo("Europe/Vienna")


@pytest.fixture(autouse=True, params=["UTC", "Asia/Tokyo", "America/New_York"])
def computer(
    request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch, api: Any
) -> Iterator[None]:
    monkeypatch.setenv("TZ", request.param)
    time.tzset()
    api.desk.timezone = "Europe/Vienna"
    yield
    monkeypatch.undo()
    time.tzset()


def window(api: Any) -> tuple[datetime | None, datetime | None]:
    request = api.desk.orders[-1][3]
    return request.not_before, request.finish_by


def test_a_date_is_meant_in_the_zone_of_the_bench(api: Any, benchd: Any) -> None:
    benchd(
        "queue", "return-loss", "--not-before", "2026-03-28 22:00",
        "--finish-by", "2026-03-29 06:00", api=api,
    )  # fmt: skip
    # The clocks go forward in between: seven hours.
    assert window(api) == (
        datetime(2026, 3, 28, 21, tzinfo=UTC),
        datetime(2026, 3, 29, 4, tzinfo=UTC),
    )


def test_a_time_of_day_is_the_next_one_on_the_clocks_of_the_bench(api: Any, benchd: Any) -> None:
    benchd("queue", "return-loss", "--not-before", "22:00", "--finish-by", "06:00", api=api)
    start, end = (moment.astimezone(VIENNA) for moment in window(api))
    assert (start.hour, start.minute, end.hour, end.minute) == (22, 0, 6, 0)
    assert timedelta(0) < start - datetime.now(UTC) <= timedelta(hours=25)
    assert timedelta(hours=7) <= end - start <= timedelta(hours=9)


def test_a_time_that_the_clocks_of_the_bench_skip_is_refused(api: Any, benchd: Any) -> None:
    outcome = benchd("queue", "return-loss", "--not-before", "2026-03-29 02:30", api=api)
    assert outcome.code == 1
    assert "02:30 does not exist on 2026-03-29" in outcome.err
    assert api.desk.orders == []


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("jobs",), "2026-03-01 22:04:05 Europe/Vienna"),
        (("captures",), "2026-03-01 22:04:05 Europe/Vienna"),
        (("results",), "2026-03-01 22:04:14 Europe/Vienna"),
        (("reduce", JOB), "2026-03-01 22:04:14 Europe/Vienna"),
        (("budget", "return_loss"), "2026-03-01 22:04:14 Europe/Vienna"),
    ],
)
def test_times_are_shown_in_the_zone_of_the_bench(
    arguments: tuple[str, ...], words: str, api: Any, benchd: Any
) -> None:
    api.desk.add(JOB, "done")
    outcome = benchd(*arguments, api=api)
    assert outcome.code == 0, outcome.err
    assert words in outcome.out
    assert " UTC" not in outcome.out


def test_until_when_hands_are_waited_for_is_told_in_it(api: Any, benchd: Any) -> None:
    hands = {
        "step": 0, "ask": "Fit it.", "caution": "", "until": "2026-03-01T21:34:05Z",
        "then": "skip",
    }  # fmt: skip
    api.desk.add(JOB, "needs-hands", hands=hands)
    assert "until 2026-03-01 22:34:05 Europe/Vienna" in benchd("jobs", api=api).out


def test_when_a_job_may_begin_is_told_in_it(api: Any, benchd: Any) -> None:
    api.desk.add(JOB, "waiting", not_before=datetime(2026, 7, 1, 20, tzinfo=UTC))
    assert "not before 2026-07-01 22:00:00 Europe/Vienna" in benchd("jobs", api=api).out


def test_when_an_instrument_last_answered_is_told_in_it(api: Any, benchd: Any) -> None:
    api.desk.vitals = {
        "timezone": "Europe/Vienna",
        "instruments": [
            {"name": "generator", "state": "ready", "message": "",
             "answered_at": "2026-03-01T21:00:00Z"}
        ],
    }  # fmt: skip
    assert "answered 2026-03-01 22:00:00 Europe/Vienna" in benchd("health", api=api).out
