"""Lengths that follow from a frequency: parameters in wavelengths, and shares of a length."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchd.bench import Bench, load_bench
from benchd.errors import RecipeError
from benchd.recipe import load_recipe, resolve
from benchd.reductions.gain_settings import Gain
from benchd.worksheet import HandsStep, ReduceStep, Worksheet
from tests.usual import usual

RECIPES = Path(__file__).parents[2] / "recipes"
LIGHT_M_PER_S = 299_792_458.0
SHORT = """\
recipe: places
title: Places a share of a wavelength apart
parameters:
  at: {kind: frequency, default: 1.7 GHz}
  edge: {kind: length, wavelengths: 0.5, of: at}
  level: {kind: level, default: -10 dBm}
on_interrupt: restart
sweeps: {}
steps:
  - hands: {ask: "Move it by $edge, then by ${edge * -0.25}; two dollars are $$."}
"""


def bench(name: str = "by-hand") -> Bench:
    """A shipped bench whose reference is known over all frequencies that are asked for here."""
    found = load_bench(RECIPES / "benches" / f"{name}.yaml")
    table = type(found.antennas["reference dipole"].reference.gain_dbi)  # type: ignore[union-attr]
    antennas = {
        key: one.model_copy(
            update={
                "reference": one.reference
                and one.reference.model_copy(
                    update={"gain_dbi": table(frequency_hz=(0.5e9, 5e9), values=(2.1, 2.1))}
                )
            }
        )
        for key, one in found.antennas.items()
    }
    return found.model_copy(update={"antennas": antennas})


def asked(sheet: Worksheet) -> str:
    """What the first request says."""
    return next(step.ask for step in sheet.steps if isinstance(step, HandsStep))


def marks_mm(ask: str) -> list[tuple[float, ...]]:
    rows = re.findall(r"\d: (-?[\d.]+) mm / (-?[\d.]+) mm / (-?[\d.]+) mm\.", ask)
    return [tuple(float(one) for one in row) for row in rows]


@pytest.mark.parametrize("at_ghz", [0.85, 1.7, 2.4])
@pytest.mark.parametrize("name", ["gain-over-positions", "gain-over-positions-by-switch"])
def test_marks_and_travel_grow_with_the_wavelength(name: str, at_ghz: float) -> None:
    """Two thirds of a wavelength: 120 mm at 1.7 GHz, where the marks are whole millimetres."""
    arguments = {
        "at": f"{at_ghz} GHz", "start": f"{0.95 * at_ghz} GHz", "stop": f"{1.05 * at_ghz} GHz",
    }  # fmt: skip
    if name == "gain-over-positions":
        found, arguments = bench(), arguments | {"position": "none"}
    else:
        found = bench("workshop")
    sheet = resolve(load_recipe(RECIPES / f"{name}.yaml"), found, usual(name, arguments))
    (reduction,) = [step for step in sheet.steps if isinstance(step, ReduceStep)]
    edge_m = 0.68 * LIGHT_M_PER_S / (at_ghz * 1e9)
    assert isinstance(reduction.settings, Gain)
    assert reduction.settings.travel_m == pytest.approx(edge_m, abs=0.0006)
    marks = marks_mm(asked(sheet))
    assert len(marks) == 8
    for axis in range(3):
        values = [mark[axis] for mark in marks]
        assert len(set(values)) == 8, "no two at the same height, distance or side"
        assert max(values) - min(values) == pytest.approx(1e3 * edge_m, abs=0.7)
    if at_ghz == 1.7:
        assert marks[3] == (10.0, 25.0, 60.0)


def test_a_length_in_wavelengths_can_be_given_otherwise() -> None:
    recipe = load_recipe(SHORT)
    plain = resolve(recipe, bench(), {})
    assert asked(plain) == "Move it by 88 mm, then by -22 mm; two dollars are $."
    assert plain.parameters == {"at": "1.7 GHz", "edge": "88 mm", "level": "-10 dBm"}
    assert asked(resolve(recipe, bench(), {"at": "850 MHz"})).startswith("Move it by 176 mm")
    assert asked(resolve(recipe, bench(), {"edge": "40 mm"})).startswith(
        "Move it by 40 mm, then by -10 mm"
    )


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            "of: at}",
            "of: att}",
            'parameters.edge.of: there is no parameter of kind frequency "att"',
        ),
        ("of: at}", "of: level}", 'no parameter of kind frequency "level"'),
        (", of: at}", "}", '"wavelengths" and "of" belong together'),
        ("0.5, of: at}", "0.5, of: at, default: 1 m}", 'stands beside "wavelengths"'),
        ("kind: length, wave", "kind: time, wave", "belongs to the kind length, not to time"),
        ("${edge * -0.25}", "${edge * half}", 'expected a name times a number: "${edge * 0.5}"'),
        ("${edge * -0.25}", "${edg * 2}", 'there is no parameter or loop variable "$edg"'),
        ("${edge * -0.25}", "${level * 2}", '"level" is a level: only a length, time or frequency'),
    ],
)
def test_what_has_no_meaning_is_refused_with_its_place(old: str, new: str, words: str) -> None:
    assert SHORT.count(old) == 1
    with pytest.raises(RecipeError) as refusal:
        resolve(load_recipe(SHORT.replace(old, new)), bench(), {})
    assert words in str(refusal.value)
    assert re.search(r":\d+:\d+: ", str(refusal.value))
