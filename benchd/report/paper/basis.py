"""What the numbers of one job rest on, each in its own table."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from benchd.moments import time_words
from benchd.report.paper.markup import Child, Markup, element, facts, joined, table
from benchd.report.paper.parts import Document, JobPart
from benchd.report.wording import duration_words, flag_words, quantity_words
from benchd.rounding import band_words, fixed
from benchd.rounding import joined as with_unit

BASELINE_ROLES = ("open", "short", "load", "thru", "empty", "reference")
NOTHING_QUALIFIED = (
    "No qualification of these parts was in force: the sizes come from the bench file, or are "
    "documented defaults, which the budgets mark."
)


def baselines(part: JobPart) -> Markup:
    """What was compared with: open, short, reference and their like, and how old they were."""
    used = {capture for record in part.plots.records for capture in record.result.captures}
    tests = [_taken(one) for one in part.captures if one["id"] in used and one["role"] == "test"]
    rows: list[list[Child]] = []
    for one in part.captures:
        if one["id"] not in used or one["role"] not in BASELINE_ROLES:
            continue
        taken = _taken(one)
        rows.append([
            str(one["role"]),
            element("code", str(one["id"])),
            time_words(taken, part.zone),
            _age(taken, tests),
            _place(one),
            "this job" if one["job_id"] == part.job["id"] else element("code", str(one["job_id"])),
        ])  # fmt: skip
    if not rows:
        return Markup()
    heads = ("Role", "Capture", "Taken", "Age when used", "Where", "Taken by")
    return joined([element("h3", "Baselines"), table(heads, rows, class_="small")])


def _taken(capture: Document) -> datetime:
    return datetime.fromisoformat(str(capture["taken_at"]))


def _age(taken: datetime, tests: list[datetime]) -> str:
    """How long before the measurement it was taken; a closing baseline comes after it."""
    if not tests:
        return ""
    seconds = (min(tests) - taken).total_seconds()
    words = duration_words(abs(seconds))
    return words if seconds >= 0.0 else f"{words} after it"


def _place(capture: Document) -> str:
    position = capture.get("position")
    return f"{capture['route']}, {position}" if position else str(capture["route"])


def qualification(part: JobPart) -> Markup:
    """What had been measured of the bench itself, and was taken for known."""
    if not part.plots.records:
        return Markup()
    rows: list[list[Child]] = [
        [
            quantity_words(str(one["quantity"])),
            _range(one),
            _reach(one),
            str(one["route"]),
            time_words(datetime.fromisoformat(str(one["reduced_at"])), part.zone),
            joined([f"{one['recipe']}, ", element("code", str(one["job_id"]))]),
        ]
        for one in part.qualification
    ]
    heads = ("Of the bench", "Found", "Over", "Route", "When", "By")
    shown = table(heads, rows, class_="small")
    return joined([
        element("h3", "Qualification in force"),
        shown or element("p", NOTHING_QUALIFIED, class_="said"),
    ])  # fmt: skip


def _reach(one: Document) -> str:
    low_hz, high_hz = (float(end) for end in one["band_hz"])
    beyond = "" if one["covers"] else " (does not reach this sweep: not used)"
    return band_words(low_hz, high_hz, "Hz") + beyond


def _range(one: Document) -> str:
    least, greatest = (fixed(float(one[key]), 2) for key in ("least", "greatest"))
    return with_unit(least if least == greatest else f"{least} to {greatest}", str(one["unit"]))


def provenance(part: JobPart) -> Markup:
    """Captures with their checksums, instruments, and the hashes of what was written."""
    job, worksheet = part.job, part.worksheet
    instruments: dict[str, str] = {}
    for one in part.captures:
        instruments |= {str(name): str(text) for name, text in one["instruments"].items()}
    hashes: list[tuple[str, Child]] = [
        *((f"Instrument {name}", text) for name, text in sorted(instruments.items())),
        ("Recipe", element("code", worksheet.recipe_hash)),
        ("Worksheet", element("code", str(job["worksheet_hash"]))),
        ("Bench", element("code", worksheet.bench_hash)),
    ]
    rows: list[list[Child]] = [
        [
            element("code", str(one["id"])),
            str(one["role"]),
            str(one.get("antenna") or ""),
            _place(one),
            time_words(_taken(one), part.zone),
            flag_words(one["flags"]),
        ]
        for one in part.captures
    ]
    more = part.captures_total - len(part.captures)
    return joined([
        element("h3", "Provenance"),
        facts(hashes),
        table(
            ("Capture", "Role", "Antenna", "Where", "Taken", "Flags"), rows, class_="small"
        ),
        table(("Capture", "Trace", "Points", "SHA-256"), _sums(part.captures), class_="small"),
        element("p", f"And {more} captures more.", class_="said") if more > 0 else None,
    ])  # fmt: skip


def _sums(captures: Sequence[Document]) -> list[list[Child]]:
    """The checksum of each trace; see `benchd.traces.Trace.sha256` for what it is taken of."""
    return [
        [
            element("code", str(capture["id"])),
            str(trace["name"]),
            str(trace["points"]),
            element("code", str(checksum)),
        ]
        for capture in captures
        for trace, checksum in zip(capture["traces"], capture["trace_sha256"], strict=True)
    ]
