"""A worksheet on paper."""

from __future__ import annotations

import pytest

from benchd.bench import Bench
from benchd.recipe import load_recipe, render_worksheet, resolve
from benchd.recipe.render import whole_duration

TEXT = """\
recipe: look
title: One look at the port
parameters:
  level: {kind: level, default: -10 dBm}
sweeps:
  main: {start: 1.6 GHz, stop: 1.8 GHz, points: 81, level: $level, resolution_bandwidth: 10 kHz}
steps:
  - hands: {ask: Fit the antenna., caution: Mind the edge.}
  - capture: {role: test, route: middle, position: antenna, antenna: dipole r3, sweep: main}
  - reduce: {kind: reflection, test: test, baseline: {open: newest}}
  - accept: {quantity: vswr, at: 1.7 GHz, most: 2}
"""

# Levels by hand: -10 dBm set, 1 dB too strong at worst; lead 0.571 dB at 1.6 GHz, coupler 0.3,
# switch 0.2 out and 0.2 back, coupling 20 dB.
PRINTED = """\
One look at the port
recipe look ({recipe}) on bench small ({bench})
expected time 0.5 s, and 1 x your hands; if interrupted: resume

Parameters
  level  -10 dBm

Steps
  1. hands: Fit the antenna.
       Fit the antenna.
       waits 30 min for you, then lets waiting jobs run and asks again
       ! Mind the edge.
  2. capture test on middle/antenna                                                       0.5 s
       stepped, 1.6 GHz to 1.8 GHz, 81 points, -10 dBm, RBW 10 kHz, rms, dwell 2 ms
       selector: close 204
       lead                         -9.0 dBm of   37.0 dBm, margin   46.0 dB
       coupler.through              -9.6 dBm of   10.0 dBm, margin   19.6 dB
       selector.port                -9.9 dBm of   30.0 dBm, margin   39.9 dB
       selector.port, returning    -10.1 dBm of   30.0 dBm, margin   40.1 dB
       coupler.coupled             -10.3 dBm of   10.0 dBm, margin   20.3 dB
       analyzer                    -30.3 dBm of   20.0 dBm, margin   50.3 dB
       ! Up to -10.1 dBm (0.0984 mW) reaches middle from 1.6 GHz to 1.8 GHz.
  3. reduce reflection
       reflection from test: test, open: newest
  4. accept vswr
       vswr at most 2 at 1.7 GHz
"""


def test_a_worksheet_prints_every_step_with_levels_and_cautions(bench: Bench) -> None:
    """Compared whole, the cautions of the job apart."""
    worksheet = resolve(load_recipe(TEXT), bench, {})
    text = render_worksheet(worksheet)
    head, rest = text.split("\nCautions\n")
    cautions, steps = rest.split("\nSteps\n")
    expected = PRINTED.format(recipe=worksheet.recipe_hash[:12], bench=worksheet.bench_hash[:12])
    assert f"{head}\nSteps\n{steps}" == expected
    assert cautions.count("  ! ") == len(worksheet.cautions) == 6


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.84, "0.8 s"),
        (12.4, "12 s"),
        (60.0, "1 min"),
        (125.0, "2 min 05 s"),
        (3599.9, "1 h"),
        (12_000.0, "3 h 20 min"),
        (36_300.0, "10 h 05 min"),
    ],
)
def test_times_read_as_people_say_them(seconds: float, words: str) -> None:
    """As everywhere (`benchd.rounding`), but for the zeros of a time that somebody chose."""
    assert whole_duration(seconds) == words


@pytest.mark.parametrize(
    ("keys", "line"),
    [
        ("patience: 90 s, then: give-up", "waits 1 min 30 s for you, then gives up"),
        (
            "patience: 2 h, then: skip",
            "waits 2 h for you, then leaves out what follows, up to the next request",
        ),
    ],
)
def test_a_worksheet_says_how_long_a_request_waits_and_what_then(
    bench: Bench, keys: str, line: str
) -> None:
    recipe = load_recipe(TEXT.replace("ask: Fit the antenna.,", f"ask: Fit it., {keys},"))
    assert f"\n       {line}\n" in render_worksheet(resolve(recipe, bench, {}))
