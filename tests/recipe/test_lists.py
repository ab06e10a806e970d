"""Which way a stepped sweep goes from point to point: by what bench file and recipe say."""

from __future__ import annotations

from typing import Any

import pytest

from benchd.bench import Bench, parse_bench
from benchd.errors import BenchFileError, RecipeError
from benchd.recipe import load_recipe, render_worksheet, resolve
from benchd.sweeps import ListSteps
from benchd.worksheet import CaptureStep, Worksheet
from tests.recipe.conftest import BENCH

RECIPE = """\
recipe: one
title: One capture
sweeps:
  main: {method: stepped, centre: 1.7 GHz, span: 200 MHz, points: 201, level: -20 dBm,
    resolution_bandwidth: 100 kHz, dwell: 100 us MORE}
steps:
  - capture: {name: open, role: open, route: middle, position: open, sweep: main}
"""
CHOOSING = """\
recipe: one
title: An antenna whose sweep chooses its frequencies
sweeps:
  main: {method: stepped, centre: 1.7 GHz, span: 200 MHz, points: 201, level: -20 dBm,
    resolution_bandwidth: 100 kHz, dwell: 100 us}
  choosing: {method: stepped, centre: 1.7 GHz, span: 200 MHz, points: 201, level: -20 dBm,
    resolution_bandwidth: 100 kHz, dwell: 100 us, refine: {to: 100 kHz}}
steps:
  - capture: {role: open, route: middle, position: open, sweep: main}
  - capture: {role: short, route: middle, position: short, sweep: main}
  - capture: {name: it, role: test, route: middle, position: antenna, antenna: dipole r3,
      sweep: choosing}
  - reduce: {kind: reflection, test: it, baseline: {open: open, short: short}}
"""
OF_SOURCE = "{points: 400, settle: 1 ms"
OF_ANALYZER = "{points: 300, settle: 0.2 ms, trigger_delay: 20 us"
TO_SOURCE, TO_ANALYZER = ", trigger_from: analyzer}", ", trigger_from: generator}"


def bench(source: str = "", analyzer: str = "", commands: str = "") -> Bench:
    """The small bench, with what is said of the lists of its two instruments."""
    text = BENCH
    if source:
        text = text.replace("settle: 2 ms}", f"settle: 2 ms, list: {source}}}", 1)
    if analyzer:
        whole = f"tracking_level: [-30 dBm, 0 dBm], list: {analyzer}{commands}}}"
        text = text.replace("tracking_level: [-30 dBm, 0 dBm]}", whole, 1)
    return parse_bench(text, file="small.yaml")


def sheet(on: Bench, more: str = "") -> Worksheet:
    text = RECIPE.replace(" MORE", f", {more}" if more else "")
    return resolve(load_recipe(text, file="one.yaml"), on, {})


def captured(found: Worksheet) -> CaptureStep:
    (step,) = [step for step in found.steps if isinstance(step, CaptureStep)]
    return step


@pytest.mark.parametrize(
    ("source", "analyzer", "wiring", "passes", "words"),
    [
        ("", "", None, 1, "stepped, 1.6 GHz"),
        (OF_SOURCE + "}", OF_ANALYZER + "}", None, 1, "stepped, 1.6 GHz"),
        (
            OF_SOURCE + TO_SOURCE,
            OF_ANALYZER + TO_ANALYZER,
            "hand-in-hand",
            1,
            "stepped (by trigger, source and analyzer wait for each other; without lists if a "
            "trigger is missed), 1.6 GHz",
        ),
        (
            OF_SOURCE + "}",
            OF_ANALYZER + TO_ANALYZER,
            "source-leads",
            2,
            "stepped (by trigger, the source leads; without lists if a trigger is missed), 1.6 GHz",
        ),
        (
            OF_SOURCE + TO_SOURCE,
            OF_ANALYZER + "}",
            "analyzer-leads",
            2,
            "stepped (by trigger, the analyzer leads; without lists if a trigger is missed), 1.6",
        ),
        (
            OF_SOURCE + "}",
            "",
            "source-by-command",
            1,
            "stepped (the source steps through a list, by command; without lists if a trigger is "
            "missed), 1.6 GHz",
        ),
        (
            "",
            OF_ANALYZER + "}",
            "analyzer-by-command",
            1,
            "stepped (the analyzer steps through a list, by command; without lists if a trigger is "
            "missed), 1.6 GHz",
        ),
    ],
    ids=["none", "no-cable", "both", "source-leads", "analyzer-leads", "source", "analyzer"],
)
def test_the_bench_file_says_how_points_are_gone_through_and_the_worksheet_tells(
    source: str, analyzer: str, wiring: str | None, passes: int, words: str
) -> None:
    found = sheet(bench(source, analyzer))
    lists = captured(found).sweep.lists
    assert (None if lists is None else lists.wiring) == wiring
    assert words in " ".join(render_worksheet(found).split())
    if lists is not None:
        assert lists.passes(1) == passes
        assert lists.points == (300 if analyzer else 400)
        assert lists.late_s == 50e-6 if source else 20e-6


def test_what_the_bench_file_states_is_what_a_list_is_made_of() -> None:
    found = captured(sheet(bench(OF_SOURCE + TO_SOURCE, OF_ANALYZER + TO_ANALYZER)))
    assert found.sweep.lists == ListSteps(
        wiring="hand-in-hand",
        source_settle_s=1e-3,
        analyzer_settle_s=2e-4,
        late_s=50e-6,
        points=300,
        if_missed="step-by-command",
    )


def test_the_expected_time_is_that_of_the_way_it_goes() -> None:
    """201 points: 1 ms, 0.2 ms, 0.1 ms and twice 50 us each by list; 2 ms, 0.1 ms and 1 ms of
    round trips each by command."""
    both = bench(OF_SOURCE + TO_SOURCE, OF_ANALYZER + TO_ANALYZER)
    by_list, by_command = (captured(sheet(both, more)) for more in ("", "step_by: command"))
    assert by_command.sweep.lists is None
    quicker_s = by_command.expected_s - by_list.expected_s
    assert quicker_s == pytest.approx(201 * (0.0031 - 0.0014) - 0.3 + 0.05)


def test_a_recipe_may_insist_on_lists_and_then_a_missed_trigger_ends_the_job() -> None:
    both = bench(OF_SOURCE + TO_SOURCE, OF_ANALYZER + TO_ANALYZER)
    found = sheet(both, "step_by: list")
    lists = captured(found).sweep.lists
    assert lists is not None
    assert lists.if_missed == "fail"
    assert "a missed trigger ends the job" in " ".join(render_worksheet(found).split())


@pytest.mark.parametrize(
    ("on", "more", "message"),
    [
        (
            {},
            "step_by: list",
            "step_by: found list, but neither generator nor analyzer has the key `list:` in the "
            "bench file; or write step_by: command",
        ),
        (
            {"source": OF_SOURCE + "}", "analyzer": OF_ANALYZER + "}"},
            "step_by: list",
            "step_by: found list, but no trigger cable joins generator and analyzer: say under "
            "`list:` of one or both what it is triggered from (`trigger_from`); or write step_by: "
            "command",
        ),
        (
            {
                "source": OF_SOURCE + TO_SOURCE,
                "analyzer": OF_ANALYZER + "}",
                "commands": ", commands: {list_delay: null, list_fetch: null}",
            },
            "step_by: list",
            "step_by: found list, but analyzer lacks what lists are made with: `list_fetch`; or "
            "write step_by: command",
        ),
        ({}, "step_by: walking", '"walking" is not known'),
        ({}, "step_by: list, rf: off", "a sweep with RF off goes from point to point by command"),
        (
            {},
            "step_by: list, refine: {to: 100 kHz}",
            "a sweep that chooses its next frequencies goes from point to point by command",
        ),
    ],
)
def test_what_cannot_be_is_refused_at_its_line(on: dict[str, str], more: str, message: str) -> None:
    with pytest.raises(RecipeError) as caught:
        sheet(bench(**on), more)
    assert message in str(caught.value)


def test_what_goes_by_command_however_the_bench_is_wired() -> None:
    both = bench(OF_SOURCE + TO_SOURCE, OF_ANALYZER + TO_ANALYZER)
    for more in ("rf: off", "step_by: command"):
        assert captured(sheet(both, more)).sweep.lists is None
    found = resolve(load_recipe(CHOOSING, file="one.yaml"), both, {})
    plans = {step.name: step.sweep for step in found.steps if isinstance(step, CaptureStep)}
    assert plans["open"].lists is not None
    assert plans["it"].lists is None


@pytest.mark.parametrize(
    ("on", "message"),
    [
        (
            {"source": OF_SOURCE + ", trigger_from: selector}"},
            'there is no instrument of kind analyzer "selector"',
        ),
        (
            {"analyzer": OF_ANALYZER + ", trigger_from: generator}"},
            "generator has no `list:` of its own, so it gives no pulses from point to point",
        ),
        ({"source": "{settle: 1 ms}"}, 'the key "points" is missing'),
        ({"source": "{points: 100}"}, 'the key "settle" is missing'),
        ({"source": "{points: 1, settle: 1 ms}"}, "points"),
    ],
)
def test_a_cable_that_leads_nowhere_is_refused(on: dict[str, Any], message: str) -> None:
    with pytest.raises(BenchFileError) as caught:
        bench(**on)
    assert message in str(caught.value)
