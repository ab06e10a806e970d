"""Moments in words: as the clocks of a zone show them, wherever the program runs.

Changes of the clocks: Directive 2000/84/EC, articles 2 and 3 (01:00 UTC on the last Sundays of
March and October).
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest

from benchd.moments import time_words

VIENNA = ZoneInfo("Europe/Vienna")


@pytest.fixture(autouse=True, params=["UTC", "Asia/Tokyo"])
def computer(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", request.param)
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize(
    ("moment", "zone", "words"),
    [
        ("2026-03-01T21:04:05Z", VIENNA, "2026-03-01 22:04:05 Europe/Vienna"),
        ("2026-07-01T21:04:05Z", VIENNA, "2026-07-01 23:04:05 Europe/Vienna"),
        ("2026-03-29T00:59:59Z", VIENNA, "2026-03-29 01:59:59 Europe/Vienna"),
        ("2026-03-29T01:00:00Z", VIENNA, "2026-03-29 03:00:00 Europe/Vienna"),
        # This hour comes twice; the offset says which of them it is.
        ("2026-10-25T00:30:00Z", VIENNA, "2026-10-25 02:30:00+02:00 Europe/Vienna"),
        ("2026-10-25T01:30:00Z", VIENNA, "2026-10-25 02:30:00+01:00 Europe/Vienna"),
        ("2026-10-25T02:00:00Z", VIENNA, "2026-10-25 03:00:00 Europe/Vienna"),
        ("2026-03-01T21:04:05Z", UTC, "2026-03-01 21:04:05 UTC"),
        ("2026-03-01T21:04:05Z", ZoneInfo("UTC"), "2026-03-01 21:04:05 UTC"),
    ],
)
def test_a_moment_is_told_as_the_clocks_of_the_zone_show_it(
    moment: str, zone: ZoneInfo, words: str
) -> None:
    assert time_words(datetime.fromisoformat(moment), zone) == words


def test_without_a_zone_it_is_utc() -> None:
    local = datetime(2026, 3, 1, 22, 4, 5, tzinfo=timezone(timedelta(hours=1)))
    assert time_words(local) == "2026-03-01 21:04:05 UTC"
    assert time_words(datetime(2026, 3, 1)) == "2026-03-01 00:00:00 UTC"
