"""Quantities as people write them: watts as level, units in the wrong capitals, lengths.

dBm is ten times the decimal logarithm of a power over 1 mW (ITU-R V.574, from memory), so that
1 mW is 0 dBm, 10 mW is 10 dBm and 1 W is 30 dBm.
"""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.files.fields import quantity_pattern
from benchd.units import Kind, UnitError, parse, spellings


@pytest.mark.parametrize(
    ("text", "level_dbm"),
    [
        ("1 mW", 0.0), ("10 mW", 10.0), ("0.01 W", 10.0), ("1 W", 30.0), ("0.1mW", -10.0),
        ("1 uW", -30.0), ("1 µW", -30.0), ("1 nW", -60.0), ("2 kW", 63.010299956639813),
        ("1e-2 W", 10.0), ("-10 dBm", -10.0),
    ],
)  # fmt: skip
def test_a_power_in_watts_is_a_level(text: str, level_dbm: float) -> None:
    assert parse(text, Kind.LEVEL) == pytest.approx(level_dbm, abs=1e-9)


@given(st.floats(min_value=1e-9, max_value=1e3))
def test_every_power_is_the_level_that_gives_it_back(watts: float) -> None:
    level_dbm = parse(f"{watts!r} W", Kind.LEVEL)
    assert math.isclose(10.0 ** (level_dbm / 10.0) * 1e-3, watts, rel_tol=1e-9)


@pytest.mark.parametrize("text", ["0 W", "-1 mW", "-0 W"])
def test_no_power_has_no_level(text: str) -> None:
    with pytest.raises(UnitError, match="a power lies above 0 W"):
        parse(text, Kind.LEVEL)


@pytest.mark.parametrize(
    ("text", "kind", "meant"),
    [
        ("1.7 ghz", Kind.FREQUENCY, "GHz"), ("1.7ghz", Kind.FREQUENCY, "GHz"),
        ("868 mhz", Kind.FREQUENCY, "MHz"), ("868 MHZ", Kind.FREQUENCY, "MHz"),
        ("10 KHZ", Kind.FREQUENCY, "kHz"), ("41.2 MM", Kind.LENGTH, "mm"),
        ("4 CM", Kind.LENGTH, "cm"), ("5 MS", Kind.TIME, "ms"), ("-10 dbm", Kind.LEVEL, "dBm"),
        ("10 MW", Kind.LEVEL, "mW"), ("10 mw", Kind.LEVEL, "mW"), ("1 w", Kind.LEVEL, "W"),
    ],
)  # fmt: skip
def test_a_unit_in_the_wrong_capitals_is_refused_and_the_right_one_named(
    text: str, kind: Kind, meant: str
) -> None:
    with pytest.raises(UnitError, match=f'did you mean "{meant}"'):
        parse(text, kind)


@pytest.mark.parametrize(
    ("text", "metres"), [("41.2mm", 0.0412), ("41.2 mm", 0.0412), ("4.12 cm", 0.0412),
                         ("0.0412 m", 0.0412), ("41200 um", 0.0412)],
)  # fmt: skip
def test_lengths_come_in_the_units_of_a_workshop(text: str, metres: float) -> None:
    assert parse(text, Kind.LENGTH) == pytest.approx(metres, rel=1e-12)


@pytest.mark.parametrize("kind", list(Kind), ids=lambda kind: kind.value.name)
def test_an_editor_takes_every_spelling_that_is_understood(kind: Kind) -> None:
    for unit in spellings(kind):
        assert re.search(quantity_pattern(kind), f"1 {unit}")
        parse(f"1 {unit}", kind)
