"""Kinds of reduction: what each asks of captures and bench before anything is measured."""

from __future__ import annotations

from typing import Literal

import pytest

from benchd.bench import Bench
from benchd.errors import RecipeError
from benchd.quantities import given_by
from benchd.recipe import load_recipe, resolve
from benchd.reductions import Outcome, Reduction, reduction
from benchd.reductions.gain_settings import Gain
from benchd.worksheet import ReduceStep

GAIN = """\
recipe: gain
title: Gain over a range
sweeps:
  main: {start: 1.6 GHz, stop: 1.8 GHz, points: 81, level: -10 dBm, resolution_bandwidth: 10 kHz}
  finer: {start: 1.6 GHz, stop: 1.8 GHz, points: 161, level: -10 dBm, resolution_bandwidth: 10 kHz}
steps:
  - capture: {role: thru, route: range, position: mount_a, sweep: main}
  - capture: {name: far, role: test, route: range, position: mount_a, antenna: yagi r2, sweep: main}
  - reduce: {kind: gain, method: known-range-antenna, test: far, thru: thru,
      range_antenna: reference dipole}
"""


def message(bench: Bench, old: str, new: str) -> str:
    assert old in GAIN
    with pytest.raises(RecipeError) as refusal:
        resolve(load_recipe(GAIN.replace(old, new), file="g.yaml"), bench, {})
    return str(refusal.value)


def test_a_known_range_antenna_needs_no_reference(bench: Bench) -> None:
    """Without `at` and `band`: the design frequency, and the whole sweep."""
    step = resolve(load_recipe(GAIN), bench, {}).steps[2]
    assert isinstance(step, ReduceStep)
    assert step.settings.model_dump() == {
        "kind": "gain",
        "name": None,
        "test": ["far"],
        "reference": None,
        "thru": ["thru"],
        "method": "known-range-antenna",
        "match": "none",
        "max_age_s": None,
        "interpolate": False,
        "follow_drift": True,
        "travel_m": None,
        "at_hz": [1.7e9],
        "band_hz": {"least": 1.6e9, "most": 1.8e9},
        "range_antenna": "reference dipole",
    }


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        pytest.param(
            ",\n      range_antenna: reference dipole",
            "",
            "g.yaml:9:13: steps[3].reduce: there is no antenna of known gain here; name one",
            id="no range antenna on the route either",
        ),
        pytest.param(
            "range_antenna: reference dipole",
            "range_antenna: dipole r3",
            "g.yaml:10:22: steps[3].reduce.range_antenna: the bench file states no gain "
            '(reference:) for the antenna "dipole r3"',
            id="range antenna without a gain",
        ),
        pytest.param(
            "range_antenna: reference dipole",
            "range_antenna: horn",
            'g.yaml:10:22: steps[3].reduce.range_antenna: the bench has no antenna "horn", with a '
            "gain it has: reference dipole",
            id="range antenna unknown",
        ),
        pytest.param(
            "thru: thru",
            "reference: thru",
            'g.yaml:9:13: steps[3].reduce: the method known-range-antenna needs the key "thru"',
            id="reference in place of a thru",
        ),
        pytest.param(
            "antenna: yagi r2, sweep: main",
            "antenna: yagi r2, sweep: finer",
            'g.yaml:9:72: steps[3].reduce.thru: "thru" does not fit "far": points 161 against 81',
            id="thru on another grid",
        ),
        pytest.param(
            "role: thru,",
            "role: empty, name: thru,",
            'g.yaml:9:72: steps[3].reduce.thru: "thru" has the role empty, expected thru',
            id="thru of another role",
        ),
    ],
)
def test_a_known_range_antenna_is_refused_without_what_it_needs(
    bench: Bench, old: str, new: str, words: str
) -> None:
    """Before a single point is measured."""
    assert message(bench, old, new) == words


def test_another_grid_is_allowed_where_the_recipe_says_so(bench: Bench) -> None:
    """`interpolate: yes` is a decision of the person."""
    text = GAIN.replace("antenna: yagi r2, sweep: main", "antenna: yagi r2, sweep: finer")
    text = text.replace("thru: thru,", "thru: thru, interpolate: yes,")
    step = resolve(load_recipe(text), bench, {}).steps[2]
    assert isinstance(step, ReduceStep)
    assert isinstance(step.settings, Gain)
    assert step.settings.interpolate is True


def test_a_box_without_a_range_length_cannot_know_its_free_space_loss(bench: Bench) -> None:
    """The method rests on the distance."""
    assert bench.box is not None
    box = bench.box.model_copy(update={"range_length_m": None})
    with pytest.raises(RecipeError, match=r"needs box\.range_length in the bench file"):
        resolve(load_recipe(GAIN), bench.model_copy(update={"box": box}), {})


REALISED = ["realised_gain", "realised_gain_max", "realised_gain_mean", "realised_gain_min"]


def test_every_kind_says_which_quantities_it_gives() -> None:
    """What limits may be set on. Names as `benchd.reduce` gives them to results."""
    named = (
        "gain",
        "gain-three-antennas",
        "gain-two-identical",
        "reflection",
        "revision-comparison",
    )
    assert {kind: sorted(row.name for row in given_by(kind)) for kind in named} == {
        "gain-three-antennas": REALISED,
        "gain-two-identical": REALISED,
        "revision-comparison": [
            "bandwidth_difference",
            "bandwidth_high_edge_difference",
            "bandwidth_low_edge_difference",
            "further_resonance_frequency_difference",
            "gain_difference",
            "gain_mean_difference",
            "loaded_q_difference",
            "mismatch_loss_difference",
            "realised_gain_difference",
            "realised_gain_mean_difference",
            "reflection_magnitude_difference",
            "resonance_frequency_difference",
            "return_loss_difference",
            "vswr_difference",
            "worst_return_loss_difference",
            "worst_vswr_difference",
        ],
        "gain": [
            "box_gain_spread",
            "gain",
            "gain_max",
            "gain_mean",
            "gain_min",
            "realised_gain",
            "realised_gain_max",
            "realised_gain_mean",
            "realised_gain_min",
        ],
        "reflection": [
            "bandwidth",
            "bandwidth_high_edge",
            "bandwidth_low_edge",
            "further_resonance_frequency",
            "further_resonance_return_loss",
            "loaded_q",
            "mismatch_loss",
            "reflection_magnitude",
            "resonance_count",
            "resonance_frequency",
            "resonance_return_loss",
            "return_loss",
            "trim_per_arm",
            "unloaded_q",
            "vswr",
            "vswr_bandwidth",
            "vswr_bandwidth_high_edge",
            "vswr_bandwidth_low_edge",
            "worst_return_loss",
            "worst_vswr",
        ],
    }


def test_a_kind_cannot_be_entered_twice() -> None:
    """Two files of one kind: which of them a recipe means would be chance."""

    class Again(Reduction):
        kind: Literal["gain"]

    with pytest.raises(ValueError, match="the reduction 'gain' is entered twice"):
        reduction(Again)(lambda settings, captures, known: Outcome(()))


def test_settings_must_say_their_kind() -> None:
    class Nameless(Reduction):
        pass

    with pytest.raises(ValueError, match="Nameless needs a field `kind: Literal"):
        reduction(Nameless)
