"""Results in words: rounding, units, intervals, flags."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.report.wording import (
    band_words,
    duration_words,
    fixed,
    flag_words,
    number_words,
    place_of,
    quantity_words,
    result_text,
    value_words,
    verdict_words,
    where_words,
)
from benchd.results import Result, Verdict
from benchd.wording import reading_number, reading_unit


def _result(value: float, unit: str, expanded: float | None, **more: object) -> Result:
    return Result("x", value, unit, expanded, 2.0, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("value", "unit", "expanded", "text"),
    [
        # JCGM 100:2008, 7.2.4: a weight of nominal 100 g, U = 0.79 mg at k = 2.26.
        (100.02147, "g", 0.00079, "100.02147 g ± 0.00079 g"),
        # EA-4/02 M:2022, example S7: step attenuator, u = 0.0224185 dB, k = 2 (from memory:
        # that the document prints 30.043 and 0.045).
        (30.04325, "dB", 2 * 0.0224185, "30.043 dB ± 0.045 dB"),
        # JCGM 100:2008, H.2, table H.4: R = 127.732 ohm, u = 0.071 ohm.
        (127.7318, "ohm", 0.0711, "127.732 ohm ± 0.071 ohm"),
        (1.68372e9, "Hz", 2.13e6, "1.6837 GHz ± 0.0021 GHz"),
        (130.12e6, "Hz", 4.96e6, "130.1 MHz ± 5.0 MHz"),
        (0.00041, "m", 5.1e-5, "0.410 mm ± 0.051 mm"),
        (-0.00041, "m", 5.1e-5, "-0.410 mm ± 0.051 mm"),
        (1.2914, "1", 0.0402, "1.291 ± 0.040"),
        (9.178, "dBi", 1.25, "9.2 dBi ± 1.3 dB"),
        (250.0, "dB", 130.0, "250 dB ± 130 dB"),
        (0.001, "dB", 0.0996, "0.00 dB ± 0.10 dB"),
        (-0.001, "dB", 0.0996, "0.00 dB ± 0.10 dB"),
        (0.0, "Hz", 1500.0, "0.0 kHz ± 1.5 kHz"),
        (5.0, "dB", 0.0, "5 dB"),
        (5.04321, "dB", None, "5.043 dB (no uncertainty stated)"),
        (math.nan, "dB", 0.1, "no value"),
        (math.inf, "dB", 0.1, "no value"),
    ],
)
def test_uncertainty_has_two_digits_and_the_value_the_same_place(
    value: float, unit: str, expanded: float | None, text: str
) -> None:
    assert value_words(_result(value, unit, expanded)) == text


@pytest.mark.parametrize(
    ("value", "low", "high", "text"),
    [
        (19.96, 18.39, 21.85, "20.0 dB, 18.4 to 21.9 dB"),
        (20.0, 18.0, 22.0, "20.0 dB ± 2.0 dB"),
        (20.0, 18.0, 22.1, "20.0 dB ± 2.1 dB"),  # sides within a tenth: one ± says it
        (32.7, 26.4, None, "32.7 dB, at least 26.4 dB"),
        (32.7, 26.4, math.inf, "32.7 dB, at least 26.4 dB"),
        (0.3, None, 0.9, "0.30 dB, at most 0.90 dB"),
        (152.0, 152.0, None, "at least 152 dB"),
        (7.5, None, None, "7.5 dB (no uncertainty stated)"),
        (7.5, math.nan, math.nan, "7.5 dB (no uncertainty stated)"),
    ],
)
def test_an_asymmetric_interval_shows_its_ends(
    value: float, low: float | None, high: float | None, text: str
) -> None:
    assert value_words(_result(value, "dB", None, low=low, high=high)) == text


@given(
    value=st.floats(-1e10, 1e10),
    expanded=st.floats(1e-9, 1e9),
    unit=st.sampled_from(["Hz", "m", "s", "dB", "1"]),
)
def test_rounding_moves_nothing_by_more_than_a_tenth_of_the_uncertainty(
    value: float, expanded: float, unit: str
) -> None:
    """Two digits are kept, so the value moves by half of the second digit: 1/20 of 10 to 99."""
    text = value_words(_result(value, unit, expanded))
    factors = {
        "GHz": 1e9,
        "MHz": 1e6,
        "kHz": 1e3,
        "mm": 1e-3,
        "ms": 1e-3,
        "µs": 1e-6,
        "min": 60.0,
        "h": 3600.0,
    }
    numbers = []
    for part in text.split(" ± "):
        number, _, shown = part.partition(" ")
        numbers.append(float(number) * factors.get(shown, 1.0))
    assert abs(numbers[0] - value) <= 0.0501 * expanded + 1e-12 * abs(value)
    assert abs(numbers[1] - expanded) <= 0.0501 * expanded


@given(st.floats(1e-12, 1e12))
def test_an_uncertainty_always_keeps_two_digits(size: float) -> None:
    digits = fixed(size, place_of(size)).replace(".", "").strip("0-")
    rounded = float(fixed(size, place_of(size)))
    assert len(digits) <= 2
    assert rounded == pytest.approx(size, rel=0.0501)


def test_numbers_bands_and_places() -> None:
    assert number_words(1.7e9, "Hz") == "1.7 GHz"
    assert number_words(10e3, "Hz") == "10 kHz"
    assert number_words(0.002, "s") == "2 ms"
    assert number_words(-10, "dBm") == "-10 dBm"
    assert band_words(1.45e9, 1.95e9, "Hz") == "1.45 to 1.95 GHz"
    assert where_words(_result(1.0, "dB", None, frequency_hz=1.7e9)) == "1.7 GHz"
    assert where_words(_result(1.0, "dB", None, band_hz=(9e8, 1.1e9))) == "0.9 to 1.1 GHz"
    assert where_words(_result(1.0, "dB", None)) == ""


def test_quantities_flags_and_verdicts_in_words() -> None:
    assert [quantity_words(q) for q in ("vswr", "loaded_q", "realised_gain", "resonance_frequency",
                                        "vswr_bandwidth")] == [
        "VSWR", "Loaded Q", "Realised gain", "Resonance", "VSWR bandwidth",
    ]  # fmt: skip
    assert flag_words(("near-noise", "never-heard-of")) == (
        "close to the noise floor; never heard of"
    )
    marginal = Verdict("x", "fail-marginal", -0.1, "at least 1")
    assert verdict_words(marginal) == "fail, but the limit lies within the uncertainty"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.0, "0.0 s"), (0.42, "0.4 s"), (38.2, "38 s"), (59.6, "1 min 00 s"),
     (125, "2 min 05 s"), (25920, "7 h 12 min")],
)  # fmt: skip
def test_lengths_of_time(seconds: float, text: str) -> None:
    assert duration_words(seconds) == text


@pytest.mark.parametrize(
    ("result", "text", "number"),
    [
        # The example of JCGM 100:2008, 7.2.4, with both ends instead of one ±.
        (_result(100.02147, "g", 0.00079), "100.02147 g, 100.02068 to 100.02226 g", "100.02147"),
        (_result(12.1825, "dB", 1.0164, low=11.2006, high=13.2334),
         "12.2 dB, 11.2 to 13.2 dB", "12.2"),
        (_result(1.6842312e9, "Hz", 2.1e6), "1.6842 GHz, 1.6821 to 1.6863 GHz", "1684.2"),
        (_result(1.6842312e9, "Hz", 13e7), "1.68 GHz, 1.55 to 1.81 GHz", "1680"),
        (_result(4.1e-4, "m", 5.1e-5), "0.410 mm, 0.359 to 0.461 mm", "0.410"),
        (_result(32.7, "dB", None, low=26.4), "32.7 dB, at least 26.4 dB", "32.7"),
        (_result(5.04321, "dB", None), "5.043 dB (no uncertainty stated)", "5.04321"),
        (_result(3.0, "1", 0.0), "3", "3"),
        (_result(math.nan, "dB", 0.1), "no value", None),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)  # fmt: skip
def test_the_text_of_a_result_has_both_ends_and_its_reading_is_one_number(
    result: Result, text: str, number: str | None
) -> None:
    assert result_text(result) == text
    assert reading_number(result) == number


def test_a_reading_keeps_one_unit_whatever_its_size() -> None:
    assert [reading_unit(unit) for unit in ("Hz", "m", "dBi", "1")] == ["MHz", "mm", "dBi", "1"]
    assert [reading_number(_result(value, "Hz", 1e3)) for value in (2e10, 1e3)] == [
        "20000.0000",
        "0.0010",
    ]


@given(
    st.floats(-1e300, 1e300),
    st.floats(-1e300, 1e300),
    st.none() | st.floats(-1e300, 1e300),
    st.sampled_from(["Hz", "m", "dB", "1", "s"]),
)
def test_whatever_a_result_is_it_has_words_and_a_plain_number(
    value: float, expanded: float, low: float | None, unit: str
) -> None:
    """The words are made where results are stored: a fault here would lose the result."""
    result = _result(value, unit, expanded, low=low)
    assert result_text(result)
    assert value_words(result)
    number = reading_number(result)
    assert number is not None
    assert "e" not in number.lower()
    scale = {"Hz": 1e6, "m": 1e-3}.get(unit, 1.0)
    slack = max(0.06 * max(expanded, 0.0), 1e-5 * abs(value))
    assert abs(float(number) * scale - value) <= slack
