"""A trim session in words, for a terminal: each look, the dips above each other, what to do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from benchd.rounding import number_words, rounded_words, size_words

Document = Mapping[str, Any]

LEAST_COLUMNS = 24
BEFORE_LADDER = 24  # "look 12   1.6523 GHz    "
MARGIN = 0.02

HELP_BUTTON = (
    "Enter: look.  1.5mm: so much was taken off each arm, then look.  0mm: nothing was.\n"
    "Typed wrongly? look 2: 0.5mm: so much was taken off before look 2.\n"
    "stop: end the session.  withdraw: give it up."
)
HELP_LID = (
    "Close the lid: look.  1.5mm: so much was taken off each arm, noted for the next look.\n"
    "Typed wrongly? look 2: 0.5mm: so much was taken off before look 2.\n"
    "Enter: look now.  stop: end the session.  withdraw: give it up."
)


def look_lines(session: Document, look: Document, width: int) -> list[str]:
    """All that one look has shown: the dips so far above each other, then what this one says."""
    results = look["results"]
    lines = [*ladder(session, look["number"], width)]
    found = results.get("resonance_frequency")
    if found is None or found["low"] is None:
        count = results.get("resonance_count") or {}
        note = (found or count).get("note") or "No resonance was found in the sweep."
        lowest = "" if found is None else f" It is lowest at {_hz(found['value'])}."
        design = _hz(session["design_frequency_hz"])
        lines.append(f"{note}{lowest} The design frequency is {design}.")
        return lines
    lines.append(_resonance(session, look, found))
    shift = results.get("resonance_frequency_difference")
    if shift is not None:
        sure = shift["expanded_uncertainty"]
        lines.append(
            f"Since the first look it has moved by {rounded_words(shift['value'], sure, 'Hz')} ± "
            f"{size_words(sure, 'Hz')}."
        )
    rate, left = results.get("trim_rate"), results.get("trim_per_arm")
    if rate is not None:
        lines.append(rate["note"])
    if left is not None:
        lines.append(left["note"])
    else:
        lines.append(
            "How much to take off is not known: the bench file states no arm (trim:) of this "
            "antenna, so take off a little, type how much, and look again."
        )
    return lines


def _resonance(session: Document, look: Document, found: Document) -> str:
    design_hz = session["design_frequency_hz"]
    sure = found["expanded_uncertainty"]
    away_hz = found["value"] - design_hz
    side = "below" if away_hz < 0.0 else "above"
    removed = look["removed_m"]
    taken = "" if removed is None else f" after {number_words(removed, 'm')} taken off"
    return (
        f"Look {look['number']}{taken}: resonance at {rounded_words(found['value'], sure, 'Hz')} ± "
        f"{size_words(sure, 'Hz')}, {rounded_words(abs(away_hz), sure, 'Hz')} {side} the design "
        f"frequency."
    )


def ladder(session: Document, up_to: int, width: int) -> list[str]:
    """One line for each look so far, newest last: v is the dip, = its interval, | the design."""
    looks = [look for look in session["looks"] if look["number"] <= up_to]
    ends = _ends(session["design_frequency_hz"], looks)
    columns = max(LEAST_COLUMNS, width - BEFORE_LADDER - 1)
    design = _column(session["design_frequency_hz"], ends, columns)
    lines = []
    for look in looks:
        found = look["results"].get("resonance_frequency")
        row = [" "] * columns
        row[design] = "|"
        told = "no dip"
        if found is not None and found["low"] is not None:
            first, last = (_column(found[end], ends, columns) for end in ("low", "high"))
            row[first : last + 1] = "=" * (last - first + 1)
            row[design] = "|"
            row[_column(found["value"], ends, columns)] = "v"
            told = rounded_words(found["value"], found["expanded_uncertainty"], "Hz")
        lines.append(f"look {look['number']:<4} {told:<14}{''.join(row)}".rstrip())
    mark = _hz(session["design_frequency_hz"])
    before = BEFORE_LADDER + design
    lines.append(f"{'design ' + mark:>{before}}".rstrip() if before > 20 else f"design {mark}")
    return lines


def _ends(design_hz: float, looks: Sequence[Document]) -> tuple[float, float]:
    marks = [design_hz]
    for look in looks:
        found = look["results"].get("resonance_frequency")
        if found is not None and found["low"] is not None:
            marks += [found["low"], found["high"], found["value"]]
    low, high = min(marks), max(marks)
    room = max(MARGIN * design_hz, 0.1 * (high - low))
    return low - room, high + room


def _column(at_hz: float, ends: tuple[float, float], columns: int) -> int:
    share = (at_hz - ends[0]) / (ends[1] - ends[0])
    return min(columns - 1, max(0, round(share * (columns - 1))))


def _hz(value_hz: float) -> str:
    return number_words(value_hz, "Hz")


def request_lines(session: Document) -> list[str]:
    """What the session asks for now, and what may be typed."""
    hands = session["hands"] or {}
    lines = [str(hands.get("ask", ""))]
    if hands.get("caution"):
        lines.append(f"! {hands['caution']}")
    noted = session["noted_removed_m"]
    if noted is not None:
        lines.append(f"Noted: {number_words(noted, 'm')} taken off each arm.")
    if hands.get("look"):
        lines += (HELP_LID if hands["look"] == "lid" else HELP_BUTTON).split("\n")
    else:
        lines.append("Enter: it is done, RF may come on.  withdraw: give the session up.")
    return lines


def end_lines(session: Document) -> list[str]:
    """How the session ended, and how its new length gets into the register."""
    looks = session["looks"]
    lines = [f"{session['job']} {session['state']}: {session['message']}"]
    removed = [look["removed_m"] for look in looks[1:]]
    if removed and all(one is not None for one in removed):
        total = sum(removed)
        lines.append(f"Taken off each arm in all: {number_words(total, 'm')}.")
    if looks:
        lines.append(f"Its looks: benchd results --job {session['job']}")
    return lines
