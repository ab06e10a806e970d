"""RF off, the lid open on purpose, and patterns of capture names in a worksheet."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.bench import load_bench
from benchd.errors import RecipeError, UnsafeError
from benchd.recipe import load_recipe, resolve
from benchd.worksheet import CaptureStep, Worksheet

BENCH = Path(__file__).parents[2] / "recipes" / "benches" / "by-hand.yaml"
TEXT = """
recipe: short
title: Short
sweeps:
  main: {{start: 1.6 GHz, stop: 1.8 GHz, points: 5, level: {level},
    resolution_bandwidth: 10 kHz, rf: {rf}}}
steps:
  - capture: {{name: one, role: empty, route: range, sweep: main, lid: {lid}}}
"""


def worksheet(level: str = "-10 dBm", rf: str = "on", lid: str = "closed") -> Worksheet:
    text = TEXT.format(level=level, rf=rf, lid=lid)
    return resolve(load_recipe(text, file="r.yaml"), load_bench(BENCH), {})


def test_rf_off_reaches_the_plan() -> None:
    (step,) = worksheet(rf="off").steps
    assert isinstance(step, CaptureStep)
    assert (step.sweep.rf, step.lid) == ("off", "closed")


def test_an_open_lid_is_cautioned_about_and_limited_in_power() -> None:
    (step,) = worksheet(lid="open").steps
    assert isinstance(step, CaptureStep)
    assert any("RF is on with the lid open" in caution for caution in step.cautions)
    with pytest.raises(
        UnsafeError, match=r"could be radiated with the lid open, 0 dBm at most are allowed then"
    ):
        worksheet(level="10 dBm", lid="open")


def test_with_rf_off_an_open_lid_is_no_matter_of_power() -> None:
    (step,) = worksheet(level="10 dBm", rf="off", lid="open").steps
    assert isinstance(step, CaptureStep)
    assert not any("lid open" in caution for caution in step.cautions)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("rf: on", "rf: maybe", '"maybe" is not known'),
        ("lid: closed", "lid: ajar", '"ajar" is not known, known are: closed, open'),
        (
            "rf: on",
            "rf: off, refine: {around: resonance, span: 50 MHz, points: 5}",
            "a sweep with RF off sees nothing to refine around",
        ),
    ],
)
def test_other_words_are_refused(old: str, new: str, message: str) -> None:
    text = TEXT.format(level="-10 dBm", rf="on", lid="closed").replace(old, new)
    with pytest.raises(RecipeError, match=message):
        resolve(load_recipe(text, file="r.yaml"), load_bench(BENCH), {})
