"""RF goes on towards no input whose limit nobody has stated; what is unknown is said on purpose."""

from __future__ import annotations

import pytest

from benchd.bench import parse_bench
from benchd.errors import UnsafeError
from benchd.recipe import load_recipe, resolve
from benchd.worksheet import CaptureStep, Worksheet
from tests.recipe.conftest import BENCH

TEXT = """\
recipe: short
title: Short
sweeps:
  main: {{start: 1.6 GHz, stop: 1.8 GHz, points: 5, level: -10 dBm,
    resolution_bandwidth: 10 kHz, rf: {rf}}}
steps:
  - capture: {{name: one, role: empty, route: range, position: mount_a, sweep: main}}
"""
BOOSTED = BENCH.replace(
    "fixtures:\n", "fixtures:\n  booster: {kind: amplifier, gain: 10 dB, largest_power: 5 dBm}\n"
).replace("back: [selector.sense]", "back: [selector.sense, booster]")


def worksheet(bench: str, rf: str = "on") -> Worksheet:
    return resolve(load_recipe(TEXT.format(rf=rf), file="r.yaml"), parse_bench(bench), {})


@pytest.mark.parametrize(
    ("stated", "element", "key"),
    [
        ("largest_input: 20 dBm", "analyzer", "largest_input"),
        ("largest_power: 5 dBm", "booster", "largest_power"),
    ],
)
def test_rf_on_towards_an_input_of_unstated_limit_is_refused(
    stated: str, element: str, key: str
) -> None:
    """With RF on refused; with RF off nothing reaches it from here."""
    nothing = BOOSTED.replace(f", {stated}", "")
    assert nothing != BOOSTED
    with pytest.raises(UnsafeError) as refusal:
        worksheet(nothing)
    assert str(refusal.value) == (
        f"r.yaml:7: capture one: RF would be on towards {element}, and the bench file does not "
        f"state its {key}: write {key} with the level from its data sheet, or {key}: unknown at "
        "your own risk."
    )
    assert worksheet(nothing, rf="off").steps


@pytest.mark.parametrize("stated", ["largest_input: 20 dBm", "largest_power: 5 dBm"])
def test_a_limit_that_is_unknown_on_purpose_is_a_caution(stated: str) -> None:
    unknown = BOOSTED.replace(stated, f"{stated.split(':')[0]}: unknown")
    (step,) = worksheet(unknown).steps
    assert isinstance(step, CaptureStep)
    element = "analyzer" if "input" in stated else "booster"
    assert any(
        caution == f"No largest power is stated for {element}: benchd cannot protect it."
        for caution in step.cautions
    )


def test_an_unstated_limit_does_not_hide_one_that_is_passed() -> None:
    """The booster takes 5 dBm; -10 dBm set and 30 dB of gain ahead of it are too much."""
    text = BOOSTED.replace(", largest_input: 20 dBm", "").replace(
        "largest_power: 5 dBm", "largest_power: -60 dBm"
    )
    with pytest.raises(UnsafeError) as refusal:
        worksheet(text)
    assert "could reach booster, which takes -60.0 dBm at most." in str(refusal.value)
    assert "does not state its largest_input" in str(refusal.value)
    assert "Set the level to " in str(refusal.value)


def test_a_bench_that_states_its_limits_keeps_its_hash() -> None:
    """Stored baselines still fit: nothing was added to what is hashed."""
    assert parse_bench(BENCH).hash == parse_bench(BENCH + "\n# a remark\n").hash
    assert (
        parse_bench(BENCH).hash
        != parse_bench(BENCH.replace("largest_input: 20 dBm", "largest_input: unknown")).hash
    )
