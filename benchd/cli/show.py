"""What the commands print: every function takes documents or records and returns text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from typing import Any

from benchd.cli.screen import Screen, cell, failure_words, plain, render, table
from benchd.moments import time_words
from benchd.report.wording import (
    ASSUMED_TERM,
    duration_words,
    flag_words,
    number_words,
    quantity_words,
    value_words,
    verdict_words,
    where_words,
)
from benchd.results import Result, Verdict

STATE_STYLES = {
    "waiting": "",
    "running": "bold cyan",
    "needs-hands": "bold yellow",
    "done": "green",
    "failed": "bold red",
    "withdrawn": "dim",
    "missed": "red",
    "ready": "green",
    "lost": "bold red",
}
OUTCOME_STYLES = {
    "pass": "green",
    "pass-marginal": "yellow",
    "fail": "bold red",
    "fail-marginal": "red",
    "cannot-tell": "bold yellow",
    "absent": "bold red",
}

Document = Mapping[str, Any]


def format_jobs(jobs: Sequence[Document], screen: Screen) -> str:
    """Jobs as a table; what a job waits for, or why it ended, in its last column."""
    if not jobs:
        return "No jobs."
    made = table("Job", "State", "Recipe", "Steps done", "Queued", "Note")
    for job in jobs:
        made.add_row(
            cell(job["id"]),
            cell(job["state"], STATE_STYLES.get(job["state"], "")),
            cell(job["recipe"] + (f", serial {job['serial']}" if job.get("serial") else "")),
            cell(f"{job['step_index']} of {job['steps_total']}"),
            cell(_time(job["created_at"], screen.zone)),
            cell(_job_note(job, screen.zone)),
        )
    return render(made, screen)


def _job_note(job: Document, zone: tzinfo) -> str:
    if job["state"] == "needs-hands" and job.get("hands"):
        held = _held(job["hands"], zone)
        ask = f"{job['hands'].get('ask', '')} Then: {_answer(job['id'], job['hands'])}"
        return f"{ask} {held}" if held else ask
    if job.get("withdraw_ordered_at") and job["state"] in ("running", "needs-hands"):
        return "is being stopped by order"
    if job["state"] == "done" and job["message"] not in ("", "done"):
        return str(job["message"])
    if job["state"] == "waiting" and job.get("put_back_at"):
        return str(job["message"])
    if job["state"] in ("failed", "missed"):
        return failure_words(job.get("error")) or str(job["message"])
    if job["state"] == "running":
        return str(job["message"])  # the step at hand
    if job["state"] == "waiting" and job.get("not_before"):
        return window_words(job["not_before"], zone)
    return str(job["message"]) if job["state"] == "waiting" else ""


def window_words(not_before: str, zone: tzinfo = UTC) -> str:
    """When a waiting job may begin."""
    return f"not before {_time(not_before, zone)}"


def format_later(job: Document, zone: tzinfo = UTC) -> str:
    """A job whose window is not open yet, and how to wait for it all the same."""
    waits = f"{job['id']}: {job['recipe']} waits: {window_words(job['not_before'], zone)}."
    return plain(f"{waits} To watch it until then: benchd watch {job['id']}")


def format_queued(job: Document) -> str:
    """What was queued, and how long it will take."""
    needs = duration_words(float(job["expected_s"]))
    return plain(f"{job['id']} queued: {job['recipe']}, {job['steps_total']} steps, about {needs}.")


def format_hands(hands: Document, job_id: str, zone: tzinfo = UTC) -> str:
    """A hands request, without its frame; times in the zone of the bench."""
    caution = str(hands.get("caution", ""))
    lines = [str(hands.get("ask", "")), *([f"Caution: {caution}"] if caution else [])]
    held = _held(hands, zone)
    lines += [f"Then: {_answer(job_id, hands)}", *([held] if held else [])]
    return plain("\n".join(lines))


_UNANSWERED = {
    "let-others-run": "then waiting jobs run and RF may come on",
    "skip": "then what follows is left out, up to the next request, and RF may come on",
    "give-up": "then the job gives up",
}


def _held(hands: Document, zone: tzinfo) -> str:
    """Until when RF stays off for this request, and what then; empty where that is not told."""
    until = hands.get("until")
    if not until:
        return ""
    then = _UNANSWERED.get(str(hands.get("then")), "then RF may come on")
    return f"RF stays off for it until {_time(until, zone)}; {then}."


def _answer(job_id: str, hands: Document) -> str:
    """The command that answers this request and no other: twice given, it is refused.

    A look of a trim session wants a length as well, so it is answered in the session.
    """
    if hands.get("look"):
        return f"benchd trim --job {job_id}"
    step = f" --step {hands['step']}" if "step" in hands else ""
    return f"benchd ready {job_id}{step}"


def format_instruments(
    instruments: Sequence[Document], screen: Screen, now: datetime | None = None
) -> str:
    """The bench's instruments and how they are; what is said of each is as old as its answer.

    now: for tests.
    """
    now = datetime.now(UTC) if now is None else now
    made = table(
        "Instrument", "Kind", "State", "Answered", "Driver", "Address", "Identity", "Message"
    )
    for each in instruments:
        made.add_row(
            cell(each["name"], "bold"),
            cell(each["kind"]),
            cell(each["state"], STATE_STYLES.get(each["state"], "")),
            cell(_answered(each.get("answered_at"), now, screen.zone)),
            cell(each["driver"]),
            cell(each["address"]),
            cell(each["identity"]),
            cell(each["message"]),
        )
    if not instruments:
        return "The bench has no instruments."
    asked = all(each.get("asked", True) for each in instruments)
    return render(made, screen) + ("" if asked else f"\n{_NOT_ASKED}")


_NOT_ASKED = (
    "None was asked just now, since a job is under way or RF is not verified off: each state is as "
    "old as the last answer."
)
_LATELY_S = 3600.0


def _answered(text: str | None, now: datetime, zone: tzinfo) -> str:
    """When an instrument last answered: how long ago, or the moment if that is long ago."""
    if not text:
        return "never yet"
    ago_s = max(0.0, (now - datetime.fromisoformat(text)).total_seconds())
    return f"{duration_words(ago_s)} ago" if ago_s < _LATELY_S else _time(text, zone)


def format_captures(captures: Sequence[Document], screen: Screen) -> str:
    """Captures as a table, newest first."""
    if not captures:
        return "No captures."
    made = table("Capture", "Role", "Route", "Antenna", "Span", "Points", "Taken", "Flags")
    for each in captures:
        settings = each["settings"]
        made.add_row(
            cell(each["id"]),
            cell(each["role"]),
            cell(each["route"] + (f", {each['position']}" if each["position"] else "")),
            cell(each["antenna"] or "-"),
            cell(_span(settings)),
            cell(str(settings.get("points", "-"))),
            cell(_time(each["taken_at"], screen.zone)),
            cell(flag_words(each["flags"])),
        )
    return render(made, screen)


def _span(settings: Document) -> str:
    try:
        low, high = (number_words(float(settings[k]), "Hz") for k in ("start_hz", "stop_hz"))
    except (KeyError, TypeError, ValueError):
        return "-"
    return f"{low} to {high}"


def format_recipes(recipes: Sequence[Document], screen: Screen) -> str:
    """Recipes with their parameters and defaults."""
    made = table("Recipe", "What it does", "Parameters")
    for each in recipes:
        if each.get("error"):
            made.add_row(cell(each["name"], "bold"), cell(each["error"], "red"), cell(""))
            continue
        parameters = [_parameter(name, about) for name, about in each["parameters"].items()]
        made.add_row(
            cell(each["name"], "bold"), cell(each["title"]), cell("\n".join(parameters) or "-")
        )
    return render(made, screen) if recipes else "No recipes."


def format_recipe(recipe: Document, screen: Screen) -> str:
    """One recipe: what it does, and what each of its parameters is for."""
    heading = plain(f"{recipe['name']}: {recipe.get('error') or recipe['title']}")
    about = render(cell(str(recipe.get("about") or "")), screen)
    made = table("Parameter", "Kind", "Where none is given", "What it is for")
    for name, one in recipe["parameters"].items():
        ends = [f"{key} {one[key]}" for key in ("least", "most") if one.get(key) is not None]
        choices = [", ".join(one["choices"])] if one.get("choices") else []
        kind = ", ".join([str(one.get("kind", "")), *choices, *ends])
        made.add_row(
            cell(name, "bold"), cell(kind), cell(_default(one)), cell(str(one.get("about") or ""))
        )
    shown = render(made, screen) if recipe["parameters"] else "It has no parameters."
    return "\n\n".join(part for part in (heading, about, shown) if part)


def _parameter(name: str, about: Any) -> str:
    words = _default(about) if isinstance(about, Mapping) else _TO_BE_GIVEN
    return f"{name} ({words})" if words == _TO_BE_GIVEN else f"{name} = {words}"


_TO_BE_GIVEN = "to be given"
_CHOSEN = {
    "reference": "the only antenna of known gain that no route fixes",
    "range": "the antenna that the route fixes",
    "alike": "any, where all antennas are alike",
}


def _default(about: Mapping[str, Any]) -> str:
    """What a parameter is where nobody gives it, in words."""
    if about.get("default") is not None:
        return str(about["default"])
    if about.get("choose"):
        return _CHOSEN.get(str(about["choose"]), _TO_BE_GIVEN)
    base = about.get("of")
    if base is None:
        return _TO_BE_GIVEN
    for key, words in (("wavelengths", "wavelengths at"), ("periods", "periods of")):
        if about.get(key) is not None:
            return f"{about[key]:g} {words} {base}"
    if about.get("times") == "span":
        return f"as wide as {base} needs"
    factor = about.get("times")
    return f"that of {base}" if factor is None else f"{factor:g} times that of {base}"


def format_verdicts(verdicts: Sequence[Verdict], screen: Screen) -> str:
    """How results stand against the recipe's limits."""
    made = table("Quantity", "Limit", "Measured", "Verdict")
    for verdict in verdicts:
        measured = "-" if verdict.result is None else value_words(verdict.result)
        style = OUTCOME_STYLES.get(verdict.outcome, "")
        made.add_row(
            cell(quantity_words(verdict.quantity)),
            cell(verdict.limit),
            cell(measured),
            cell(verdict_words(verdict), style),
        )
    return render(made, screen)


def format_result_line(result: Result) -> str:
    """One result on one line, for progress output."""
    place = where_words(result)
    at = "at" if result.along is not None else "from"
    name = quantity_words(result.quantity) + (f" {at} {place}" if place else "")
    who = f"{result.antenna}: " if result.antenna else ""
    # What is assumed stands under the table, with names; on every line it would drown the rest.
    flags = flag_words(flag for flag in result.flags if flag != ASSUMED_TERM)
    remark = f" ({flags})" if flags else ""
    return plain(f"{who}{name} = {value_words(result)}{remark}")


def _time(text: str | None, zone: tzinfo) -> str:
    return time_words(datetime.fromisoformat(text), zone) if text else "-"
