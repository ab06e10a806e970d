"""A whole report as one HTML file that needs nothing beside it."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.moments import time_words, zone_name
from benchd.quantities import Where, quantity
from benchd.report.paper.markup import Child, Markup, element, facts, joined, lined, table
from benchd.report.paper.parts import Document, JobPart, Paper, PaperTable, moment_of
from benchd.report.paper.sections import STATE_WORDS, job_article, verdict_mark
from benchd.report.paper.style import STYLE
from benchd.report.wording import quantity_words, value_words, verdict_words, where_words
from benchd.short_list import looked_for_first
from benchd.worksheet import HandsStep

POLICY = "default-src 'none'; style-src 'unsafe-inline'"
CAUTIONS_FIRST = (
    "These are the cautions of the worksheets. They do not replace local rules, the manuals of the "
    "instruments, or the advice of a person who is licensed and trained for this work. Where they "
    "differ, those decide."
)
MOST_SUMMARY_RESULTS = 4


def paper_text(paper: Paper) -> str:
    """The whole file, ending with a line break. The same paper gives the same text."""
    alone = len(paper.jobs) == 1 and paper.kind == "job"
    articles = [job_article(one, at, alone=alone) for at, one in enumerate(paper.jobs, 1)]
    body = element(
        "body",
        *lined([
            _header(paper),
            *([] if alone else [_summary(paper)]),
            *(_table(one) for one in paper.tables),
            element("main", *lined(articles)),
            _cautions(paper.jobs),
            _footer(paper),
        ]),
    )  # fmt: skip
    head = element(
        "head",
        *lined([
            element("meta", charset="utf-8"),
            element("meta", name="viewport", content="width=device-width, initial-scale=1"),
            element("meta", http_equiv="Content-Security-Policy", content=POLICY),
            element("title", f"{paper.title}, {paper.bench}"),
            element("style", Markup(STYLE)),
        ]),
    )  # fmt: skip
    return f"<!doctype html>\n{element('html', head, Markup(chr(10)), body, lang='en')}\n"


def _header(paper: Paper) -> Markup:
    return element(
        "header",
        element("h1", paper.title),
        element("p", f"Bench {paper.bench}", class_="said"),
        element("p", paper.about, class_="said") if paper.about else None,
    )


def _summary(paper: Paper) -> Markup:
    """All jobs of the report in one table, those without a section of their own too."""
    sections = {str(part.job["id"]): at for at, part in enumerate(paper.jobs, 1)}
    parts = {str(part.job["id"]): part for part in paper.jobs}
    every = [*(part.job for part in paper.jobs), *paper.listed]
    every.sort(key=lambda job: (str(job.get("started_at") or job["created_at"]), str(job["id"])))
    rows = [_summary_row(job, parts.get(str(job["id"])), sections, paper) for job in every]
    if not rows:
        return element("p", "There was no job.")
    heads = ("When", "What", "Found", "Limits")
    return element("section", element("h2", "Summary"), table(heads, rows))


def _summary_row(
    job: Document, part: JobPart | None, sections: dict[str, int], paper: Paper
) -> list[Child]:
    began = moment_of(job.get("started_at")) or moment_of(str(job["created_at"]))
    what = f"{job['title']}" + (f", serial {job['serial']}" if job.get("serial") else "")
    antennas = ", ".join(part.antennas) if part else ""
    what = f"{what}: {antennas}" if antennas else what
    name: Child = what
    if part is not None:
        name = element("a", what, href=f"#job-{sections[str(job['id'])]}")
    found: list[Child] = []
    if job["state"] != "done":
        found.append(STATE_WORDS.get(str(job["state"]), str(job["state"])))
    verdicts: list[Child] = []
    every = list(paper.found.get(str(job["id"]), ()))
    if part is not None:
        every = [record.result for record in part.plots.records]
    for result in looked_for_first(every)[:MOST_SUMMARY_RESULTS]:
        at = where_words(result, every)
        place = f" at {at}" if at and quantity(result.quantity).where is not Where.DIP else ""
        found.append(f"{quantity_words(result.quantity)}{place}: {value_words(result)}")
    if part is not None:
        verdicts = [verdict_mark(one.outcome, verdict_words(one)) for one in part.verdicts]
    when = "" if began is None else time_words(began, paper.zone)
    return [when, name, _lines(found), _lines(verdicts)]


def _lines(children: Sequence[Child]) -> Markup:
    parts: list[Child] = []
    for child in children:
        parts += [element("br"), child] if parts else [child]
    return joined(parts)


def _table(one: PaperTable) -> Markup:
    return element(
        "section",
        element("h2", one.heading),
        table(one.columns, one.rows),
        *(element("p", text, class_="said") for text in one.below),
    )


def _cautions(parts: Sequence[JobPart]) -> Markup:
    """The cautions of all worksheets, each once, in a place of their own."""
    said: dict[str, None] = {}
    for part in parts:
        said |= dict.fromkeys(part.worksheet.cautions)
        for step in part.worksheet.steps:
            if isinstance(step, HandsStep) and step.caution:
                said[step.caution] = None
    if not said:
        return Markup()
    return element(
        "section",
        element("h2", "Cautions"),
        element("p", CAUTIONS_FIRST),
        element("ul", *lined([element("li", one) for one in said])),
        class_="cautions",
    )


def _footer(paper: Paper) -> Markup:
    versions = ", ".join(f"{name} {version}" for name, version in paper.versions.items())
    rows: list[tuple[str, Child]] = [
        ("Intervals", "95 % intervals; ± is the expanded uncertainty, k its coverage factor."),
        ("Times", f"in the time zone of the bench, {zone_name(paper.zone)}"),
        ("Written by", versions or None),
    ]
    return element("footer", facts(rows))
