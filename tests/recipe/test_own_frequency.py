"""Shipped recipes follow the antenna: its design frequency and type, wherever the bench works.

The bench here plays at 868 MHz and has none of the names of the shipped ones.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchd.bench import Bench, load_bench
from benchd.bench.antennas import Antenna
from benchd.errors import RecipeError
from benchd.recipe import load_recipe, resolve
from benchd.worksheet import AcceptStep, CaptureStep, ReduceStep, Worksheet

SHIPPED = Path(__file__).parents[2] / "recipes"
NAMES = sorted(path.stem for path in SHIPPED.glob("*.yaml"))
DESIGN_HZ = 868e6
BENCHES = {
    **dict.fromkeys(("open-short-baseline-by-hand", "return-loss-by-hand"), "by-hand"),
    **dict.fromkeys(
        ("coupler", "drift", "grounding", "leakage", "reflectivity", "repeatability", "stillness"),
        "good-box",
    ),
}
"""Recipes that the switched bench is not for."""
GIVEN: dict[str, dict[str, str]] = {
    "gain-three-antennas": {"third": "quarter wave"},
    "compare-revisions": {"first": "quarter wave", "second": "house standard"},
}


def antenna(design: str = "868 MHz", **more: Any) -> Antenna:
    return Antenna.model_validate(
        {"design_frequency": design, "largest_dimension": "165 mm", **more}
    )


def known(design: str = "868 MHz") -> Antenna:
    return antenna(
        design, reference={"gain": "2.1 dBi", "gain_is": "gain", "uncertainty": "0.3 dB"}
    )


def own_bench(name: str = "workshop", **antennas: Antenna) -> Bench:
    """A shipped bench with antennas of one's own, at one's own frequency."""
    found = load_bench(SHIPPED / "benches" / f"{name}.yaml")
    routes = {
        key: route.model_copy(
            update={"range_antenna": "fixed one" if route.range_antenna else None}
        )
        for key, route in found.routes.items()
    }
    everything = {
        "fixed one": known(),
        "house standard": known(),
        "quarter wave": antenna(),
        **antennas,
    }
    assert found.box is not None
    assert found.box.range_length_m is not None
    # Half the frequency, twice the range: reflectivity moves its antenna by parts of a wavelength.
    length = {"range_length_m": 2 * found.box.range_length_m}
    box = found.box.model_copy(update={"gain_spread_of": None, "path_spread_of": None, **length})
    return found.model_copy(update={"antennas": everything, "routes": routes, "box": box})


def sheet(recipe: str, bench: Bench, **given: str) -> Worksheet:
    return resolve(load_recipe(SHIPPED / f"{recipe}.yaml"), bench, given)


def usual(recipe: str) -> dict[str, str]:
    parameters = load_recipe(SHIPPED / f"{recipe}.yaml").parameters
    asked = "antenna" in parameters and parameters["antenna"].choose is None
    return GIVEN.get(recipe, {"antenna": "quarter wave"} if asked else {})


def sweeps(worksheet: Worksheet) -> set[tuple[float, float]]:
    return {
        (step.sweep.start_hz, step.sweep.stop_hz)
        for step in worksheet.steps
        if isinstance(step, CaptureStep)
    }


@pytest.mark.parametrize("recipe", NAMES)
def test_every_shipped_recipe_runs_at_868_mhz_as_it_is(recipe: str) -> None:
    found = sheet(recipe, own_bench(BENCHES.get(recipe, "workshop")), **usual(recipe))
    for low_hz, high_hz in sweeps(found):
        assert low_hz < DESIGN_HZ < high_hz
    for step in found.steps:
        if isinstance(step, AcceptStep):
            assert {limit.at_hz for limit in step.limits} <= {None, DESIGN_HZ}
        if isinstance(step, ReduceStep):
            reported = step.settings.reported_hz or (DESIGN_HZ,)
            assert DESIGN_HZ in reported or recipe == "reflectivity"
            assert all(0.5 < at_hz / DESIGN_HZ < 1.5 for at_hz in reported)
            assert getattr(step.settings, "design_frequency_hz", DESIGN_HZ) == DESIGN_HZ


@pytest.mark.parametrize("recipe", NAMES)
def test_no_shipped_recipe_names_an_antenna_or_a_frequency_of_its_own(recipe: str) -> None:
    parameters = load_recipe(SHIPPED / f"{recipe}.yaml").parameters
    wired = {
        name: one.default
        for name, one in parameters.items()
        if one.kind in ("antenna", "frequency") and one.default is not None
    }
    assert wired == {}


@pytest.mark.parametrize(
    ("kind", "span_mhz"),
    [(None, 255.0), ("dipole", 255.0), ("yagi", 174.0), ("patch", 104.0), ("helix", 347.0)],
)
def test_the_sweep_is_as_wide_as_such_an_antenna_needs(kind: str | None, span_mhz: float) -> None:
    more = {} if kind is None else {"type": kind}
    bench = own_bench(mine=antenna(**more))
    ((low_hz, high_hz),) = sweeps(sheet("return-loss", bench, antenna="mine"))
    assert (high_hz - low_hz) / 1e6 == pytest.approx(span_mhz)
    assert (high_hz + low_hz) / 2 == pytest.approx(DESIGN_HZ)


def test_the_baseline_of_an_antenna_fits_its_return_loss() -> None:
    bench = own_bench(mine=antenna("950 MHz", type="patch"))
    assert sweeps(sheet("open-short-baseline", bench, antenna="mine")) == sweeps(
        sheet("return-loss", bench, antenna="mine")
    )


@pytest.mark.parametrize(
    "recipe",
    sorted({*NAMES} - {"drift", "coupler", "open-short-baseline", "open-short-baseline-by-hand"}),
)
def test_an_antenna_is_asked_for_and_those_that_there_are_are_named(recipe: str) -> None:
    bench = own_bench(other=known())
    with pytest.raises(RecipeError) as refusal:
        sheet(recipe, bench)
    text = str(refusal.value)
    assert "has no default and must be given: an antenna" in text
    assert "one of: fixed one, house standard, quarter wave, other" in text


@pytest.mark.parametrize("recipe", ["drift", "coupler", "open-short-baseline"])
def test_where_antennas_differ_the_one_is_asked_for_that_is_to_be_measured(recipe: str) -> None:
    shipped = BENCHES.get(recipe, "workshop")
    bench = own_bench(shipped, mine=antenna("950 MHz"))
    with pytest.raises(RecipeError, match=r'parameter "antenna".*must be given'):
        sheet(recipe, bench)
    ends = {
        "open-short-baseline": {"centre": "950 MHz", "span": "90 MHz"},
        "drift": {"start": "900 MHz", "stop": "1 GHz"},
        "coupler": {"start": "900 MHz", "stop": "1 GHz", "at": "950 MHz"},
    }[recipe]
    # With all that would follow from it given, none is needed.
    assert sheet(recipe, bench, **ends).parameters["antenna"] == "none: not needed"
    assert sheet(recipe, own_bench(shipped)).parameters["antenna"] == "any: all are alike"


def test_the_only_antenna_of_known_gain_is_the_reference_and_the_fixed_one_is_the_routes() -> None:
    found = sheet("gain-pair-by-switch", own_bench(), antenna="quarter wave")
    assert found.parameters["reference"] == "house standard"
    found = sheet("gain-by-known-range-antenna", own_bench(), antenna="quarter wave")
    assert found.parameters["range_antenna"] == "fixed one"


def test_a_wrong_antenna_is_one_problem_and_no_more() -> None:
    with pytest.raises(RecipeError) as refusal:
        sheet("return-loss", own_bench(), antenna="quarter wavve")
    assert len(refusal.value.problems) == 1
    assert 'has no antenna "quarter wavve", did you mean "quarter wave"?' in str(refusal.value)


HEAD = """\
recipe: own
title: Own
parameters:
  antenna: {{kind: antenna}}
  at: {{kind: frequency, of: antenna}}
  edge: {{kind: length, wavelengths: 0.5, of: at}}
  {line}
steps:
  - hands: {{ask: "$at $edge"}}
"""


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("x: {kind: frequency, times: span, of: at}", "span is that of an antenna"),
        ("x: {kind: frequency, times: 2}", '"times" and "of" belong together'),
        ("x: {kind: frequency, times: two, of: at}", "expected a number"),
        ("x: {kind: length, of: at}", '"wavelengths" and "of" belong together'),
        ("x: {kind: time, of: at}", '"periods" and "of" belong together'),
        ("x: {kind: length, periods: 2, of: at}", "belongs to the kind time, not to length"),
        ("x: {kind: level, of: at}", "a default of kind level follows from no other parameter"),
        ("x: {kind: frequency, of: at, default: 1 GHz}", 'stands beside "of"'),
        ("x: {kind: frequency, of: nowhere}", 'no parameter of kind frequency "nowhere"'),
        ("x: {kind: antenna, choose: best}", '"best" is not known'),
        ("x: {kind: antenna, choose: range, default: a}", 'stands beside "choose"'),
        ("x: {kind: level, choose: range}", "belongs to the kind antenna, not to level"),
        ("x: {kind: frequency, of: y}\n  y: {kind: frequency, of: x}", "follows from"),
    ],
)
def test_a_default_that_follows_from_nothing_is_refused(line: str, words: str) -> None:
    with pytest.raises(RecipeError) as refusal:
        load_recipe(HEAD.format(line=line), file="own.yaml")
    assert words in str(refusal.value)


def test_lengths_and_times_follow_from_a_frequency_that_follows_from_the_antenna() -> None:
    line = "x: {kind: time, periods: 0.125, of: at}"
    recipe = load_recipe(HEAD.format(line=line), file="own.yaml")
    found = resolve(recipe, own_bench(), {"antenna": "quarter wave"}).parameters
    assert found == {"antenna": "quarter wave", "at": "868 MHz", "edge": "173 mm", "x": "0.144 ns"}
