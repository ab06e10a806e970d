"""What was sent against what is answered: roundings agree, other values do not."""

from __future__ import annotations

import pytest

from drivers.source import ScpiSource


def agrees(source: ScpiSource, quantity: str, value: float, reply: str) -> bool:
    found = source.level_setting(value) if quantity == "level" else source.frequency_setting(value)
    assert found is not None
    return found.agrees(found.question.value(reply))


@pytest.mark.parametrize(
    ("value", "reply", "expected"),
    [
        (-10.0, "-1.000000E+01", True),
        (-10.3, "-10.3", True),
        (-10.3, "-10.5", True),  # steps of half a decibel
        (-10.3, "-10", True),  # shown in whole decibels
        (-10.0, "-30", False),
        (-10.0, "-10.40", False),
        (-10.0, "15.00", False),
    ],
)
def test_a_level_is_compared_within_its_display(value: float, reply: str, expected: bool) -> None:
    assert agrees(ScpiSource("g"), "level", value, reply) is expected


@pytest.mark.parametrize(
    ("reply", "expected"),
    [
        ("1.7025E9", True),
        ("1702500000", True),
        ("1.702500000000E+09", True),
        ("1.70250E+09", True),
        ("1702500130.5", True),  # a synthesizer's own grid
        ("1.7E9", False),
        ("1.0E+09", False),
        ("1702510000", False),
        ("0", False),
    ],
)
def test_a_frequency_is_compared_within_a_millionth(reply: str, expected: bool) -> None:
    assert agrees(ScpiSource("g"), "frequency", 1.7025e9, reply) is expected


@pytest.mark.parametrize(
    ("reply", "expected"), [("1702.500", True), ("1702500000", True), ("1702.600", False)]
)
def test_an_instrument_that_is_told_megahertz_may_answer_so(reply: str, expected: bool) -> None:
    words = {
        "set_frequency_settled": "CW {frequency_mhz:.3f} MHZ;*OPC?",
        "frequency_query": "CW?",
    }
    assert agrees(ScpiSource("g", words), "frequency", 1.7025001e9, reply) is expected


def test_a_reworded_setting_without_its_question_is_not_asked_for() -> None:
    source = ScpiSource("g", {"set_level": "LVL {level_dbm:.1f}"})
    assert source.level_setting(-10.0) is None
    assert source.frequency_setting(1e9) is not None
    both = ScpiSource("g", {"set_level": "LVL {level_dbm:.1f}", "level_query": "LVL?"})
    asked = both.level_setting(-10.26)
    assert asked is not None
    assert (asked.sent, asked.command, asked.question.message) == (-10.3, "LVL -10.3", "LVL?")
