"""Lists of words that stand once, and the two that cannot: rooms that share no code must agree."""

from __future__ import annotations

import drivers.analyzer
from benchd.cli.show import STATE_STYLES
from benchd.jobstates import ENDED, UNDER_WAY, JobState
from benchd.recipe.model import ANALYZER_DETECTORS
from benchd.reduce import noise
from benchd.sweeps import DETECTORS, METHOD_WORDS, METHODS, POWER


def test_the_drivers_know_the_detectors_that_a_recipe_may_ask_for() -> None:
    assert drivers.analyzer.DETECTORS == ANALYZER_DETECTORS
    assert {*ANALYZER_DETECTORS, POWER} == set(DETECTORS)


def test_every_detector_but_peak_has_a_law() -> None:
    assert {*noise.DETECTORS, POWER} == set(DETECTORS) - {"peak"}


def test_every_method_has_words_and_every_state_a_style() -> None:
    assert set(METHOD_WORDS) == set(METHODS)
    assert set(JobState) <= set(STATE_STYLES)


def test_a_job_waits_is_under_way_or_has_ended() -> None:
    assert {JobState.WAITING, *UNDER_WAY, *ENDED} == set(JobState)
    assert {"done", "failed", "withdrawn", "missed"} == ENDED
