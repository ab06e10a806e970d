"""Where the uncertainties of a job's main results come from, largest part first."""

from __future__ import annotations

from benchd.quantities import place
from benchd.reduce.uncertainty import improve_first, shares
from benchd.report.budget_words import Scale, size_of, sums
from benchd.report.paper.markup import Child, Markup, element, joined, table
from benchd.report.paper.parts import JobPart
from benchd.report.wording import quantity_words, value_words, where_words
from benchd.results import Budget, Result
from benchd.short_list import looked_for_first

LEAST_SHARE = 0.005  # smaller terms are told together
MOST_BUDGETS = 12
ASSUMED_MARK = " *"


def budgets(part: JobPart) -> Markup:
    """A table for each of the results that are looked for first and have a budget."""
    every = [record.result for record in part.plots.records]
    first = sorted(looked_for_first(every), key=lambda result: place(result.quantity))
    told = [one for one in first if one.budget is not None and one.budget.terms]
    if not told:
        return Markup()
    parts = [_budget(one, one.budget, every) for one in told[:MOST_BUDGETS] if one.budget]
    more = len(told) - MOST_BUDGETS
    return joined([
        element("h3", "Where the uncertainty comes from"),
        *parts,
        element("p", f"And {more} budgets more: benchd budget prints each.", class_="said")
        if more > 0
        else None,
    ])  # fmt: skip


def _budget(result: Result, budget: Budget, among: list[Result]) -> Markup:
    where = where_words(result, among)
    name = quantity_words(result.quantity) + (f" at {where}" if where else "")
    who = f"{result.antenna}: " if result.antenna else ""
    scale = Scale(budget.standard, result.unit)
    rows: list[list[Child]] = []
    small: list[float] = []
    assumed = False
    for line, share in shares(budget):
        if share < LEAST_SHARE:
            small.append(share)
            continue
        assumed = assumed or line.assumed
        rows.append([
            line.name + (ASSUMED_MARK if line.assumed else ""),
            size_of(line),
            line.distribution,
            scale.words(line.contribution),
            f"{100.0 * share:.1f} %",
        ])  # fmt: skip
    if small:
        count = f"{len(small)} smaller term{'s' if len(small) > 1 else ''} together"
        rows.append([count, "", "", "", f"{100.0 * sum(small):.1f} %"])
    return joined([
        element("h4", f"{who}{name}: {value_words(result)}"),
        table(
            ("Term", "Size", "Distribution", "Contribution", "Share"), rows,
            class_="small", numbers="3 4",
        ),
        element("p", ". ".join(sums(result, budget)) + ".", class_="said"),
        element("p", "* a documented default, not knowledge of this bench", class_="said")
        if assumed
        else None,
        element("p", improve_first(budget, result.unit), class_="said"),
    ])  # fmt: skip
