"""Recipes on a bench whose route ends in a power meter: what it can do, and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.bench import load_bench, parse_bench
from benchd.errors import BenchFileError, RecipeError, UnsafeError
from benchd.recipe import load_recipe, resolve
from benchd.worksheet import CaptureStep, Worksheet

FILE = Path(__file__).parents[2] / "recipes" / "benches" / "power-meter.yaml"
BENCH = load_bench(FILE)
SWEEP = """\
recipe: one
title: One capture
sweeps:
  main: {method: METHOD, centre: 1.7 GHz, span: 200 MHz, points: 51, level: LEVEL,
    resolution_bandwidth: 10 Hz, MORE}
steps:
  - capture: {name: open, role: open, route: middle, position: open, sweep: main}
"""


def worksheet(more: str, method: str = "stepped", level: str = "0 dBm") -> Worksheet:
    text = SWEEP.replace("METHOD", method).replace("MORE", more).replace("LEVEL", level)
    return resolve(load_recipe(text, file="one.yaml"), BENCH, {})


def captures(found: Worksheet) -> list[CaptureStep]:
    return [step for step in found.steps if isinstance(step, CaptureStep)]


def test_a_stepped_sweep_reads_power_whatever_bandwidth_it_states() -> None:
    """10 Hz with a dwell of 2 ms would be refused of an analyzer."""
    found = worksheet("detector: rms, dwell: 2 ms")
    (step,) = captures(found)
    assert step.sweep.detector == "power"
    assert step.analyzer == "meter"
    assert any("meter reads all power that arrives" in text for text in found.cautions)


def test_zeroing_is_in_the_time_that_is_expected() -> None:
    (step,) = captures(worksheet("detector: rms, dwell: 2 ms"))
    slower = parse_bench(FILE.read_text().replace("zero_time: 1 s", "zero_time: 21 s"))
    text = SWEEP.replace("METHOD", "stepped").replace("LEVEL", "0 dBm")
    recipe = load_recipe(text.replace("MORE", "detector: rms, dwell: 2 ms"), file="one.yaml")
    (other,) = captures(resolve(recipe, slower, {}))
    assert other.expected_s - step.expected_s == pytest.approx(20.0)


@pytest.mark.parametrize(
    ("method", "more", "message"),
    [
        (
            "hold",
            "for: 5 s",
            "found hold, but meter is a power meter, which measures stepped sweeps alone",
        ),
        (
            "tracking",
            "detector: rms",
            "found tracking, but meter is a power meter, which measures stepped sweeps alone",
        ),
        (
            "stepped",
            "detector: log-average, dwell: 2 ms",
            "found log-average, but meter is a power meter, which reads power: write rms",
        ),
        (
            "stepped",
            "detector: rms, dwell: 2 ms, rf: off",
            "found off, but meter is a power meter: it cannot tell at which frequency something",
        ),
    ],
)
def test_what_a_power_meter_cannot_do_is_refused_with_line_and_key(
    method: str, more: str, message: str
) -> None:
    with pytest.raises(RecipeError) as refused:
        worksheet(more, method)
    text = str(refused.value)
    assert message in text
    assert text.startswith("one.yaml:")
    assert "sweeps.main." in text


def test_a_recipe_cannot_ask_for_a_power_meter_by_its_detector() -> None:
    with pytest.raises(RecipeError, match=r"detector: .*power"):
        worksheet("detector: power, dwell: 2 ms")


def test_more_than_the_sensor_bears_is_refused_before_anything_is_switched_on() -> None:
    """The thru of the range leads the source to the sensor with some 2 dB of loss."""
    weak = parse_bench(FILE.read_text().replace("largest_input: 23 dBm", "largest_input: -20 dBm"))
    text = SWEEP.replace("METHOD", "stepped").replace("MORE", "detector: rms, dwell: 2 ms")
    with pytest.raises(UnsafeError, match=r"meter"):
        resolve(load_recipe(text.replace("LEVEL", "10 dBm"), file="one.yaml"), weak, {})
    unstated = parse_bench(FILE.read_text().replace("    largest_input: 23 dBm\n", ""))
    with pytest.raises(UnsafeError, match=r"meter"):
        resolve(load_recipe(text.replace("LEVEL", "-40 dBm"), file="one.yaml"), unstated, {})


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "driver: scpi-power-meter",
            "driver: scpi-analyzer",
            'instruments.meter.driver: "scpi-analyzer" drives instruments of kind analyzer, '
            "expected a driver for kind power-meter",
        ),
        (
            "    noise: -60 dBm                   # of one reading\n",
            "",
            'instruments.meter: the key "noise" is missing: standard deviation of one reading',
        ),
        (
            "noise: -60 dBm",
            "noise: -60 dB",
            "instruments.meter.noise: ",
        ),
        (
            "    linearity: 0.1 dB\n",
            "    linearity: 0.1 dB\n    resolution_bandwidth: [1 Hz, 1 MHz]\n",
            "instruments.meter.resolution_bandwidth: is not a key here",
        ),
    ],
)
def test_a_wrong_entry_is_refused_with_its_line(old: str, new: str, message: str) -> None:
    text = FILE.read_text()
    assert old in text
    with pytest.raises(BenchFileError) as refused:
        parse_bench(text.replace(old, new, 1), file="meter.yaml")
    assert str(refused.value).startswith("meter.yaml:")
    assert message in str(refused.value)
