"""Qualification steps that cannot work are refused where they are written."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.bench import load_bench
from benchd.errors import RecipeError
from benchd.recipe import load_recipe, resolve
from benchd.reductions.repeatability import Repeatability
from benchd.worksheet import ReduceStep

BENCH = Path(__file__).parents[2] / "recipes" / "benches" / "good-box.yaml"
TEXT = """
recipe: short
title: Short
sweeps:
  main: {start: 1.6 GHz, stop: 1.8 GHz, points: 5, level: -10 dBm, resolution_bandwidth: 10 kHz}
  quiet: {start: 1.6 GHz, stop: 1.8 GHz, points: 5, level: -10 dBm, resolution_bandwidth: 10 kHz,
    rf: off}
steps:
  - repeat:
      times: 5
      steps:
        - capture: {name: place $turn, role: test, route: range, antenna: yagi r2, sweep: main}
        - capture: {name: port $turn, role: short, route: middle, sweep: main}
  - capture: {name: silence, role: empty, route: range, sweep: quiet}
  - reduce: REDUCE
"""


def reduced(reduce: str) -> ReduceStep:
    text = TEXT.replace("REDUCE", reduce)
    *_, step = resolve(load_recipe(text, file="r.yaml"), load_bench(BENCH), {}).steps
    assert isinstance(step, ReduceStep)
    return step


def test_a_pattern_stands_for_the_captures_of_a_loop_in_their_order() -> None:
    step = reduced("{kind: repeatability, joined: place *, at: 1.7 GHz}")
    assert step.settings.inputs() == {
        "joined": ("place 1", "place 2", "place 3", "place 4", "place 5"),
    }  # fmt: skip
    assert isinstance(step.settings, Repeatability)
    assert (step.settings.at_hz, step.settings.limit_db) == ([1.7e9], 0.1)


def test_the_range_length_comes_from_the_bench() -> None:
    step = reduced(
        "{kind: reflectivity, along: place *, step: 22 mm, needed_from: 1.6 GHz, claim: 3 dB}"
    )
    assert step.settings.model_dump(exclude={"kind", "name", "along"}) == {
        "at_hz": None, "across": None, "step_m": 0.022, "range_length_m": 0.4, "claim_db": 3.0,
        "needed_hz": 1.6e9,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("reduce", "message"),
    [
        (
            "{kind: repeatability, joined: plaice *}",
            r'no earlier step captures "plaice \*", did you mean',
        ),
        (
            "{kind: repeatability, joined: [place 1, place 2]}",
            "joined: found 2 captures, at least 3 are needed",
        ),
        (
            "{kind: repeatability, joined: [place 1, place 2, port 3]}",
            r'"port 3" does not fit "place 1": route range against middle',
        ),
        (
            "{kind: repeatability, joined: place *, at: 2 GHz}",
            "2 GHz lies outside the sweep of",
        ),
        (
            "{kind: reflectivity, along: place *, step: 80 mm, needed_from: 1.6 GHz}",
            "the last place along the range lies too near the other antenna",
        ),
        (
            "{kind: reflectivity, step: 22 mm, needed_from: 1.6 GHz}",
            'needs captures under "along", "across" or both',
        ),
        (
            "{kind: leakage, open: place 1, closed: [place 2, place 3], reading: -50 dBm}",
            "closed: found 2 captures, expected 1 as in open",
        ),
        (
            "{kind: leakage, open: place 1, closed: place 2, places: [lid, seam], reading: -5 dBm}",
            "places: found 2 names, expected 1 as in open",
        ),
        (
            "{kind: leakage, open: place 1, closed: place 2, ingress: place 3, reading: -50 dBm}",
            '"place 3" was taken with RF not off',
        ),
        (
            "{kind: leakage, open: place 1, closed: silence, reading: -50 dBm}",
            '"silence" was taken with RF not on',
        ),
        (
            "{kind: coupler, open: place 1, short: port 1, load: port 2, load_match: 34 dB}",
            '"place 1" was taken on "range", a transmission',
        ),
        (
            "{kind: coupler, open: port 1, short: port 2, load: port 3, offset_short: port 4, "
            "load_match: 34 dB}",
            'needs "offset_delay", the one-way delay of its line',
        ),
        (
            "{kind: coupler, open: port 1, short: port 2, load: port 3, refits: [port 4], "
            "load_match: 34 dB}",
            "refits: found 1 captures, at least 3 are needed",
        ),
        (
            "{kind: comparison, first: place 1, second: place 2}",
            "first: found 1 captures, at least 2 are needed",
        ),
        (
            "{kind: drift, watched: [port 1, port 2], needed_age: 1 h}",
            "watched: found 2 captures, at least 3 are needed",
        ),
    ],
)
def test_what_cannot_be_reduced_is_refused(reduce: str, message: str) -> None:
    with pytest.raises(RecipeError, match=message):
        reduced(reduce)
