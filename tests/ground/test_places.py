"""A result says where it holds along the axis of its trace, whichever axis that is."""

from typing import Any

import pytest

from benchd.results import Place, Result
from benchd.wording import where_words


def result(**more: Any) -> Result:
    return Result("realised_gain", 7.4, "dBi", 0.6, 2.0, 6.8, 8.0, **more)


def test_a_place_on_the_axis_of_frequency_is_the_frequency() -> None:
    told = result(place=Place("frequency", "Hz", 1.7e9))
    assert told == result(frequency_hz=1.7e9)
    assert told.along == Place("frequency", "Hz", 1.7e9)
    assert told.place is None


def test_a_place_on_another_axis_stands_beside_the_frequency() -> None:
    told = result(frequency_hz=1.7e9, place=Place("angle", "deg", -30.0))
    assert told.along == Place("angle", "deg", -30.0)
    assert where_words(told) == "1.7 GHz, -30 deg"
    assert where_words(result(place=Place("time", "s", 5400.0))) == "1.5 h"


def test_a_result_of_a_whole_trace_holds_nowhere_in_particular() -> None:
    assert result().along is None
    assert where_words(result()) == ""


@pytest.mark.parametrize(
    ("place", "words"),
    [
        (Place("frequency", "Hz", 1.8e9), "cannot hold at 1800000000.0 Hz and at 1700000000.0 Hz"),
        (Place("frequency", "MHz", 1.7e3), "a frequency is in Hz, not in MHz"),
    ],
    ids=["two frequencies", "another unit"],
)
def test_what_contradicts_itself_is_refused(place: Place, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        result(frequency_hz=1.7e9, place=place)
