"""A few benches of the coverage study on every run; the whole study is `make coverage`.

The whole chain runs in memory: recipe, worksheet, procedures, instrument commands, simulated
instruments, captures, reductions. The truth comes from the simulators, which share no formula
with benchd.
"""

from collections import Counter

import pytest

from tests.coverage_study.study import Line, lines_of
from tests.coverage_study.table import FOREIGN_ONLY, ORDER, markdown, rows

SEEDS = range(300, 305)
# About nine results of a bench do not share their errors: three standard deviations of 45
# independent intervals at 95 % are 10 %.
LEAST_SHARE = 0.85


@pytest.fixture(scope="module")
def lines() -> list[Line]:
    """Every stated interval of the benches."""
    return [line for seed in SEEDS for line in lines_of(seed)]


def test_stated_intervals_hold_the_truth_on_a_few_benches(lines: list[Line]) -> None:
    missed = [line for line in lines if not line.held]
    assert 1.0 - len(missed) / len(lines) >= LEAST_SHARE, markdown(rows(lines))
    # A bench where most intervals miss has lost a term, however well the others do.
    for seed, count in Counter(line.seed for line in missed).items():
        assert count < sum(line.seed == seed for line in lines) / 2, (seed, missed)


def test_every_quantity_of_the_study_is_there(lines: list[Line]) -> None:
    assert {line.quantity for line in lines} == set(ORDER) - set(FOREIGN_ONLY)


def test_intervals_are_not_so_wide_that_they_hold_anything(lines: list[Line]) -> None:
    """Half-widths of return loss and resonance stay where a person can use them."""
    for line in lines:
        if line.region != "mid" or line.low is None or line.high is None:
            continue
        if line.quantity == "return_loss" and line.truth < 15.0:
            assert line.high - line.low < 6.0, line
        if line.quantity == "resonance_frequency":
            assert line.high - line.low < 0.06 * line.truth, line


def test_a_seed_gives_the_same_numbers_again(lines: list[Line]) -> None:
    again = lines_of(SEEDS[0])
    assert again == [line for line in lines if line.seed == SEEDS[0]]
