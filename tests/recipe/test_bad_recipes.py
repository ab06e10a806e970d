"""Every way to spoil a recipe that we could think of, each with its whole message.

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
        "empty file",
        None,
        "",
        "both.yaml: found nothing, expected a mapping of keys to values",
    ),
    (
        "a list instead of a mapping",
        None,
        "- recipe: both\n",
        "both.yaml:1:1: found a list, expected a mapping of keys to values",
    ),
    (
        "plain text",
        None,
        "measure everything\n",
        'both.yaml:1:1: found "measure everything", expected a mapping of keys to values',
    ),
    (
        "tab for indentation",
        "  main:\n    centre",
        "  main:\n\tcentre",
        (
            "both.yaml:11:1: cannot be read as YAML: found a tab; indent with spaces, never "
            "with tabs"
        ),
    ),
    (
        "unclosed quote",
        "title: Return loss and gain",
        "title: 'Return loss",
        (
            "both.yaml:37:1: cannot be read as YAML: found the end of the file inside quotes;"
            " close them"
        ),
    ),
    (
        "colon inside plain text",
        "title: Return loss and gain",
        "title: Return loss: and gain",
        (
            'both.yaml:2:19: cannot be read as YAML: found a second ":"; put text that holds '
            '": " in quotes, or check the indentation'
        ),
    ),
    (
        "two documents",
        "recipe: both",
        "recipe: both\n---\nrecipe: other",
        'both.yaml:2:1: found a second document; one file holds one, take out the line "---"',
    ),
    (
        "key twice",
        "on_interrupt: resume",
        "on_interrupt: resume\non_interrupt: fail",
        "both.yaml:9:1: on_interrupt: stands here twice, first in line 8; take one out",
    ),
    (
        "anchor and alias",
        "title: Return loss and gain",
        "title: &t Return loss\nabout: *t",
        (
            'both.yaml:2:8: title: found the YAML anchor "&t"; write the value out instead\n'
            'both.yaml:3:8: about: found the YAML anchor "*t"; write the value out instead'
        ),
    ),
    (
        "tag",
        "title: Return loss and gain",
        "title: !text Return loss",
        'both.yaml:2:8: title: found the YAML tag "!text"; tags are not used here',
    ),
    (
        "merge key",
        "    span: 200 MHz",
        "    <<: {span: 200 MHz}",
        'both.yaml:12:5: sweeps.main: found the merge key "<<"; write the values out instead',
    ),
    (
        "key that is a number",
        "on_interrupt: resume",
        "on_interrupt: resume\n17: x",
        'both.yaml:9:1: found the key "17", expected text; put it in quotes',
    ),
    (
        "unprintable character",
        "title: Return loss and gain",
        'title: "Return\\x07 loss"',
        "both.yaml:2:8: title: found the unprintable character U+0007; take it out",
    ),
    (
        "directive",
        "recipe: both",
        "%YAML 1.1\n---\nrecipe: both",
        'both.yaml:2:1: found a "%" directive; these files are plain YAML 1.2',
    ),
    (
        "unknown key",
        "on_interrupt: resume",
        "on_interupt: resume",
        (
            'both.yaml:8:1: on_interupt: is not a key here, did you mean "on_interrupt"? '
            "Known: about, on_interrupt, parameters, recipe, steps, sweeps, title"
        ),
    ),
    (
        "missing key",
        "title: Return loss and gain\n",
        "",
        'both.yaml:1:1: the key "title" is missing: what it does, in one line',
    ),
    (
        "missing key in a step",
        "{name: seen, role: test, route: middle,",
        "{name: seen, route: middle,",
        (
            'both.yaml:25:5: steps[4].capture: the key "role" is missing: open, short, load, '
            "thru, empty, reference or test"
        ),
    ),
    (
        "no steps",
        "steps:\n",
        "steps: []\nsweps:\n",
        (
            "both.yaml:18:8: steps: found no items, expected 1 or more\n"
            'both.yaml:19:1: sweps: is not a key here, did you mean "sweeps"? Known: about, '
            "on_interrupt, parameters, recipe, steps, sweeps, title"
        ),
    ),
    (
        "recipe name with capitals",
        "recipe: both",
        "recipe: Both sides",
        (
            'both.yaml:1:9: recipe: found "Both sides", expected a name of lower-case '
            "letters, digits and -"
        ),
    ),
    (
        "title that is a number",
        "title: Return loss and gain",
        "title: 2024",
        "both.yaml:2:8: title: found 2024, expected text; put it in quotes",
    ),
    (
        "unknown interrupt word",
        "on_interrupt: resume",
        "on_interrupt: resum",
        (
            'both.yaml:8:15: on_interrupt: "resum" is not known, did you mean "resume"? '
            "Known: fail, restart, resume"
        ),
    ),
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
            'mean "gain"? Known: gain, reflection'
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
    (
        "unknown route",
        "route: middle, position: antenna",
        "route: midle, position: antenna",
        (
            'both.yaml:25:46: steps[4].capture.route: the bench "small" has no route "midle",'
            ' did you mean "middle"? Known: bare, middle, own, range'
        ),
    ),
    (
        "unknown position",
        "position: mount_b",
        "position: mount_c",
        (
            'both.yaml:29:62: steps[6].capture.position: the route "range" has no position '
            '"mount_c", did you mean "mount_b"? Known: mount_a, mount_b'
        ),
    ),
    (
        "position missing",
        "route: range, position: mount_b,",
        "route: range,",
        (
            'both.yaml:29:5: steps[6].capture: the route "range" needs the key "position", '
            "one of: mount_a, mount_b"
        ),
    ),
    (
        "position on a route without any",
        "route: middle, position: antenna",
        "route: bare, position: antenna",
        (
            'both.yaml:25:62: steps[4].capture.position: the route "bare" has no positions on'
            ' the bench "small", so a person sets it up; write none for "antenna", or take a '
            "recipe made for hands"
        ),
    ),
    (
        "unknown antenna",
        "antenna: reference dipole",
        "antenna: reference dipol",
        (
            'both.yaml:28:16: steps[5].capture.antenna: the bench "small" has no antenna '
            '"reference dipol", did you mean "reference dipole"? Known: dipole r3, reference '
            "dipole, yagi r2"
        ),
    ),
    (
        "test without an antenna",
        "position: mount_b, antenna: $antenna,",
        "position: mount_b,",
        'both.yaml:29:5: steps[6].capture: a capture of role test needs the key "antenna"',
    ),
    (
        "capture name twice",
        "name: far,",
        "name: ref,",
        (
            'both.yaml:29:21: steps[6].capture.name: the capture name "ref" is taken by the '
            "step in line 27; give another name\n"
            'both.yaml:33:32: steps[8].reduce.test: no earlier step captures "far", known '
            "are: open, ref, seen, short"
        ),
    ),
    (
        "reserved capture name",
        "name: far,",
        "name: newest,",
        (
            'both.yaml:29:21: steps[6].capture.name: the name "newest" is taken for stored '
            "baselines; choose another\n"
            'both.yaml:33:32: steps[8].reduce.test: no earlier step captures "far", known '
            "are: open, ref, seen, short"
        ),
    ),
    (
        "sweep outside the analyzer",
        "default: 1.7 GHz, least",
        "default: 2.95 GHz, least",
        (
            "both.yaml:12:11: sweeps.main.span: the sweep reaches 3.05 GHz, but analyzer "
            "works from 9 kHz to 3 GHz"
        ),
    ),
    (
        "level outside the source",
        "level: -10 dBm",
        "level: 16 dBm",
        (
            "both.yaml:14:12: sweeps.main.level: found 16 dBm, but generator delivers -60 dBm"
            " to 15 dBm"
        ),
    ),
    (
        "resolution bandwidth too wide",
        "resolution_bandwidth: 10 kHz",
        "resolution_bandwidth: 10 MHz",
        (
            "both.yaml:15:27: sweeps.main.resolution_bandwidth: found 10 MHz, but analyzer "
            "has 10 Hz to 3 MHz"
        ),
    ),
    (
        "dwell shorter than the filter settles",
        "resolution_bandwidth: 10 kHz",
        "resolution_bandwidth: 100 Hz",
        (
            "both.yaml:17:12: sweeps.main.dwell: found 2 ms, but a filter of 100 Hz needs 10 "
            "ms at least to settle"
        ),
    ),
    (
        "vector without a network analyzer",
        "    centre: $centre",
        "    method: vector\n    centre: $centre",
        (
            "both.yaml:11:13: sweeps.main.method: vector needs a network analyzer; the route "
            '"middle" ends in analyzer, a spectrum analyzer\n'
            "both.yaml:11:13: sweeps.main.method: vector needs a network analyzer; the route "
            '"range" ends in analyzer, a spectrum analyzer'
        ),
    ),
    (
        "tracking on a route with a source",
        "    centre: $centre",
        "    method: tracking\n    centre: $centre",
        (
            "both.yaml:11:13: sweeps.main.method: tracking needs the analyzer's own output; "
            'the route "middle" starts from generator\n'
            "both.yaml:11:13: sweeps.main.method: tracking needs the analyzer's own output; "
            'the route "range" starts from generator'
        ),
    ),
    (
        "points closer than a hertz",
        "span: 200 MHz",
        "span: 10 Hz",
        "both.yaml:13:13: sweeps.main.points: 81 points over 10 Hz lie closer than 1 Hz",
    ),
    (
        "reduce before capture",
        "test: seen, baseline",
        "test: sen, baseline",
        (
            'both.yaml:31:38: steps[7].reduce.test: no earlier step captures "sen", did you '
            'mean "seen"? Known: far, open, ref, seen, short'
        ),
    ),
    (
        "baseline not captured",
        "baseline: {open: open,",
        "baseline: {open: opn,",
        (
            'both.yaml:31:61: steps[7].reduce.baseline.open: no earlier step captures "opn", '
            'did you mean "open"? Known: far, open, ref, seen, short; newest takes the newest'
            " stored one"
        ),
    ),
    (
        "baseline of another role",
        "baseline: {open: open,",
        "baseline: {open: short,",
        (
            'both.yaml:31:61: steps[7].reduce.baseline.open: "short" has the role short, '
            "expected open"
        ),
    ),
    (
        "no baseline at all",
        "baseline: {open: open, short: newest, max_age: 12 h}",
        "baseline: {max_age: 12 h}",
        ('both.yaml:31:54: steps[7].reduce.baseline: expected "open", "short" or both, best both'),
    ),
    (
        "reflection of a transmission",
        "test: seen, baseline: {open: open,",
        "test: far, baseline: {open: newest,",
        (
            'both.yaml:31:38: steps[7].reduce.test: "far" was taken on the route "range", a '
            "transmission"
        ),
    ),
    (
        "reference of another role",
        "reference: ref, at",
        "reference: far, at",
        (
            'both.yaml:33:48: steps[8].reduce.reference: "far" has the role test, expected '
            "reference\n"
            "both.yaml:33:48: steps[8].reduce.reference: the bench file states no gain "
            '(reference:) for the antenna "yagi r2"'
        ),
    ),
    (
        "reference without a gain",
        "antenna: reference dipole",
        "antenna: dipole r3",
        (
            "both.yaml:33:48: steps[8].reduce.reference: the bench file states no gain "
            '(reference:) for the antenna "dipole r3"'
        ),
    ),
    (
        "frequency outside the sweep",
        "at: [$centre]}",
        "at: [2 GHz]}",
        (
            'both.yaml:32:12: steps[7].reduce.at[1]: 2 GHz lies outside the sweep of "seen", '
            "which runs from 1.6 GHz to 1.8 GHz"
        ),
    ),
    (
        "band outside the sweep",
        "[1.65 GHz, 1.75 GHz]",
        "[1.65 GHz, 1.95 GHz]",
        (
            "both.yaml:33:83: steps[8].reduce.band[2]: 1.95 GHz lies outside the sweep of "
            '"far", which runs from 1.6 GHz to 1.8 GHz'
        ),
    ),
    (
        "unknown quantity",
        "quantity: realised_gain",
        "quantity: realized_gain",
        (
            "both.yaml:36:20: steps[9].accept[2].quantity: no earlier reduction gives the "
            'quantity "realized_gain", did you mean "realised_gain"? Known: bandwidth, '
            "bandwidth_high_edge, bandwidth_low_edge, gain, gain_max, gain_mean, gain_min, "
            "loaded_q, mismatch_loss, realised_gain, realised_gain_max, realised_gain_mean, "
            "realised_gain_min, reflection_magnitude, resonance_frequency, return_loss, "
            "trim_per_arm, unloaded_q, vswr, vswr_bandwidth, vswr_bandwidth_high_edge, "
            "vswr_bandwidth_low_edge"
        ),
    ),
    (
        "limit in another unit",
        "least: 8 dBi}",
        "least: 8 dB}",
        (
            'both.yaml:36:42: steps[9].accept[2].least: "dB" is not a unit of gain, did you '
            'mean "dBi"? Allowed: dBi, dBd'
        ),
    ),
    (
        "limits that exclude everything",
        "least: 8 dBi}",
        "least: 8 dBi, most: 7 dBi}",
        ("both.yaml:36:55: steps[9].accept[2].most: lies below `least`: nothing could be accepted"),
    ),
    (
        "limit at a frequency not reported",
        "{quantity: return_loss, at: $centre",
        "{quantity: return_loss, at: 1.72 GHz",
        (
            "both.yaml:35:37: steps[9].accept[1].at: 1.72 GHz is not among the frequencies "
            "that are reported: 1.7 GHz"
        ),
    ),
    (
        "limit of an unknown reduction",
        "least: 8 dBi}",
        "least: 8 dBi, reduction: gian}",
        (
            'both.yaml:36:60: steps[9].accept[2].reduction: no earlier step reduces "gian", '
            'did you mean "gain"? Known: gain, reflection'
        ),
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
