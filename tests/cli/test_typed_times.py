"""Times on the nights when the clocks change, and at the ends of the calendar."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from benchd.cli.typed_times import read_when
from benchd.errors import UserError

VIENNA = ZoneInfo("Europe/Vienna")
"""In 2026 clocks there go forward on 29 March at 02:00 and back on 25 October at 03:00."""


@pytest.fixture(autouse=True, params=["Europe/Vienna", "Asia/Tokyo", "America/New_York"])
def computer(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The zone of the computer, which must play no part."""
    monkeypatch.setenv("TZ", request.param)
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def read(text: str, after: str) -> str:
    return read_when(
        text, "--not-before", after=datetime.fromisoformat(after), zone=VIENNA
    ).isoformat()


@pytest.mark.parametrize(
    ("text", "after"),
    [
        ("02:30", "2026-03-28T22:00+01:00"),
        ("2:30", "2026-03-29T01:59+01:00"),
        ("02:00:00", "2026-03-28T22:00+01:00"),
        ("2026-03-29 02:30", "2026-03-01T00:00+01:00"),
    ],
)
def test_a_time_that_the_clocks_skip_is_refused_and_the_right_one_named(
    text: str, after: str
) -> None:
    with pytest.raises(UserError) as refusal:
        read(text, after)
    message = str(refusal.value)
    assert message.startswith("--not-before: 02:")
    assert "does not exist on 2026-03-29: the clocks go forward then." in message
    assert 'The same moment is "2026-03-29 03:' in message


@pytest.mark.parametrize(
    ("text", "after", "expected"),
    [
        ("01:59", "2026-03-28T22:00+01:00", "2026-03-29T01:59:00+01:00"),
        ("03:00", "2026-03-28T22:00+01:00", "2026-03-29T03:00:00+02:00"),
        # The hour from 2 to 3 comes twice: the next one is meant.
        ("02:30", "2026-10-24T22:00+02:00", "2026-10-25T02:30:00+02:00"),
        ("02:30", "2026-10-25T02:31+02:00", "2026-10-25T02:30:00+01:00"),
        ("02:30", "2026-10-25T02:31+01:00", "2026-10-26T02:30:00+01:00"),
        ("02:30", "2026-03-29T03:00+02:00", "2026-03-30T02:30:00+02:00"),
        ("2026-10-25 02:30+01:00", "2026-10-01T00:00+02:00", "2026-10-25T02:30:00+01:00"),
        ("2026-10-25T00:30Z", "2026-10-01T00:00+02:00", "2026-10-25T02:30:00+02:00"),
    ],
)
def test_a_time_of_day_is_the_next_one_that_the_clocks_show(
    text: str, after: str, expected: str
) -> None:
    assert read(text, after) == expected


def test_a_date_with_a_time_that_comes_twice_must_say_which() -> None:
    with pytest.raises(UserError) as refusal:
        read("2026-10-25 02:30", "2026-10-01T00:00+02:00")
    assert str(refusal.value) == (
        "--not-before: 02:30 comes twice on 2026-10-25, when the clocks go back. Say which: "
        '"2026-10-25 02:30+02:00" or "2026-10-25 02:30+01:00".'
    )


@pytest.mark.parametrize(
    "text",
    ["0001-01-01", "0001-01-01T00:00+14:00", "9999-12-31 23:59", "9999-12-31T23:59-12:00",
     "1969-12-31", "٢٢:٣٠", "２２:30", "2026-٠3-01 22:30", "1_0:30", "24:00", "12:60",
     "nan", "1e9", "2026-02-30", "\ud800", "9" * 5000],
)  # fmt: skip
def test_what_is_no_time_that_can_come_is_refused_in_words(text: str) -> None:
    with pytest.raises(UserError) as refusal:
        read(text, "2026-03-01T00:00+01:00")
    assert "such as" in str(refusal.value) or "outside the years 1970 to 9998" in str(refusal.value)
    assert len(str(refusal.value)) < 250
