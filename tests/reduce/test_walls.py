"""What the walls of a box do to a reflection that is to hold in free space."""

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from benchd.reduce.budget_inputs import Known, ReflectionKnowledge
from benchd.reduce.reflection import reflection_at, return_loss_terms
from benchd.reduce.reflectometer import edge_reading_draws, gamma_draws

QUIET = ReflectionKnowledge(
    directivity_db=Known(80.0),
    source_match_db=Known(80.0),
    tracking_db=Known(0.0),
    linearity_db=Known(0.0),
    connector_sd_db=Known(0.0),
    joint_gamma_sd=Known(0.0),
    drift_db=Known(0.0),
    noise_sd_db=Known(0.0),
    frequency_error=Known(0.0),
)
WALLS = replace(QUIET, wall_gamma=Known(0.04))
TRIALS = 200_000


def test_an_echo_enters_with_what_the_antenna_takes_in() -> None:
    """|G + p (1 - |G|^2) e^ja| strays by p (1 - |G|^2)/sqrt(2) for small p, in either direction."""
    rng = np.random.default_rng(7)
    none = np.zeros(TRIALS)
    edges = edge_reading_draws(0.3, 0.05, (1.6e9, 1.8e9), (none, none), (WALLS, WALLS), rng)
    for drawn in (gamma_draws(0.3, none, WALLS, rng), *edges):
        assert_allclose(drawn.std(), 0.04 * 0.91 / math.sqrt(2.0), rtol=0.015)


def test_the_term_says_the_same_as_the_draws() -> None:
    (line,) = [t for t in return_loss_terms(0.3, WALLS) if t.name == "box walls"]
    assert_allclose(line.contribution, 8.685889638 * 0.04 * 0.91 / 0.3 / math.sqrt(2.0), rtol=1e-9)
    assert [t.name for t in return_loss_terms(0.3, QUIET)].count("box walls") == 0


@pytest.mark.parametrize("true", [0.1, 0.3, 0.6])
def test_the_interval_holds_the_antenna_in_free_space(true: float) -> None:
    """Seen is the antenna with its echo, at 400 phases; 93 to 97 of 100 intervals hold the truth.

    A linearity of +-0.1 dB stands beside: a phase alone lies nearly always at the ends of its
    law, where a part in a thousand of the width decides over percents of the phases.
    """
    rng = np.random.default_rng(11)
    known = replace(WALLS, linearity_db=Known(0.1))
    grid = np.linspace(1.6e9, 1.8e9, 11)
    held = 0
    for phase, scale_db in zip(
        (np.arange(400) + 0.5) / 400 * 2 * np.pi, rng.uniform(-0.1, 0.1, 400), strict=True
    ):
        seen = abs(true + 0.04 * (1 - true**2) * np.exp(1j * phase))
        flat = np.full(grid.shape, 20 * math.log10(seen) + scale_db)
        point = reflection_at(grid, flat, 1.7e9, known)
        assert point.gamma_low is not None
        held += point.gamma_low <= true <= point.gamma_high
    assert 0.93 <= held / 400 <= 0.97
