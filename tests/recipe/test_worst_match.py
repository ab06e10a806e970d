"""`band` of a reflection, and limits on the worst match over it: from the recipe to the limit."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.bench import Bench
from benchd.errors import RecipeError
from benchd.recipe import load_recipe, resolve
from benchd.worksheet import AcceptStep, Limit, Worksheet

RECIPE = """\
recipe: match
title: The worst match
sweeps:
  main: {{start: 1.6 GHz, stop: 1.8 GHz, points: 81, level: -10 dBm, resolution_bandwidth: 10 kHz}}
steps:
  - capture: {{role: test, route: middle, position: antenna, antenna: dipole r3, sweep: main}}
  - reduce: {{kind: reflection, test: test, baseline: {{open: newest}}{band}}}
  - accept: [{{quantity: {quantity}, {limit}}}]
"""


def worksheet(
    folder: Path, bench: Bench, band: str, quantity: str = "worst_return_loss",
    limit: str = "least: 10 dB",
) -> Worksheet:  # fmt: skip
    file = folder / "match.yaml"
    file.write_text(RECIPE.format(band=band, quantity=quantity, limit=limit), "utf-8")
    return resolve(load_recipe(file), bench, {})


def test_limits_on_the_worst_match_have_units_of_their_own(tmp_path: Path, bench: Bench) -> None:
    band = ", band: [1.65 GHz, 1.72 GHz]"
    steps = worksheet(tmp_path, bench, band).steps
    accept = next(step for step in steps if isinstance(step, AcceptStep))
    assert accept.limits == (Limit(quantity="worst_return_loss", least=10.0),)
    steps = worksheet(tmp_path, bench, band, "worst_vswr", "most: 2").steps
    accept = next(step for step in steps if isinstance(step, AcceptStep))
    assert accept.limits == (Limit(quantity="worst_vswr", most=2.0),)


def test_without_a_band_there_is_no_worst_to_hold_against(tmp_path: Path, bench: Bench) -> None:
    """Refused before anything is measured, not `absent` in the morning."""
    with pytest.raises(RecipeError, match='no earlier reduction gives the quantity "worst_ret'):
        worksheet(tmp_path, bench, "")
    with pytest.raises(RecipeError, match='gives the quantity "vswr_bandwidth"'):
        worksheet(tmp_path, bench, "", "vswr_bandwidth", "least: 10 MHz")


def test_a_band_outside_the_sweep_is_refused_at_its_end(tmp_path: Path, bench: Bench) -> None:
    with pytest.raises(RecipeError, match=r"band.*1\.9 GHz lies outside the sweep"):
        worksheet(tmp_path, bench, ", band: [1.65 GHz, 1.9 GHz]")
