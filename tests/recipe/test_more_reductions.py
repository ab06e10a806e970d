"""Two and three antennas, places, brackets in time, comparison: what a recipe may ask for."""

from __future__ import annotations

import pytest

from benchd.bench import Bench
from benchd.errors import RecipeError
from benchd.recipe import load_recipe, resolve
from benchd.reductions.absolute_gain import ThreeAntennas
from benchd.reductions.gain_settings import Gain
from benchd.reductions.reflection_settings import Reflection
from benchd.worksheet import BaselineInput, ReduceStep, Worksheet

HEAD = """\
recipe: more
title: More ways
sweeps:
  main: {centre: 1.7 GHz, span: 200 MHz, points: 21, level: -10 dBm, resolution_bandwidth: 10 kHz}
steps:
"""
PAIRS = """\
  - capture: {name: joined, role: thru, route: range, position: mount_a, sweep: main}
  - capture: {name: one, role: test, route: range, position: mount_a, antenna: dipole r3,
      sweep: main}
  - capture: {name: two, role: test, route: range, position: mount_a, antenna: yagi r2,
      sweep: main}
  - capture: {name: three, role: test, route: range, position: mount_a, antenna: yagi r2,
      sweep: main}
"""
THREE = """\
  - reduce: {kind: gain-three-antennas, antennas: [reference dipole, dipole r3, yagi r2],
      ab: one, ac: two, bc: three, thru: joined}
"""
TWO = "  - reduce: {kind: gain-two-identical, test: [one], thru: joined, at: 1.7 GHz}\n"
NIGHT = """\
  - repeat:
      over: {when: [before, after]}
      steps:
        - capture: {name: open $when, role: open, route: middle, position: open, sweep: main}
        - capture: {name: short $when, role: short, route: middle, position: short, sweep: main}
  - capture: {name: seen, role: test, route: middle, position: antenna, antenna: dipole r3,
      sweep: main}
  - reduce:
      kind: reflection
      test: seen
      baseline:
        open: open before
        short: short before
        closing: {open: open after, short: short after}
      free_space: yes
"""
PLACES = """\
  - repeat:
      over: {mark: [1, 2]}
      steps:
        - capture: {role: reference, route: range, position: mount_a, antenna: reference dipole,
            sweep: main}
        - capture: {role: test, route: range, position: mount_a, antenna: yagi r2, sweep: main}
  - reduce: {kind: gain, test: [test 1, test 2], reference: [reference 1, reference 2],
      travel: 100 mm}
"""
COMPARE = """\
  - reduce: {kind: revision-comparison, quantity: realised_gain, first: dipole r3, second: yagi r2}
  - accept: [{quantity: realised_gain_difference, least: 5 dB}]
"""


def worksheet_of(bench: Bench, text: str) -> Worksheet:
    return resolve(load_recipe(HEAD + text, file="more.yaml"), bench, {})


def reduction_of(bench: Bench, text: str) -> ReduceStep:
    (step,) = [s for s in worksheet_of(bench, text).steps if isinstance(s, ReduceStep)]
    return step


def message(bench: Bench, text: str) -> str:
    with pytest.raises(RecipeError) as caught:
        worksheet_of(bench, text)
    (problem,) = caught.value.problems
    return f"{problem.key}: {problem.message}"


def test_three_antennas_take_their_pairs_and_names(bench: Bench) -> None:
    step = reduction_of(bench, PAIRS + THREE)
    assert step.settings == ThreeAntennas.from_stored({
        "kind": "gain-three-antennas",
        "ab": "one", "ac": "two", "bc": "three", "thru": ["joined"],
        "match": "none",
        "at_hz": [1.7e9],
        "band_hz": {"least": 1.6e9, "most": 1.8e9},
        "antennas": ["reference dipole", "dipole r3", "yagi r2"],
    })  # fmt: skip
    assert step.settings.inputs() == {
        "ab": ("one",), "ac": ("two",), "bc": ("three",), "thru": ("joined",),
    }  # fmt: skip


def test_two_identical_antennas_take_one_capture_and_a_thru(bench: Bench) -> None:
    step = reduction_of(bench, PAIRS + TWO)
    assert step.settings.inputs() == {"test": ("one",), "thru": ("joined",)}
    assert step.settings.reported_hz == (1.7e9,)


def test_opening_and_closing_baselines_are_named_apart(bench: Bench) -> None:
    step = reduction_of(bench, NIGHT)
    assert step.settings.baselines() == (
        BaselineInput("open", "open before"),
        BaselineInput("short", "short before"),
        BaselineInput("open", "open after", is_closing=True),
        BaselineInput("short", "short after", is_closing=True),
    )
    assert isinstance(step.settings, Reflection)
    assert step.settings.free_space is True


def test_places_bring_their_travel(bench: Bench) -> None:
    step = reduction_of(bench, PLACES)
    assert step.settings.inputs() == {
        "test": ("test 1", "test 2"), "reference": ("reference 1", "reference 2"),
    }  # fmt: skip
    assert isinstance(step.settings, Gain)
    assert step.settings.travel_m == 0.1


def test_a_comparison_needs_no_capture_and_its_difference_may_be_limited(bench: Bench) -> None:
    step = reduction_of(bench, COMPARE)
    assert (step.settings.inputs(), step.settings.baselines()) == ({}, ())
    assert step.settings.model_dump() == {
        "kind": "revision-comparison", "name": None,
        "quantity": "realised_gain", "first": "dipole r3", "second": "yagi r2",
        "first_job": None, "second_job": None,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("text", "old", "new", "words"),
    [
        (
            PAIRS + THREE, "ab: one", "ab: two",
            'steps[5].reduce.ab: "two" is of yagi r2, expected dipole r3 at the far end',
        ),
        (
            PAIRS + THREE, "[reference dipole, dipole", "[yagi r2, dipole",
            'steps[5].reduce.antennas[3]: "yagi r2" stands here twice',
        ),
        (
            PAIRS + THREE, "[reference dipole, dipole", "[loop, dipole",
            'steps[5].reduce.antennas[1]: the bench has no antenna "loop", it has: '
            "reference dipole, dipole r3, yagi r2",
        ),
        (
            PAIRS + TWO, "thru: joined", "thru: two",
            'steps[5].reduce.thru: "two" has the role test, expected thru',
        ),
        (
            PAIRS + TWO, "at: 1.7 GHz", "at: 1.9 GHz",
            'steps[5].reduce.at: 1.9 GHz lies outside the sweep of "one", which runs from '
            "1.6 GHz to 1.8 GHz",
        ),
        (
            NIGHT, "closing: {open: open after, short: short after}", "closing: {open: open after}",
            "steps[3].reduce.baseline.closing: closes open, but the baseline opens with open, "
            "short",
        ),
        (
            NIGHT, "closing: {open: open after", "closing: {open: newest",
            "steps[3].reduce.baseline.closing.open: newest lies before the capture; name a later "
            "capture of this recipe",
        ),
        (
            NIGHT, "short: short after}", "short: open after}",
            'steps[3].reduce.baseline.closing.short: "open after" has the role open, expected '
            "short",
        ),
        (
            PLACES, "test: [test 1, test 2]", "test: [test 1]",
            "steps[2].reduce.travel: needs two or more places with one capture of each antenna; "
            "found 1 of the antenna and 2 of the reference",
        ),
        (
            COMPARE, "quantity: realised_gain,", "quantity: efficiency,",
            'steps[1].reduce.quantity: "efficiency" is not one of: resonance_frequency, '
            "return_loss, vswr, worst_return_loss, worst_vswr, bandwidth, realised_gain, "
            "realised_gain_mean, gain, gain_mean, loaded_q, reflection_magnitude, mismatch_loss, "
            "bandwidth_low_edge, bandwidth_high_edge",
        ),
        (
            COMPARE, "second: yagi r2", "second: dipole r3",
            'steps[1].reduce.first: both are "dipole r3"; name the job of the first (first_job)',
        ),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_refused_in_its_place(
    bench: Bench, text: str, old: str, new: str, words: str
) -> None:
    assert text.count(old) == 1
    assert message(bench, text.replace(old, new)) == words
