"""Sweeps that refine to an aim: keys, what they are refused for, what the worksheet says."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.bench import load_bench
from benchd.errors import RecipeError
from benchd.recipe import load_recipe, render_worksheet, resolve
from benchd.sweeps import Refine, RefineTo
from benchd.worksheet import CaptureStep, Worksheet

BENCH = Path(__file__).parents[2] / "recipes" / "benches" / "by-hand.yaml"
TEXT = """
recipe: fewer
title: Fewer
sweeps:
  whole: {method: stepped, start: 1.6 GHz, stop: 1.8 GHz, points: 201, level: -10 dBm,
    resolution_bandwidth: 10 kHz, dwell: 2 ms}
  main: {method: stepped, start: 1.6 GHz, stop: 1.8 GHz, points: 201, level: -10 dBm,
    resolution_bandwidth: 10 kHz, dwell: 2 ms, refine: {to: 300 kHz}}
steps:
  - capture: {name: open, role: open, route: middle, sweep: whole}
  - capture: {name: short, role: short, route: middle, sweep: whole}
  - capture: {name: antenna, role: test, route: middle, antenna: dipole r3, sweep: main}
  - reduce: {kind: reflection, test: antenna, baseline: {open: open, short: short}}
"""


def worksheet(old: str = "", new: str = "", more: str = "") -> Worksheet:
    text = (TEXT.replace(old, new) if old else TEXT) + more
    return resolve(load_recipe(text, file="r.yaml"), load_bench(BENCH), {})


def antenna(sheet: Worksheet) -> CaptureStep:
    step = sheet.steps[2]
    assert isinstance(step, CaptureStep)
    return step


def test_what_is_left_out_is_filled_in_eight_steps_and_a_quarter_of_the_points() -> None:
    assert antenna(worksheet()).sweep.refine == RefineTo(
        to_hz=300e3, reach_hz=8e6, at_most_points=51, at_most_s=None
    )


def test_every_key_reaches_the_plan() -> None:
    step = antenna(
        worksheet(
            "{to: 300 kHz}",
            "{to: 300 kHz, reach: 10 MHz, at_most_points: 70, at_most_time: 1.2 s}",
        )
    )
    assert step.sweep.refine == RefineTo(
        to_hz=300e3, reach_hz=10e6, at_most_points=70, at_most_s=1.2
    )


def test_the_older_form_reads_as_it_did() -> None:
    step = antenna(worksheet("{to: 300 kHz}", "{around: resonance, span: 40 MHz, points: 41}"))
    assert step.sweep.refine == Refine(around="resonance", span_hz=40e6, points=41)


def test_the_worksheet_says_what_is_read_how_wide_a_dip_is_seen_and_how_long_it_takes() -> None:
    words = " ".join(render_worksheet(worksheet()).split())
    assert (
        "1.6 GHz to 1.8 GHz, 201 points, of which at most 51 are read: every 8 MHz at first (no "
        "second dip that wide is overlooked), then where resonance and edges need it, to 300 kHz"
    ) in words
    timed = " ".join(
        render_worksheet(worksheet("{to: 300 kHz}", "{to: 300 kHz, at_most_time: 20 s}")).split()
    )
    assert "of which at most 51 and 20 s are read" in timed
    whole, fewer = (worksheet().steps[number].expected_s for number in (0, 2))
    assert fewer < 0.3 * whole
    # However short the bound, the 26 first readings of 201 are taken.
    shortest = antenna(worksheet("{to: 300 kHz}", "{to: 300 kHz, at_most_time: 1 ms}")).expected_s
    assert 26 / 201 * whole < shortest < 0.6 * fewer


REFUSED = [
    (
        "both forms",
        "{to: 300 kHz}",
        "{to: 300 kHz, around: resonance}",
        r'r.yaml:8:\d+: sweeps.main.refine.to: "to" reads fewer points and "around" more: write '
        "one of both forms",
    ),
    (
        "neither form",
        "{to: 300 kHz}",
        "{}",
        'expected "to", the half-width that is wanted, or "around", "span" and "points"',
    ),
    (
        "bounds alone",
        "{to: 300 kHz}",
        "{at_most_points: 60}",
        'expected "to", the half-width that is wanted',
    ),
    (
        "half of the older form",
        "{to: 300 kHz}",
        "{around: resonance, span: 40 MHz}",
        'a finer grid needs the key "points", too',
    ),
    ("nothing at all", "{to: 300 kHz}", "{to: 0 Hz}", "found 0 Hz, expected more than 0 Hz"),
    (
        "no time",
        "{to: 300 kHz}",
        "{to: 300 kHz, at_most_time: 0 s}",
        r"sweeps.main.refine.at_most_time: found 0 s, expected more than 0 s",
    ),
    (
        "too few points",
        "{to: 300 kHz}",
        "{to: 300 kHz, at_most_points: 30}",
        r"sweeps.main.refine.at_most_points: found 30, but a reach of 8 MHz takes 26 points and at "
        "least 8 more must be left to choose: write 34 or more, or more reach",
    ),
    (
        "a reach below the grid",
        "{to: 300 kHz}",
        "{to: 300 kHz, reach: 200 kHz}",
        r"sweeps.main.refine.reach: found 200 kHz, less than the 1 MHz from point to point",
    ),
    (
        "a reach as wide as the sweep",
        "{to: 300 kHz}",
        "{to: 300 kHz, reach: 150 MHz}",
        "a reach of 150 MHz leaves 3 first points, and at least 5 are needed to see a curve",
    ),
    (
        "a baseline",
        "{name: short, role: short, route: middle, sweep: whole}",
        "{name: short, role: short, route: middle, sweep: main}",
        r'steps\[2\].capture.sweep: the sweep "main" refines to resonance and band edges, which '
        "only the reflection of an antenna has, and a capture of role short is compared with "
        "others point by point: give it a sweep without `refine`",
    ),
    (
        "a transmission",
        "{name: antenna, role: test, route: middle,",
        "{name: antenna, role: test, route: range,",
        r'steps\[3\].capture.sweep: .* and the route "range" is a transmission',
    ),
    (
        "the worst over a band",
        "test: antenna, baseline",
        "test: antenna, band: [1.69 GHz, 1.71 GHz], baseline",
        r"steps\[4\].reduce.band: the worst of a band needs every point of it",
    ),
    (
        "more values than points",
        "test: antenna, baseline",
        "test: antenna, at: [1.61 GHz, 1.63 GHz, 1.65 GHz, 1.67 GHz, 1.69 GHz, 1.71 GHz, "
        "1.73 GHz, 1.75 GHz, 1.77 GHz], baseline",
        r"steps\[4\].reduce.at: 9 frequencies besides the 26 that are read first leave the sweep "
        "none of its 51 points to choose: ask for fewer, or write at_most_points: 52 or more",
    ),
    (
        "interpolation",
        "test: antenna, baseline",
        "test: antenna, interpolate: yes, baseline",
        r"steps\[4\].reduce.interpolate: the sweep of \"antenna\" refines",
    ),
    (
        "a baseline of another grid",
        "whole: {method: stepped, start: 1.6 GHz, stop: 1.8 GHz, points: 201",
        "whole: {method: stepped, start: 1.6 GHz, stop: 1.8 GHz, points: 101",
        r'"open" does not fit "antenna": points 201 against 101',
    ),
    (
        "a reduction of another kind",
        "{kind: reflection, test: antenna, baseline: {open: open, short: short}}",
        "{kind: drift, watched: [open, antenna], needed_age: 1 h}",
        r'the sweep of "antenna" refines for its own resonance and band edges, and drift compares '
        "captures point by point: leave `refine` out of it",
    ),
    (
        "no reduction",
        "  - reduce: {kind: reflection, test: antenna, baseline: {open: open, short: short}}\n",
        "",
        r"steps\[3\].capture.sweep: the sweep of \"antenna\" refines for the resonance and band "
        "edges of a reflection, and no later step reduces one from it",
    ),
]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [pytest.param(*case[1:], id=case[0]) for case in REFUSED],
)
def test_what_makes_no_sense_is_refused_at_its_place(old: str, new: str, message: str) -> None:
    assert old in TEXT
    with pytest.raises(RecipeError, match=message):
        worksheet(old, new)


@pytest.mark.parametrize("method", ["tracking", "hold, for: 5 s", "vector"])
def test_only_a_stepped_sweep_refines(method: str) -> None:
    main = "main: {method: stepped"
    with pytest.raises(RecipeError, match="only a stepped sweep can refine its grid"):
        worksheet(main, f"main: {{method: {method}")


def test_with_rf_off_there_is_nothing_to_refine_around() -> None:
    with pytest.raises(RecipeError, match="a sweep with RF off sees nothing to refine around"):
        worksheet("refine: {to: 300 kHz}", "rf: off, refine: {to: 300 kHz}")


def test_a_baseline_taken_after_the_antenna_is_refused() -> None:
    first = "  - capture: {name: short, role: short, route: middle, sweep: whole}\n"
    reduce = "  - reduce:"
    text = TEXT.replace(first, "").replace(reduce, first + reduce)
    with pytest.raises(
        RecipeError, match='"short" comes after "antenna", whose sweep refines and needs the base'
    ):
        resolve(load_recipe(text, file="r.yaml"), load_bench(BENCH), {})
