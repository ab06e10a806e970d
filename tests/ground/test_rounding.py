"""Numbers for people: fitting units, no exponents, digits by the uncertainty (JCGM 100, 7.2.6)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.reduce.uncertainty import combine, improve_first, term
from benchd.report.wording import value_words, where_words
from benchd.results import Result
from benchd.rounding import (
    about_words,
    band_words,
    general,
    number_words,
    rounded_words,
    size_words,
)
from benchd.units import Kind, parse, show


@pytest.mark.parametrize(
    ("size", "unit", "words"),
    [
        (2.9e7, "Hz", "29 MHz"),
        (0.000263, "m", "0.26 mm"),
        (0.3, "dBi", "0.30 dB"),
        (5400.0, "s", "1.5 h"),
        (0.0402, "1", "0.040"),
        (0.0, "Hz", "0 Hz"),
    ],
)
def test_a_size_has_two_digits_and_a_fitting_unit(size: float, unit: str, words: str) -> None:
    assert size_words(size, unit) == words


@given(st.floats(1e-12, 1e15), st.integers(1, 12))
def test_no_number_has_an_exponent(value: float, digits: int) -> None:
    text = general(value, digits)
    assert "e" not in text
    assert float(text) == pytest.approx(value, rel=0.51 * 10.0 ** (1 - digits))


def test_a_value_has_the_digits_that_its_uncertainty_leaves_it() -> None:
    assert rounded_words(1.6842312e9, 2.1e6, "Hz") == "1.6842 GHz"
    assert rounded_words(1.6842312e9, 0.0, "Hz") == "1.68423 GHz"
    assert band_words(1.612345e9, 1.763456e9, "Hz", uncertainty=5e6) == "1.6123 to 1.7635 GHz"
    assert band_words(1.612345e9, 1.763456e9, "Hz", uncertainty=5e7) == "1.612 to 1.763 GHz"


def test_advice_says_megahertz_and_millimetres() -> None:
    budget = combine([term("noise", 2.9e7, "Hz"), term("bins", 1.2e6, "Hz")], estimate=1.7e9)
    assert improve_first(budget, "Hz").endswith("would fall from 29 MHz to 1.2 MHz.")
    budget = combine([term("arm", 0.000263, "m"), term("law", 0.0001, "m")], estimate=0.001)
    assert improve_first(budget, "m").endswith("would fall from 0.281 mm to 0.1 mm.")


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(2.0, "2 s"), (60.0, "60 s"), (43222.0, "12 h 00 min"), (7260.4, "2 h 01 min")],
)
def test_many_seconds_are_said_in_hours(seconds: float, words: str) -> None:
    assert about_words(seconds) == words


def test_a_time_without_uncertainty_is_told_as_people_tell_times() -> None:
    told = [value_words(Result("max_age", s, "s", None, None)) for s in (75.63, 43222.0, 0.004)]
    assert told == [
        "1 min 16 s (no uncertainty stated)",
        "12 h 00 min (no uncertainty stated)",
        "4 ms (no uncertainty stated)",
    ]
    sure = Result("max_age", 43222.0, "s", 1800.0, 2.0, 41422.0, 45022.0)
    assert value_words(sure) == "12.01 h ± 0.50 h"


def test_settings_are_shown_as_they_could_be_written() -> None:
    """What is read back comes back; what is only told is told in hours and millimetres."""
    for value, unit, kind in (
        (43200.0, "s", Kind.TIME), (43222.0, "s", Kind.TIME), (0.0123, "m", Kind.LENGTH),
        (1.7e9, "Hz", Kind.FREQUENCY), (7.34e-11, "s", Kind.TIME),
    ):  # fmt: skip
        assert parse(show(value, unit, precision=12), kind) == pytest.approx(value, rel=1e-12)
    assert show(43200.0, "s") == "12 h"
    assert show(43222.0, "s") == "12 h 00 min"
    assert show(0.000263, "m") == "0.263 mm"


def test_where_a_dip_lies_is_told_as_surely_as_it_is_known() -> None:
    resonance = Result("resonance_frequency", 1.65232e9, "Hz", 1.6e7, 2.0, 1.637e9, 1.67e9)
    q = Result("loaded_q", 2.66, "1", 0.44, 2.0, frequency_hz=1.65232e9)
    assert where_words(q, [resonance, q]) == "1.652 GHz"
    assert number_words(1.65232e9, "Hz") == "1.65232 GHz"
