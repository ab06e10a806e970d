"""`benchd budget`: its whole output, and what it says when there is nothing to show."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from benchd.cli.budget import format_budget
from benchd.cli.screen import Screen
from benchd.reduce.montecarlo import settle
from benchd.reduce.uncertainty import combine, shares, term
from benchd.results import Result, ResultRecord


def record(result: Result) -> ResultRecord:
    return ResultRecord(
        id="res-1", bench="workshop", job_id="job-1", step="yagi", recipe="gain-pair",
        recipe_hash="", worksheet_hash="", instruments={},
        reduced_at=datetime(2026, 11, 1, 20, 0, tzinfo=UTC), result=result,
    )  # fmt: skip


def gain(**changes: Any) -> Result:
    terms = (
        term("noise, test", 0.06, "dB"),
        term("box", 0.47, "dB", degrees_of_freedom=7),
        term("linearity", 0.2, "dB", "rectangular", assumed=True),
    )
    found = combine(terms, estimate=9.178)
    fields: dict[str, Any] = {
        "quantity": "realised_gain", "value": 9.178, "unit": "dBi",
        "expanded_uncertainty": found.expanded, "coverage_factor": found.coverage_factor,
        "low": found.low, "high": found.high, "frequency_hz": 1.7e9, "antenna": "yagi r2",
        "flags": ("assumed-term",), "budget": found,
    }  # fmt: skip
    return Result(**{**fields, **changes})


def test_the_budget_names_every_term_largest_first_and_what_to_improve() -> None:
    assert (
        format_budget(record(gain()), Screen())
        == """\
yagi r2 Realised gain, 1.7 GHz: 9.2 dBi ± 1.1 dB
res-1, gain-pair, 2026-11-01 20:00:00 UTC
Flags: uncertainty partly assumed.

Term             Size   Distribution   Divisor   Sensitivity    nu   Contribution    Share
──────────────────────────────────────────────────────────────────────────────────────────
box           0.47 dB   normal               1            +1     7        0.47 dB   92.9 %
linearity *    0.2 dB   rectangular      1.732            +1   inf       0.115 dB    5.6 %
noise, test   0.06 dB   normal               1            +1   inf        0.06 dB    1.5 %

u = 0.488 dB, nu_eff = 8.11, k = 2.300, U = 1.12 dB
95 % interval: 8.1 to 10.3 dBi
Method: GUM (JCGM 100), Welch-Satterthwaite
* a documented default, not knowledge of this bench
Work on box first: without it the standard uncertainty would fall from 0.488 dB to 0.13 dB."""
    )


def test_a_drawn_interval_tells_its_trials_and_seed() -> None:
    found = settle((term("leak", 1.0, "dB", "u-shaped"),), estimate=20.0)
    text = format_budget(record(gain(budget=found, low=found.low, high=found.high)), Screen())
    assert "Method: Monte Carlo (JCGM 101), 20000 trials, seed 20211\n" in text


def test_a_result_without_a_budget_says_so() -> None:
    bare = gain(budget=None, low=None, high=None, expanded_uncertainty=None, flags=())
    text = format_budget(record(bare), Screen())
    assert text.endswith("This result has no budget: no uncertainty could be stated.")


def test_one_sided_results_show_no_ends() -> None:
    text = format_budget(record(gain(low=None, expanded_uncertainty=None)), Screen())
    assert "u = 0.488 dB, nu_eff = 8.11\n95 % interval: one-sided, see the value above\n" in text


def test_shares_of_cancelling_errors_are_negative_and_add_up_to_one() -> None:
    terms = (
        term("scale, test", 0.3, "dB", source="scale"),
        term("scale, reference", 0.2, "dB", sensitivity=-1.0, source="scale"),
        term("noise", 0.1, "dB"),
    )
    found = [round(share, 12) for _, share in shares(combine(terms, estimate=0.0))]
    # (0.3 - 0.2)^2 + 0.1^2 = 0.02: 0.3 * 0.1, -0.2 * 0.1 and 0.1^2 over it.
    assert found == [1.5, -1.0, 0.5]


def test_the_command_reads_the_budget_from_the_daemon(api: Any, benchd: Any, fakes: Any) -> None:
    (expected,) = [r for r in fakes.records() if r.result.quantity == "return_loss"]
    by_id = benchd("budget", expected.id, api=api)
    assert (by_id.code, by_id.out) == (0, format_budget(expected, Screen()) + "\n")
    assert benchd("budget", "return_loss", "--antenna", "dipole r3", api=api).out == by_id.out


def test_json_is_the_api_s_own_with_shares_and_advice(api: Any, benchd: Any, fakes: Any) -> None:
    document = json.loads(benchd("budget", "return_loss", "--json", api=api).out)
    terms = document["result"]["budget"]["terms"]
    assert [line["share"] for line in terms] == [1.0]
    assert document["improve_first"].startswith("Work on ")


def test_unknown_results_are_refused_in_plain_words(api: Any, benchd: Any) -> None:
    outcome = benchd("budget", "gain", "--antenna", "yagi r9", api=api)
    assert (outcome.code, outcome.out) == (1, "")
    assert 'there is no result "gain" of yagi r9.' in outcome.err
    missing = benchd("budget", "res-0000000000000009", api=api)
    assert (missing.code, missing.out) == (1, "")
    assert "there is no result res-0000000000000009." in missing.err


def test_the_record_survives_what_the_api_adds(api: Any, benchd: Any) -> None:
    flagged = gain(note="Mind the cable.")
    changed = replace(record(flagged), id="res-0000000000000077")
    api.desk.reduced["job-0000000000000001"].append(changed)
    out = benchd("budget", changed.id, api=api).out
    assert out == format_budget(changed, Screen()) + "\n"
