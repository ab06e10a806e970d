"""Replies that are worded otherwise than SCPI words them, read by the forms of a bench file.

The wordings are invented for these tests; nothing of the drivers was looked at for them.
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from drivers.analyzer import ScpiAnalyzer
from drivers.errors import BadReply, BadTemplate, Refused
from drivers.exchange import Exchange
from drivers.player import CannedPlayer
from drivers.source import ScpiSource
from drivers.switch import ScpiSwitch
from drivers.thermometer import ScpiThermometer


def source(**replies: Any) -> ScpiSource:
    return ScpiSource("generator", {}, {"replies": replies})


def analyzer(points: int = 1, **replies: Any) -> ScpiAnalyzer:
    return ScpiAnalyzer("analyzer", {}, {"trace_format": "ascii", "replies": replies})


@pytest.mark.parametrize(
    ("form", "reply", "value"),
    [
        ({"on": "RF IS ON", "off": "RF IS OFF"}, "RF is ON", True),
        ({"on": "RF IS ON", "off": "RF IS OFF"}, "rf  is off", False),
        ({"on": ["LIVE", "2"], "off": ["MUTED", "STBY"]}, "2", True),
        ({"on": ["LIVE", "2"], "off": ["MUTED", "STBY"]}, " stby ", False),
        (
            {"form": "OUTPUT={value};", "on": "ENABLED", "off": "DISABLED"},
            "OUTPUT=DISABLED;",
            False,
        ),
        ({"form": "OUTPUT={value}"}, "output=1", True),
        ("{any}:{value}", "OUTPUT STATE: 0", False),
    ],
)
def test_a_state_may_be_told_in_any_words(form: Any, reply: str, value: bool) -> None:
    assert source(rf_query=form).rf_query().value(reply) is value


@pytest.mark.parametrize(
    ("form", "reply", "value"),
    [
        ("{value} DBM", "-12.50 dBm", -12.5),
        ("{value} DBM", "-12.50DBM", -12.5),
        ("LEVEL = {value}{any}", "level=+3.1E+00 dBm (cal)", 3.1),
        ("{any},{value}", "POW,-7", -7.0),
    ],
)
def test_a_number_may_stand_in_other_text(form: str, reply: str, value: float) -> None:
    assert source(level_query=form).level_query().value(reply) == value


@pytest.mark.parametrize(
    ("form", "reply", "value"),
    [
        ("{value_mhz} MHZ", "1700.000001 MHZ", 1.700000001e9),
        ("F={value_ghz}", "F=1.7", 1.7e9),
        ("{value_khz}", "50", 5e4),
    ],
)
def test_a_frequency_may_be_told_in_another_unit(form: str, reply: str, value: float) -> None:
    found = source(frequency_query=form).frequency_query().value(reply)
    assert found == pytest.approx(value, rel=1e-12)


def test_a_source_that_is_muted_says_on_when_rf_is_off() -> None:
    words = {"rf_on": "MUTE OFF", "rf_off": "MUTE ON", "rf_query": "MUTE?"}
    told = {"replies": {"rf_query": {"on": [0, "OFF"], "off": [1, "ON"]}}}
    driver = ScpiSource("generator", words, told)
    assert [driver.rf_query().value(reply) for reply in ("1", "on", "0")] == [False, False, True]


@pytest.mark.parametrize(
    ("form", "reply", "expected"),
    [
        ({"on": "YES", "off": "NO"}, "MAYBE", "found 'MAYBE'"),
        ({"on": "YES", "off": "NO"}, "1", "found '1'"),
        ({"form": "RF={value}", "on": "YES", "off": "NO"}, "RF=PERHAPS", "found 'PERHAPS'"),
    ],
)
def test_a_word_that_nobody_stated_is_no_state(form: Any, reply: str, expected: str) -> None:
    with pytest.raises(BadReply, match=expected):
        source(rf_query=form).rf_query().value(reply)


def test_a_number_keeps_all_its_checks() -> None:
    asked = source(level_query="{value} DBM").level_query()
    for reply in ("9.91E37 DBM", "-999 DBM", "warm DBM", "1_0 DBM", "\u0661 DBM", "DBM"):
        with pytest.raises(BadReply):
            asked.value(reply)


@pytest.mark.parametrize(
    ("form", "reply", "values"),
    [
        ({"separator": "blank"}, "-10.1 -10.2  -10.3", [-10.1, -10.2, -10.3]),
        ({"separator": "semicolon"}, "-10.1;-10.2; -10.3;", [-10.1, -10.2, -10.3]),
        ({"form": "{value}dBm"}, "-10.1dBm,-10.2DBM, -10.3 dbm", [-10.1, -10.2, -10.3]),
        ({"form": "{value} DBM", "separator": "blank"}, "-1 DBM -2 DBM -3 DBM", [-1, -2, -3]),
        ({"separator": "|"}, "1e1|-2.5E-1|+3", [10.0, -0.25, 3.0]),
    ],
)
def test_a_trace_may_be_separated_and_may_carry_units(
    form: Any, reply: str, values: list[float]
) -> None:
    found = analyzer(fetch_trace=form).fetch_trace(3).value(reply)
    assert_allclose(found, values)


@pytest.mark.parametrize("reply", ["-1;-2", "-1;-2;-3;-4", "-1;;-3", "-1;x;-3", "", "-1,-2,-3"])
def test_a_trace_with_points_missing_or_spoiled_is_refused(reply: str) -> None:
    with pytest.raises(BadReply):
        analyzer(fetch_trace={"separator": "semicolon"}).fetch_trace(3).value(reply)


@given(st.lists(st.floats(-150.0, 20.0), min_size=1, max_size=50), st.sampled_from(["blank", "|"]))
def test_every_trace_comes_back_as_it_was_sent(levels: list[float], separator: str) -> None:
    sent = [f"{level:.3f}" for level in levels]
    text = (" " if separator == "blank" else "|").join(f"{level} dBm" for level in sent)
    form = {"form": "{value} DBM", "separator": separator}
    found = analyzer(fetch_trace=form).fetch_trace(len(levels)).value(text)
    assert list(found) == [float(level) for level in sent]


def test_a_point_reading_and_the_end_of_a_sweep_have_forms_too() -> None:
    driver = analyzer(
        trigger_point="{value} dBm",
        single_sweep={"done": "SWEPT"},
        set_centre_settled={"done": "OK"},
    )
    assert driver.trigger_point().value("-41.25 dBm") == -41.25
    assert driver.point(1e9).value("-41.25DBM") == -41.25
    assert driver.single_sweep(1.0).value("swept") is True
    assert driver.set_centre_settled(1e9).value("OK") is True
    with pytest.raises(BadReply, match="found '1'"):
        driver.single_sweep(1.0).value("1")


def test_a_switch_may_answer_in_words_of_its_own() -> None:
    form = {"on": "CLOSED", "off": "OPEN", "separator": "semicolon"}
    driver = ScpiSwitch(
        "switch",
        {"close": "CLOSE {channels}", "closed_query": "WHERE {channels}?"},
        {"replies": {"closed_query": form}, "channel_separator": "!"},
    )
    question = driver.closed_query([101, 202])
    assert question.message == "WHERE 101!202?"
    assert question.value("CLOSED;OPEN") == (True, False)
    with pytest.raises(BadReply):
        question.value("CLOSED")


def test_a_switch_that_takes_one_channel_a_message_gets_one() -> None:
    driver = ScpiSwitch("switch", {"close": "K{channels}", "finished": None}, {"one_by_one": True})
    assert [exchange.message for exchange in driver.close([1, 12])] == ["K1", "K12"]
    assert all(exchange.radiates for exchange in driver.close([1, 12]))


def test_an_error_without_a_number_is_told_in_its_words() -> None:
    driver = source(next_error={"form": "{text}", "none": ["NO FAULT", "-"]})
    queue = ["LEVEL TOO HIGH", "no fault"]
    player = CannedPlayer(lambda exchange: queue.pop(0))
    with pytest.raises(Refused, match="reports error: LEVEL TOO HIGH"):
        player.run(driver.expect_no_errors())
    CannedPlayer(lambda exchange: "-").run(driver.expect_no_errors())


def test_an_error_with_number_and_text_in_another_order() -> None:
    driver = source(next_error={"form": "{text} [{code}]", "none": "CLEAR"})

    def answer(exchange: Exchange) -> str | None:
        return answers.pop(0)

    answers = ["Bad word [-113]", "CLEAR"]
    with pytest.raises(Refused, match="reports error -113: Bad word"):
        CannedPlayer(answer).run(driver.expect_no_errors())


def test_a_thermometer_with_its_unit() -> None:
    driver = ScpiThermometer("room", {}, {"replies": {"temperature_query": "T={value}C"}})
    assert driver.temperature_query().value("T=+21.4 C") == 21.4


@pytest.mark.parametrize(
    ("replies", "said", "key"),
    [
        ({"rf_querry": "{value}"}, "no command `rf_querry` has a reply", ("rf_querry",)),
        ({"rf_query": {"on": "YES"}}, "words for `on` and for `off`", ("rf_query",)),
        ({"rf_query": {"on": "A", "off": "a"}}, "stands for on and for off", ("rf_query", "off")),
        ({"rf_query": {"on": [], "off": []}}, "", ()),
        ({"level_query": "dBm"}, "has no {value}", ("level_query",)),
        ({"level_query": "{level}"}, "may hold {value} and {any}", ("level_query",)),
        ({"level_query": "{value:.3f}"}, "each once and plain", ("level_query",)),
        ({"level_query": "{value"}, "cannot be read", ("level_query",)),
        ({"level_query": 7}, "expected a text or a table", ("level_query",)),
        (
            {"level_query": {"separator": "blank"}},
            "has no key `separator`", ("level_query", "separator"),
        ),
        ({"level_query": "x" * 201 + "{value}"}, "must be a text", ("level_query",)),
        ({"next_error": {"none": {}}}, "a word or a list of words", ("next_error", "none")),
    ],
)  # fmt: skip
def test_a_form_that_cannot_be_used_is_refused_by_its_key(
    replies: dict[str, Any], said: str, key: tuple[str, ...]
) -> None:
    if not said:
        source(**replies)  # words that never match: every reply is then refused
        with pytest.raises(BadReply):
            source(**replies).rf_query().value("1")
        return
    with pytest.raises(BadTemplate) as refusal:
        source(**replies)
    assert said in str(refusal.value)
    assert refusal.value.key == ("replies", *key)


def test_a_separator_that_no_list_has_is_refused() -> None:
    with pytest.raises(
        BadTemplate, match="`separator` must be comma, semicolon, blank or one sign"
    ):
        analyzer(fetch_trace={"separator": "abc"})


def test_a_hostile_form_does_not_take_for_ever() -> None:
    """Wildcards are bounded: one of each kind, and a reply of bounded length."""
    driver = source(level_query="{any}a{value}b")
    with pytest.raises(BadReply):
        driver.level_query().value("a" * 4000)
    with pytest.raises(BadReply):
        driver.level_query().value("a" * 1_000_000)
