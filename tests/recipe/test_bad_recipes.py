"""Recipes whose values, parameters, steps or loops are wrong, each with its whole message.

A case is the good recipe of conftest.py with one text replaced by another (or a whole other
file, where there is nothing to replace). A bad recipe gives its message and no worksheet, so
that nothing can be run from it.
"""

from __future__ import annotations

import pytest

from benchd.bench import Bench
from benchd.errors import RecipeError
from benchd.recipe import load_recipe, resolve

CASES: list[tuple[str, str | None, str, str]] = [
    (
        "bare number for a quantity",
        "span: 200 MHz",
        "span: 200",
        (
            "both.yaml:12:11: sweeps.main.span: found the bare number 200, expected a "
            'frequency with its unit, such as "1.7 GHz"'
        ),
    ),
    (
        "wrong unit",
        "span: 200 MHz",
        "span: 200 MHZ",
        (
            'both.yaml:12:11: sweeps.main.span: "MHZ" is not a unit of frequency, did you '
            'mean "MHz"? Allowed: Hz, kHz, MHz, GHz, mHz, uHz, µHz, nHz'
        ),
    ),
    (
        "unit of another kind",
        "dwell: 2 ms",
        "dwell: 2 m",
        (
            'both.yaml:17:12: sweeps.main.dwell: "m" is not a unit of time, did you mean '
            '"ms"? Allowed: s, ks, Ms, Gs, ms, us, µs, ns, min, h, d'
        ),
    ),
    (
        "text for a whole number",
        "points: $points",
        "points: many",
        (
            'both.yaml:13:13: sweeps.main.points: found "many", expected a whole number '
            "without a unit"
        ),
    ),
    (
        "points out of range",
        "points: $points",
        "points: 1",
        "both.yaml:13:13: sweeps.main.points: found 1, expected 2 to 100001",
    ),
    (
        "fraction for a whole number",
        "points: $points",
        "points: 80.5",
        ("both.yaml:13:13: sweeps.main.points: found 80.5, expected a whole number without a unit"),
    ),
    (
        "nothing where a value belongs",
        "level: -10 dBm",
        "level:",
        (
            "both.yaml:14:5: sweeps.main.level: found nothing, expected a level with its "
            'unit, such as "-10 dBm"'
        ),
    ),
    (
        "unknown detector",
        "detector: $shape",
        "detector: mean",
        (
            'both.yaml:16:15: sweeps.main.detector: "mean" is not known, known are: log-'
            "average, peak, rms, sample"
        ),
    ),
    (
        "neither ends nor middle",
        "    span: 200 MHz\n",
        "",
        "both.yaml:11:5: sweeps.main: a sweep needs either start and stop, or centre and span",
    ),
    (
        "ends and middle both",
        "    span: 200 MHz",
        "    span: 200 MHz\n    start: 1 GHz",
        "both.yaml:11:5: sweeps.main: a sweep needs either start and stop, or centre and span",
    ),
    (
        "span wider than twice the centre",
        "span: 200 MHz",
        "span: 4 GHz",
        ("both.yaml:12:5: sweeps.main.span: the span of 4 GHz reaches below zero around 1.7 GHz"),
    ),
    (
        "hold without its time",
        "    centre: $centre",
        "    method: hold\n    centre: $centre",
        'both.yaml:11:5: sweeps.main: a hold sweep needs the key "for": how long it collects',
    ),
    (
        "time of a hold on a stepped sweep",
        "dwell: 2 ms",
        "dwell: 2 ms\n    for: 20 s",
        'both.yaml:18:5: sweeps.main.for: "for" belongs to a hold sweep, not to stepped',
    ),
    (
        "unknown reference",
        "position: antenna, antenna: $antenna",
        "position: antenna, antenna: $antena",
        (
            "both.yaml:25:82: steps[4].capture.antenna: there is no parameter or loop "
            'variable "$antena", did you mean "antenna"? Known: antenna, centre, points, '
            "shape"
        ),
    ),
    (
        "reference of another kind",
        "dwell: 2 ms",
        "dwell: $centre",
        "both.yaml:17:12: sweeps.main.dwell: $centre is a frequency, expected a time",
    ),
    (
        "unknown reference in text",
        "Fit the $antenna",
        "Fit the $mast",
        (
            "both.yaml:23:18: steps[2].hands.ask: there is no parameter or loop variable "
            '"$mast", known are: antenna, centre, points, shape'
        ),
    ),
    (
        "default of another kind",
        "default: 1.7 GHz, least",
        "default: 1.7 s, least",
        (
            'both.yaml:5:29: parameters.centre.default: "s" is not a unit of frequency, '
            "Allowed: Hz, kHz, MHz, GHz, mHz, uHz, µHz, nHz"
        ),
    ),
    (
        "default below its least",
        "default: 1.7 GHz, least",
        "default: 300 MHz, least",
        "both.yaml:5:29: parameters.centre.default: found 300 MHz, expected 400 MHz or more",
    ),
    (
        "choice without choices",
        "{kind: choice, choices: [rms, peak], default: rms}",
        "{kind: choice, default: rms}",
        (
            'both.yaml:7:10: parameters.shape: a choice needs the key "choices" with the '
            "words allowed"
        ),
    ),
    (
        "default that is no choice",
        "default: rms}",
        "default: average}",
        ('both.yaml:7:47: parameters.shape.default: "average" is not known, known are: peak, rms'),
    ),
    (
        "unknown kind of parameter",
        "{kind: integer,",
        "{kind: int,",
        (
            'both.yaml:6:18: parameters.points.kind: "int" is not known, did you mean '
            '"integer"? Known: antenna, choice, frequency, gain, integer, length, level, '
            "number, position, ratio, route, text, time, yes-no"
        ),
    ),
    (
        "limits of a name",
        "{kind: antenna, default: yagi r2}",
        "{kind: antenna, default: yagi r2, least: 1}",
        'both.yaml:4:46: parameters.antenna.least: the kind antenna has no "least"',
    ),
    (
        "unknown step",
        "  - wait: {for: 10 s}",
        "  - pause: {for: 10 s}",
        (
            "both.yaml:24:5: steps[3].pause: is not a key here, known are: accept, capture, "
            "hands, reduce, repeat, route, wait"
        ),
    ),
    (
        "two kinds in one step",
        "  - wait: {for: 10 s}",
        "  - wait: {for: 10 s}\n    hands: {ask: Look.}",
        (
            "both.yaml:24:5: steps[3]: expected exactly one of capture, route, hands, wait, "
            "repeat, reduce, accept in a step, found hands, wait"
        ),
    ),
    (
        "step that is text",
        "  - wait: {for: 10 s}",
        "  - wait 10 s",
        'both.yaml:24:5: steps[3]: found "wait 10 s", expected a mapping of keys to values',
    ),
    (
        "negative wait",
        "wait: {for: 10 s}",
        "wait: {for: -1 s}",
        "both.yaml:24:17: steps[3].wait.for: found -1 s, expected 0 s or more",
    ),
    (
        "unknown role",
        "role: test, route: middle",
        "role: tset, route: middle",
        (
            'both.yaml:25:33: steps[4].capture.role: "tset" is not known, did you mean '
            '"test"? Known: empty, load, open, reference, short, test, thru'
        ),
    ),
    (
        "unknown sweep",
        "antenna: reference dipole, sweep: main",
        "antenna: reference dipole, sweep: fine",
        'both.yaml:28:41: steps[5].capture.sweep: there is no sweep "fine", known are: main',
    ),
    (
        "repeat over nothing",
        "over: {standard: [open, short]}",
        "over: {standard: []}",
        (
            "both.yaml:20:14: steps[1].repeat.over.standard: found an empty list, expected at"
            " least one value"
        ),
    ),
    (
        "repeat over two variables",
        "over: {standard: [open, short]}",
        "over: {standard: [open], way: [a]}",
        (
            "both.yaml:20:7: steps[1].repeat.over: expected one variable; put one repeat "
            "inside another"
        ),
    ),
    (
        "repeat without a list",
        "over: {standard: [open, short]}",
        "over: {standard: open}",
        'both.yaml:20:24: steps[1].repeat.over.standard: found "open", expected a list',
    ),
    (
        "repeat over and times",
        "over: {standard: [open, short]}",
        "over: {standard: [open]}\n      times: 3",
        'both.yaml:20:7: steps[1].repeat: a repeat needs either "over" or "times"',
    ),
    (
        "loop variable with a parameter's name",
        "over: {standard: [open, short]}",
        "over: {centre: [open, short]}",
        (
            'both.yaml:20:14: steps[1].repeat.over.centre: the name "centre" is taken '
            "already; choose another"
        ),
    ),
    (
        "too many steps",
        "  - wait: {for: 10 s}",
        "  - repeat: {times: 9999, steps: [{wait: {for: 1 s}}]}",
        "both.yaml:19:3: steps: unrolls into more than 10000 steps",
    ),
    (
        "unknown reduction",
        "{kind: gain, test: far",
        "{kind: gian, test: far",
        (
            'both.yaml:33:20: steps[8].reduce.kind: the kind "gian" is not known, did you '
            'mean "gain"? Known: comparison, coupler, drift, gain, gain-three-antennas, '
            "gain-two-identical, leakage, reflection, reflectivity, repeatability, "
            "revision-comparison, stillness, trim-look"
        ),
    ),
    (
        "reduction without its kind",
        "{kind: gain, test: far",
        "{test: far",
        'both.yaml:33:5: steps[8].reduce: the key "kind" with one of the kinds is missing',
    ),
    (
        "gain without its reference",
        "reference: ref, at",
        "at",
        'both.yaml:33:13: steps[8].reduce: the method substitution needs the key "reference"',
    ),
    (
        "unknown method of gain",
        "{kind: gain, test: far,",
        "{kind: gain, method: swap, test: far,",
        (
            'both.yaml:33:34: steps[8].reduce.method: "swap" is not known, known are: known-'
            "range-antenna, substitution"
        ),
    ),
    (
        "band backwards",
        "band: [1.65 GHz, 1.75 GHz]",
        "band: [1.75 GHz, 1.65 GHz]",
        (
            "both.yaml:33:72: steps[8].reduce.band: the range runs backwards, from 1.75 GHz "
            "to 1.65 GHz; write the smaller end first"
        ),
    ),
    (
        "limit without ends",
        "least: 8 dBi}",
        "reduction: gain}",
        'both.yaml:36:9: steps[9].accept[2]: a limit needs "least", "most" or both',
    ),
]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [pytest.param(*case[1:], id=case[0].replace(" ", "-")) for case in CASES],
)
def test_bad_recipe_is_refused_with_its_own_message(
    bench: Bench, recipe_text: str, old: str | None, new: str, message: str
) -> None:
    """File, line, column and key, what was found and what was expected; nothing else."""
    assert old is None or old in recipe_text
    text = new if old is None else recipe_text.replace(old, new, 1)
    with pytest.raises(RecipeError) as refusal:
        resolve(load_recipe(text, file="both.yaml"), bench, {})
    assert str(refusal.value) == message


def test_the_recipe_that_the_cases_spoil_is_good(bench: Bench, recipe_text: str) -> None:
    """Otherwise a case could pass for a reason of its own."""
    worksheet = resolve(load_recipe(recipe_text, file="both.yaml"), bench, {})
    kinds = [step.kind for step in worksheet.steps]
    assert kinds == ["capture"] * 2 + ["hands", "wait"] + ["capture"] * 3 + ["reduce"] * 2 + [
        "accept"
    ]


def test_all_problems_of_a_recipe_are_told_at_once(bench: Bench, recipe_text: str) -> None:
    """A person mends a file once, not once for each fault."""
    text = (
        recipe_text.replace("span: 200 MHz", "span: 200")
        .replace("on_interrupt: resume", "on_interupt: resume")
        .replace("wait: {for: 10 s}", "wait: {for: 10 MHz}")
        .replace("kind: gain,", "kind: gian,")
    )
    with pytest.raises(RecipeError) as refusal:
        load_recipe(text, file="both.yaml")
    assert [(problem.line, problem.key) for problem in refusal.value.problems] == [
        (8, "on_interupt"),
        (12, "sweeps.main.span"),
        (24, "steps[3].wait.for"),
        (33, "steps[8].reduce.kind"),
    ]


def test_a_flood_of_problems_is_cut_off_and_counted(bench: Bench) -> None:
    """Ten thousand equal lines would help nobody."""
    steps = "\n".join(f"  - wait: {{for: {number}}}" for number in range(1, 151))
    with pytest.raises(RecipeError) as refusal:
        load_recipe(f"recipe: long\ntitle: Long\nsteps:\n{steps}\n", file="long.yaml")
    assert len(refusal.value.problems) == 101
    assert str(refusal.value.problems[-1]) == "long.yaml: and 50 more"
