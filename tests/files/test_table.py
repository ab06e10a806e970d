"""Quantities over frequency."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from benchd.bench import Table
from benchd.files.fields import OverFrequency
from benchd.units import Kind

TABLE = Table(frequency_hz=(1e9, 4e9), values=(0.4, 0.8))


@pytest.mark.parametrize(
    ("frequency_hz", "value"),
    [
        pytest.param(1e9, 0.4, id="first"),
        pytest.param(4e9, 0.8, id="last"),
        pytest.param(2e9, 0.6, id="half-way-in-lg-f"),
        pytest.param(1e8, 0.4, id="below-holds-the-end"),
        pytest.param(9e9, 0.8, id="above-holds-the-end"),
    ],
)
def test_values_between_frequencies_lie_on_a_line_in_lg_f(
    frequency_hz: float, value: float
) -> None:
    """2 GHz is the geometric mean of 1 and 4 GHz."""
    assert_allclose(TABLE.at(frequency_hz), value, rtol=1e-12)


def test_one_value_holds_everywhere() -> None:
    """No frequencies, no limits."""
    table = Table(frequency_hz=(), values=(0.3,))
    assert_allclose(table.over(np.array([1e6, 1e9, 1e12])), [0.3, 0.3, 0.3], rtol=0)
    assert table.covers(1.0, 1e15)


def test_a_square_root_law_is_met_within_five_per_cent_of_an_octave() -> None:
    """What the docstring of Table claims, for a loss that doubles in two octaves."""
    table = Table(frequency_hz=(1e9, 2e9), values=(1.0, 2**0.5))
    grid = np.linspace(1e9, 2e9, 1001)
    step = 2**0.5 - 1.0
    assert np.max(np.abs(table.over(grid) - np.sqrt(grid / 1e9))) < 0.05 * step


def test_it_says_what_it_does_not_cover() -> None:
    """The caller warns; the table only tells."""
    assert TABLE.covers(1e9, 4e9)
    assert not TABLE.covers(0.9e9, 2e9)
    assert not TABLE.covers(2e9, 4.1e9)


@given(
    st.lists(
        st.tuples(st.floats(1e6, 1e10), st.floats(-50, 50)),
        min_size=2,
        max_size=8,
        unique_by=lambda row: row[0],
    ),
    st.floats(1e6, 1e10),
    st.floats(1e6, 1e10),
)
def test_extremes_bound_every_value_of_the_band(
    rows: list[tuple[float, float]], one_hz: float, other_hz: float
) -> None:
    """Piecewise linear: nothing between the nodes lies outside."""
    ordered = sorted(rows)
    table = Table(
        frequency_hz=tuple(row[0] for row in ordered), values=tuple(row[1] for row in ordered)
    )
    low_hz, high_hz = sorted((one_hz, other_hz))
    inside = table.over(np.geomspace(low_hz, high_hz, 50).clip(low_hz, high_hz))
    slack = 1e-9
    assert table.least(low_hz, high_hz) - slack <= inside.min()
    assert inside.max() <= table.most(low_hz, high_hz) + slack


def test_a_table_is_sorted_whatever_its_order_in_the_file() -> None:
    """People add rows at the end."""
    read = OverFrequency(Kind.RATIO).read({"3 GHz": "0.5 dB", "1 GHz": "0.3 dB"})
    assert read == Table(frequency_hz=(1e9, 3e9), values=(0.3, 0.5))
