"""Commands that show things: their whole output, as a person gets it."""

# ruff: noqa: E501  (tables are as wide as they are printed)

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from benchd.cli.results_table import format_results
from benchd.cli.screen import Screen
from benchd.cli.show import format_instruments, format_jobs, format_recipes
from benchd.results import Budget, Result, Term

JOB = "job-0000000000000001"

RESULTS = """\
job-0000000000000001, return-loss, 2026-03-01 21:04:14 UTC, dipole r3
Quantity       At                     Value, 95 % interval
──────────────────────────────────────────────────────────────
Resonance      -                      1.6837 GHz ± 0.0021 GHz
Trim per arm   -                      0.410 mm ± 0.051 mm
Return loss    1.7 GHz                20.0 dB, 18.4 to 21.9 dB
Bandwidth      1.6201 to 1.7502 GHz   130.1 MHz ± 5.0 MHz
Trim per arm: Cut off half of it, then measure again.
Return loss: uncertainty partly assumed.
"""
VERDICTS = """\

Quantity      Limit                       Measured                   Verdict
────────────────────────────────────────────────────────────────────────────
Return loss   at least 10 dB at 1.7 GHz   20.0 dB, 18.4 to 21.9 dB   pass
"""


def test_damaged_rows_that_a_list_leaves_out_are_named_on_stderr(api: Any, benchd: Any) -> None:
    api.desk.damaged = ["result res-1\n\x1bis damaged and left out: it does not match."]
    for command in (["results"], ["captures"], ["jobs"]):
        outcome = benchd(*command, api=api)
        assert outcome.code == 0
        assert outcome.err == "result res-1??is damaged and left out: it does not match.\n"
        assert "damaged" not in outcome.out


def test_jobs_shows_what_each_waits_for(api: Any, benchd: Any) -> None:
    api.desk.add("job-0000000000000001", "done", step_index=4)
    error = {"family": "link-lost", "where": "", "message": "analyzer gone", "advice": ""}
    api.desk.add("job-0000000000000002", "failed", step_index=1, error=error)
    hands = {"ask": "Fit the short.", "caution": "", "step": 0}
    api.desk.add("job-0000000000000003", "needs-hands", hands=hands)
    outcome = benchd("jobs", api=api)
    assert (outcome.code, outcome.err) == (0, "")
    assert (
        outcome.out
        == """\
Job                    State         Recipe        Steps done   Queued                    Note
─────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────
job-0000000000000003   needs-hands   return-loss   0 of 4       2026-03-01 21:04:05 UTC   Fit the short. Then: benchd ready job-0000000000000003 --step 0
job-0000000000000002   failed        return-loss   1 of 4       2026-03-01 21:04:05 UTC   analyzer gone
job-0000000000000001   done          return-loss   4 of 4       2026-03-01 21:04:05 UTC
"""
    )


def test_jobs_can_be_chosen_by_state(api: Any, benchd: Any) -> None:
    api.desk.add("job-0000000000000001", "done")
    api.desk.add("job-0000000000000002", "missed", message="its window closed")
    out = benchd("jobs", "--state", "missed", "--json", api=api).out
    assert [(job["id"], job["message"]) for job in json.loads(out)] == [
        ("job-0000000000000002", "its window closed")
    ]
    wrong = benchd("jobs", "--state", "asleep", api=api)
    assert (wrong.code, wrong.out) == (1, "")
    assert wrong.err.startswith("state.0: Input should be 'waiting', 'running', ")


def test_no_jobs(api: Any, benchd: Any) -> None:
    assert benchd("jobs", api=api).out == "No jobs.\n"


INSTRUMENTS = """\
Instrument   Kind       State   Answered                  Driver          Address                           Identity                      Message
─────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────
generator    source     ready   2026-03-01 21:04:05 UTC   scpi-source     TCPIP::127.0.0.1::50251::SOCKET   Workshop,Source-6G,0001,1.0
analyzer     analyzer   lost    never yet                 scpi-analyzer   TCPIP::127.0.0.1::50252::SOCKET                                 does not answer
"""


def test_instruments_are_asked_and_listed_with_their_last_answer(api: Any, benchd: Any) -> None:
    assert benchd("instruments", api=api).out == INSTRUMENTS
    assert api.desk.orders == [("instruments", True)]


def test_instruments_that_were_not_asked_say_so() -> None:
    now = datetime(2026, 3, 1, 21, 5, 10, tzinfo=UTC)
    one = {
        "name": "generator", "kind": "source", "state": "ready", "driver": "scpi-source",
        "address": "x", "identity": "", "message": "", "answered_at": "2026-03-01T21:04:05Z",
        "asked": False,
    }  # fmt: skip
    said = format_instruments([one], Screen(), now)
    assert "1 min 05 s ago" in said
    assert said.endswith(
        "None was asked just now, since a job is under way or RF is not verified off: each state "
        "is as old as the last answer."
    )
    assert "None was asked" not in format_instruments([{**one, "asked": True}], Screen(), now)


def test_recipes_show_which_parameters_must_be_given(api: Any, benchd: Any) -> None:
    heading, _, first, *more = benchd("recipes", api=api).out.splitlines()
    assert heading.split() == ["Recipe", "What", "it", "does", "Parameters"]
    assert first == (
        "return-loss   Return loss and resonance of one antenna   antenna (to be given)"
    )
    assert [line.strip() for line in more[:3]] == [
        "centre = 1.7 GHz",
        "span = as wide as antenna needs",
        "start = 0.94 times that of antenna",
    ]


def test_captures(api: Any, benchd: Any) -> None:
    assert (
        benchd("captures", "--role", "test", api=api).out
        == """\
Capture                Role   Route             Antenna     Span                   Points   Taken                     Flags
──────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────────
cap-0000000000000001   test   middle, antenna   dipole r3   1.45 GHz to 1.95 GHz   51       2026-03-01 21:04:05 UTC   close to the noise floor
"""
    )
    assert benchd("captures", "--role", "short", api=api).out == "No captures.\n"


def test_results_come_with_their_intervals_flags_and_verdicts(api: Any, benchd: Any) -> None:
    api.desk.add(JOB, "done")
    outcome = benchd("results", "--job", JOB, api=api)
    assert (outcome.code, outcome.out, outcome.err) == (0, RESULTS + VERDICTS, "")
    assert benchd("results", api=api).out == RESULTS


def test_results_of_one_quantity_as_json_are_the_api_s_own(api: Any, benchd: Any) -> None:
    out = benchd("results", "--quantity", "return_loss", "--json", api=api).out
    (record,) = json.loads(out)
    assert (record["result"]["value"], record["result"]["low"]) == (19.96, 18.39)


def test_reduce_prints_results_again(api: Any, benchd: Any) -> None:
    api.desk.add(JOB, "done")
    assert benchd("reduce", JOB, api=api).out == RESULTS


@pytest.mark.parametrize("command", ["jobs", "instruments", "recipes", "captures", "results"])
def test_every_reading_can_be_json(api: Any, benchd: Any, command: str) -> None:
    assert isinstance(json.loads(benchd(command, "--json", api=api).out), list)


def test_a_narrow_screen_folds_and_loses_nothing(fakes: Any) -> None:
    text = format_results(fakes.records(), Screen(60, colour=False))
    assert max(len(line) for line in text.splitlines()) <= 60
    squeezed = "".join(text.split())
    for word in ("1.6837", "0.0021", "18.4", "21.9", "130.1", "0.410"):
        assert word in squeezed


def test_colour_only_where_the_screen_has_it(fakes: Any) -> None:
    assert "\x1b" not in format_results(fakes.records(), Screen(100, colour=False))
    assert "\x1b[33m" in format_results(fakes.records(), Screen(100, colour=True))


def test_text_from_files_cannot_move_the_cursor_or_use_markup() -> None:
    recipes = [{"name": "a\x1b[2Jb", "title": "[red]title[/red]", "parameters": {}}]
    text = format_recipes(recipes, Screen(80, colour=False))
    assert "a?[2Jb" in text
    assert "[red]title[/red]" in text
    assert format_jobs([], Screen()) == "No jobs."


def test_what_all_results_share_is_said_once(fakes: Any) -> None:
    flagged = [
        replace(r, result=replace(r.result.with_flags("near-noise"), note="Mind the cable."))
        for r in fakes.records()
    ]
    text = format_results(flagged, Screen())
    assert text.count("close to the noise floor") == text.count("Mind the cable.") == 1
    assert "\nAll of these: close to the noise floor.\nMind the cable.\n" in text
    assert text.count("uncertainty partly assumed") == 1


def test_what_is_looked_for_comes_first_and_the_rest_when_asked(
    api: Any, benchd: Any, fakes: Any
) -> None:
    """A result that few look for is counted, and shown with --all, also by `reduce`."""
    own = {"antenna": "dipole r3", "frequency_hz": 1.68372e9}
    loaded_q = Result("loaded_q", 7.13, "1", 0.42, 2.0, 6.71, 7.55, **own)
    count = Result("resonance_count", 1.0, "1", None, None, 1.0, 1.0, antenna="dipole r3")
    first, *rest = fakes.records()
    more = [
        replace(first, id=f"res-more-{n}", result=one) for n, one in enumerate((count, loaded_q))
    ]
    api.desk.add(JOB, "done")
    api.desk.reduced[JOB] = [*more, first, *rest]
    for command in (("results",), ("reduce", JOB)):
        short, whole = benchd(*command, api=api).out, benchd(*command, "--all", api=api).out
        assert short == f"{RESULTS}4 of 6 results; --all shows all.\n"
        # The dip's frequency has no more digits than the resonance: 1.68372 GHz ± 0.0021 GHz.
        assert "\nLoaded Q                  1.6837 GHz             7.13 ± 0.42\n" in whole
        assert "\nResonances in the sweep   -                      1\n" in whole
        assert "--all" not in whole
    asked = benchd("results", "--quantity", "loaded_q", api=api).out
    assert "Loaded Q" in asked
    assert "--all" not in asked


def test_what_nobody_looks_for_first_is_shown_where_there_is_nothing_else(fakes: Any) -> None:
    first, *_ = fakes.records()
    spread = Result("stillness_spread_open", 0.02, "dB", None, None, 0.01, 0.04, frequency_hz=1.7e9)
    text = format_results([replace(first, result=spread)], Screen())
    assert "Stillness spread open   1.7 GHz" in text


def test_results_fit_eighty_columns_wherever_they_go(fakes: Any) -> None:
    long = "Two dips lie close together here, and which of them is the deeper one is not known. "
    records = [
        replace(r, recipe="gain-over-positions-by-switch", result=replace(
            r.result.with_flags("near-noise", "edge-of-band"), note=long * 2, antenna=antenna))
        for r in fakes.records() for antenna in ("reference dipole", "weather-satellite yagi r12")
    ]  # fmt: skip
    for screen in (Screen(), Screen(80, wrap=True)):
        text = format_results(records, screen, complete=True)
        assert max(map(len, text.splitlines())) <= 80
        assert " ".join(text.split()).count(long.strip()) == 2


def test_the_assumed_sizes_are_named_under_the_table_the_weightiest_first(fakes: Any) -> None:
    def budget(**contributions: float) -> Budget:
        terms = tuple(
            Term(name, size, "dB", "normal", 1.0, 1.0, size, assumed=name != "noise")
            for name, size in contributions.items()
        )
        return Budget(terms, 1.0, math.inf, 1.96, 1.96, 0.0, 1.0)

    first, *rest = fakes.records()
    weighed = [
        replace(first, result=replace(first.result, budget=budget(drift=0.1, noise=0.9))),
        *(replace(r, result=replace(r.result, budget=budget(linearity=0.4))) for r in rest),
    ]
    assert format_results(weighed, Screen()).endswith(
        "\nUncertainty partly assumed, not known of this bench: linearity, drift."
    )


def test_one_recipe_is_shown_with_what_it_is_about_and_each_parameter(
    api: Any, benchd: Any
) -> None:
    lines = benchd("recipes", "return-loss", api=api).out.splitlines()
    assert lines[0] == "return-loss: Return loss and resonance of one antenna"
    assert lines[2] == "Against stored baselines."
    shown = {line.split()[0]: " ".join(line.split()[1:]) for line in lines[6:]}
    assert shown == {
        "antenna": "antenna to be given antenna at the port",
        "centre": "frequency 1.7 GHz",
        "span": "frequency as wide as antenna needs",
        "start": "frequency 0.94 times that of antenna",
        "at": "frequency that of antenna",
        "edge": "length 0.68 wavelengths at at",
        "delay": "time 0.125 periods of at",
        "reference": "antenna the only antenna of known gain that no route fixes",
        "points": "integer, least 11, most 10001 201 how many",
        "match": "choice, none, newest none",
    }


def test_a_recipe_that_is_not_there_is_refused_with_the_nearest(api: Any, benchd: Any) -> None:
    outcome = benchd("recipes", "retrun-loss", api=api)
    assert outcome.code == 1
    assert 'there is no recipe "retrun-loss", did you mean "return-loss"?' in outcome.err
