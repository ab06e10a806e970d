"""The sections of one job: what, on what, when and how; pictures, results and limits."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from benchd.moments import time_words
from benchd.quantities import place
from benchd.report.paper.basis import baselines, provenance, qualification
from benchd.report.paper.budgets import budgets
from benchd.report.paper.markup import Child, Markup, element, facts, joined, table
from benchd.report.paper.parts import JobPart, moment_of
from benchd.report.plots import job_pictures
from benchd.report.wording import (
    ASSUMED_TERM,
    assumed_sentence,
    assumed_words,
    duration_words,
    flag_words,
    quantity_words,
    value_words,
    verdict_words,
    where_words,
)
from benchd.results import Result, Verdict
from benchd.rounding import number_words
from benchd.sweeps import SweepPlan
from benchd.worksheet import CaptureStep, ReduceStep

_MARKS = {"pass": "pass", "pass-marginal": "pass", "fail": "fail", "fail-marginal": "fail",
          "absent": "fail"}  # fmt: skip
STATE_WORDS = {
    "waiting": "waits", "running": "is under way", "needs-hands": "waits for a person",
    "done": "done", "failed": "failed", "withdrawn": "withdrawn", "missed": "missed its window",
}  # fmt: skip


def job_article(part: JobPart, number: int, *, alone: bool) -> Markup:
    """One job. alone: it is all of the report, whose heading names it already."""
    heading = ", ".join(filter(None, [str(part.job["title"]), ", ".join(part.antennas)]))
    pictures = [element("figure", Markup(one.svg)) for one in job_pictures(part.plots)]
    return element(
        "article",
        None if alone else element("h2", heading),
        _what(part),
        *(Markup(f"\n{one}") for one in pictures),
        _results(part),
        _limits(part.verdicts),
        budgets(part),
        baselines(part),
        qualification(part),
        provenance(part),
        id=f"job-{number}",
    )


def _what(part: JobPart) -> Markup:
    job, zone = part.job, part.zone
    began, ended = moment_of(job.get("started_at")), moment_of(job.get("ended_at"))
    when: str | None = None
    if began is not None:
        when = time_words(began, zone)
        if ended is not None:
            took = duration_words((ended - began).total_seconds())
            when = f"{when} to {time_words(ended, zone)} ({took})"
    state = STATE_WORDS.get(str(job["state"]), str(job["state"]))
    why = str((job.get("error") or {}).get("message") or job.get("message") or "")
    if why and why != str(job["state"]):
        state = f"{state}: {why}"
    rows: list[tuple[str, Child]] = [
        ("What", f"{job['title']} (recipe {job['recipe']})"),
        ("On what", ", ".join(part.antennas) or "the bench itself"),
        ("Serial number", str(job["serial"]) if job.get("serial") else None),
        ("When", when),
        ("Bench", str(job["bench"])),
        *(("How", one) for one in _how(part)),
        ("Job", joined([element("code", str(job["id"])), f", {state}"])),
    ]
    return facts(rows)


def _how(part: JobPart) -> Iterator[str]:
    """Each way of sweeping that the job used, once."""
    said: dict[str, list[str]] = {}
    for step in part.worksheet.steps:
        if isinstance(step, CaptureStep):
            where = f"route {step.route}" + (f", position {step.position}" if step.position else "")
            places = said.setdefault(sweep_words(step.sweep), [])
            if where not in places:
                places.append(where)
    for sweep, places in said.items():
        yield f"{sweep}; {'; '.join(places)}"


def sweep_words(plan: SweepPlan) -> str:
    """How a sweep is run, in a sentence without its full stop."""
    average = f", average of {plan.average}" if plan.average > 1 else ""
    fewer = plan.refine_to
    points = (
        f"{plan.points} points"
        if fewer is None
        else (
            f"at most {fewer.at_most_points} of {plan.points} points, chosen to know resonance and "
            f"edges to {number_words(fewer.to_hz, 'Hz')}"
        )
    )
    return (
        f"{plan.method} sweep from {number_words(plan.start_hz, 'Hz')} to "
        f"{number_words(plan.stop_hz, 'Hz')}, {points}, source at "
        f"{number_words(plan.level_dbm, 'dBm')}, resolution bandwidth "
        f"{number_words(plan.resolution_bandwidth_hz, 'Hz')}, {plan.detector} detector, dwell "
        f"{number_words(plan.dwell_s, 's')}{average}"
    )


def _results(part: JobPart) -> Markup:
    records = part.plots.records
    if not records:
        return element("p", "This job has no results.", class_="said")
    steps = [step.name for step in part.worksheet.steps if isinstance(step, ReduceStep)]
    order = {name: at for at, name in enumerate(steps)}
    sorted_records = sorted(
        records, key=lambda one: (order.get(one.step, len(order)), place(one.result.quantity))
    )
    every = [record.result for record in records]
    shown = [record.result for record in sorted_records]
    rows = [
        [record.step, record.result.antenna or "", *_result_row(record.result, every)]
        for record in sorted_records
    ]
    heads = ["Step", "Antenna", "Quantity", "At", "Value, 95 % interval", "k", "Remarks"]
    # A column that says the same everywhere says nothing.
    for column in (1, 0):
        if len({row[column] for row in rows}) == 1:
            del heads[column]
            rows = [row[:column] + row[column + 1 :] for row in rows]
    assumed = assumed_words(every)
    below = [*_notes(shown), *([assumed_sentence(assumed)] if assumed else [])]
    return joined([
        element("h3", "Results"), table(heads, rows),
        *(element("p", one, class_="said") for one in below),
    ])  # fmt: skip


def _notes(results: Sequence[Result]) -> list[str]:
    """What reductions say of their results, each once, with the quantities that it is said of."""
    said: dict[str, list[str]] = {}
    for result in results:
        if result.note:
            said.setdefault(result.note, []).append(quantity_words(result.quantity))
    return [f"{', '.join(dict.fromkeys(names))}: {note}" for note, names in said.items()]


def _result_row(result: Result, among: Sequence[Result]) -> list[Child]:
    flags = [flag for flag in result.flags if flag != ASSUMED_TERM]
    factor = "" if result.coverage_factor is None else f"{result.coverage_factor:.2f}"
    return [
        quantity_words(result.quantity),
        where_words(result, among),
        element("strong", value_words(result)),
        factor,
        flag_words(flags),
    ]


def _limits(verdicts: Sequence[Verdict]) -> Markup:
    if not verdicts:
        return Markup()
    rows = [
        [
            quantity_words(verdict.quantity),
            verdict.limit,
            "" if verdict.result is None else value_words(verdict.result),
            verdict_mark(verdict.outcome, verdict_words(verdict)),
        ]
        for verdict in verdicts
    ]
    heads = ("Quantity", "Limit", "Measured", "Verdict")
    return joined([element("h3", "Limits"), table(heads, rows)])


def verdict_mark(outcome: str, words: str) -> Markup:
    """A verdict in words, with a sign before it that does not rest on its colour."""
    return element("strong", words, class_=_MARKS.get(outcome, "open"))
