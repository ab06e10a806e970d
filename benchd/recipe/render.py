"""A worksheet as plain text: what will happen, at which levels, and what to mind."""

from __future__ import annotations

import textwrap
from typing import Any

from benchd.reductions.limits import limit_words
from benchd.rounding import duration_words
from benchd.sweeps import WIRING_WORDS, Refine, SweepPlan
from benchd.units import show
from benchd.worksheet import (
    AcceptStep,
    BaselineInput,
    CaptureStep,
    HandsStep,
    LevelRow,
    ReduceStep,
    Step,
    Worksheet,
)

WIDTH = 96


def render_worksheet(worksheet: Worksheet) -> str:
    """The whole worksheet, ready to print; ends with a line break."""
    lines = [
        f"{worksheet.title}",
        f"recipe {worksheet.recipe} ({worksheet.recipe_hash[:12]}) on bench "
        f"{worksheet.bench} ({worksheet.bench_hash[:12]})",
        f"expected time {duration_words(worksheet.expected_s)}{_hands_note(worksheet)}; "
        f"if interrupted: {worksheet.on_interrupt}",
    ]
    if worksheet.parameters:
        lines += ["", "Parameters"]
        width = max(len(name) for name in worksheet.parameters)
        lines += [f"  {name:<{width}}  {_value(v)}" for name, v in worksheet.parameters.items()]
    if worksheet.cautions:
        lines += ["", "Cautions"]
        for caution in worksheet.cautions:
            lines += _wrapped(caution, "  ! ", "    ")
    lines += ["", "Steps"]
    for step in worksheet.steps:
        lines += _step(step)
    return "\n".join(lines) + "\n"


def whole_duration(seconds: float) -> str:
    """A time that somebody chose, so mostly a round one: `30 min`, `1 min 30 s`, `2 h`."""
    return duration_words(seconds).removesuffix(" 00 s").removesuffix(" 00 min")


def _hands_note(worksheet: Worksheet) -> str:
    count = sum(isinstance(step, HandsStep) for step in worksheet.steps)
    return f", and {count} x your hands" if count else ", hands-off"


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def _wrapped(text: str, first: str, later: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=later) or [first]


def _step(step: Step) -> list[str]:
    time = duration_words(step.expected_s) if step.expected_s else ""
    lines = [f"{step.index + 1:>3}. {step.label:<70}{time:>20}".rstrip()]
    indent = "       "
    if isinstance(step, CaptureStep):
        lines += _wrapped(_sweep(step.sweep), indent, indent)
        for setting in step.switching:
            numbers = ", ".join(str(channel) for channel in setting.channels)
            lines.append(f"{indent}{setting.instrument}: close {numbers}")
        lines += [f"{indent}{line}" for line in _levels(step.levels)]
    elif isinstance(step, HandsStep):
        lines += _wrapped(step.ask, indent, indent)
        lines += _wrapped(_patience(step), indent, indent)
        if step.look is not None:
            lines += _wrapped(LOOK_STARTS[step.look], indent, indent)
    elif isinstance(step, ReduceStep):
        inputs = [f"{key}: {' and '.join(names)}" for key, names in step.settings.inputs().items()]
        inputs += [_baseline(one) for one in step.settings.baselines()]
        from_what = f" from {', '.join(inputs)}" if inputs else ""
        lines += _wrapped(f"{step.settings.kind}{from_what}", indent, indent)
    elif isinstance(step, AcceptStep):
        lines += [f"{indent}{limit.quantity} {limit_words(limit)}" for limit in step.limits]
    for caution in step.cautions:
        lines += _wrapped(caution, f"{indent}! ", f"{indent}  ")
    return lines


def _baseline(one: BaselineInput) -> str:
    return f"{'closing ' if one.is_closing else ''}{one.role}: {one.name}"


_UNANSWERED = {
    "let-others-run": "then lets waiting jobs run and asks again",
    "skip": "then leaves out what follows, up to the next request",
    "give-up": "then gives up",
}


LOOK_STARTS = {
    "button": "the look is started by you alone: by the button, or Enter in the terminal",
    "lid": "the look starts by itself 1 s after you have closed the lid, or by button or Enter; "
    "while the lid is open RF stays off",
}


def _patience(step: HandsStep) -> str:
    return f"waits {whole_duration(step.patience_s)} for you, {_UNANSWERED[step.then]}"


def _sweep(plan: SweepPlan) -> str:
    average = f", average of {plan.average}" if plan.average > 1 else ""
    finer = _refinement(plan)
    return (
        f"{plan.method}{_lists(plan)}, {show(plan.start_hz, 'Hz')} to {show(plan.stop_hz, 'Hz')}, "
        f"{plan.points} points{finer}, {show(plan.level_dbm, 'dBm')}, RBW "
        f"{show(plan.resolution_bandwidth_hz, 'Hz')}, {plan.detector}, dwell "
        f"{show(plan.dwell_s, 's')}{average}"
    )


def _refinement(plan: SweepPlan) -> str:
    """Which points a sweep reads beside its grid, or of its grid."""
    refine = plan.refine
    if refine is None:
        return ""
    if isinstance(refine, Refine):
        return f", then {refine.points} over {show(refine.span_hz, 'Hz')}"
    time = "" if refine.at_most_s is None else f" and {whole_duration(refine.at_most_s)}"
    return (
        f", of which at most {refine.at_most_points}{time} are read: every "
        f"{show(refine.reach_hz, 'Hz')} at first (no second dip that wide is overlooked), then "
        f"where resonance and edges need it, to {show(refine.to_hz, 'Hz')}"
    )


def _lists(plan: SweepPlan) -> str:
    """How the points are gone through, where it is not by command."""
    if plan.lists is None:
        return ""
    missed = {
        "fail": "a missed trigger ends the job",
        "step-by-command": "without lists if a trigger is missed",
    }
    return f" ({WIRING_WORDS[plan.lists.wiring]}; {missed[plan.lists.if_missed]})"


def _levels(rows: tuple[LevelRow, ...]) -> list[str]:
    width = max((len(row.element) for row in rows), default=0)
    lines = []
    for row in rows:
        if row.limit_dbm is None:
            limit = "limit not stated"
        else:
            limit = f"of {row.limit_dbm:6.1f} dBm, margin {row.margin_db:6.1f} dB"
        lines.append(f"{row.element:<{width}}  {row.level_dbm:7.1f} dBm {limit}")
    return lines
