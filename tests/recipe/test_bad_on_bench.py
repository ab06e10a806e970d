"""Recipes that read well but ask for what this bench does not have or cannot do.

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
            "works from 9 kHz to 3 GHz: a span of 100 MHz fits"
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
            "bandwidth_high_edge, bandwidth_low_edge, box_gain_spread, "
            "further_resonance_frequency, further_resonance_return_loss, gain, gain_max, "
            "gain_mean, gain_min, "
            "loaded_q, mismatch_loss, realised_gain, realised_gain_max, realised_gain_mean, "
            "realised_gain_min, reflection_magnitude, resonance_count, resonance_frequency, "
            "resonance_return_loss, return_loss, "
            "trim_per_arm, unloaded_q, vswr"
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
