"""Results as a person wants to see them: what is looked for first, in 80 columns.

Which quantities come first, and in which order, stands in `benchd.quantities`. Remarks stand below
the table, each once, with the rows that they belong to.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import replace

from benchd.cli.screen import Screen, cell, plain, render, table
from benchd.cli.show import format_verdicts
from benchd.job_request import SERIAL
from benchd.moments import time_words
from benchd.quantities import place
from benchd.report.wording import (
    ASSUMED_TERM,
    assumed_sentence,
    assumed_words,
    flag_words,
    quantity_words,
    value_words,
    where_words,
)
from benchd.results import Result, ResultRecord, Verdict
from benchd.short_list import looked_for_first

WIDTH = 80  # of a table that goes into a file or a pipe, which have no width of their own


def format_results(
    records: Sequence[ResultRecord],
    screen: Screen,
    verdicts: Sequence[Verdict] = (),
    *,
    complete: bool = False,
) -> str:
    """Results with their 95 % intervals, grouped by job, then verdicts if there are any.

    complete: every quantity, not only those that are looked for first.
    """
    if not records and not verdicts:
        return "No results."
    if not screen.wrap:
        screen = replace(screen, width=min(screen.width, WIDTH))
    blocks = []
    for job_id in dict.fromkeys(record.job_id for record in records):
        of_job = [record for record in records if record.job_id == job_id]
        blocks.append(_block(of_job, screen, complete=complete))
    if verdicts:
        blocks.append(format_verdicts(verdicts, screen))
    return "\n\n".join(blocks)


def _block(records: Sequence[ResultRecord], screen: Screen, *, complete: bool) -> str:
    first = records[0]
    every = [record.result for record in records]
    shown = every if complete else looked_for_first(every)
    shown = sorted(shown, key=lambda result: place(result.quantity))
    antennas = dict.fromkeys(result.antenna for result in shown if result.antenna)
    heading = [first.job_id, first.recipe, time_words(first.reduced_at, screen.zone)]
    if len(antennas) == 1:
        heading.append(*antennas)
    if SERIAL in first.bindings:
        heading.append(f"serial {first.bindings[SERIAL]}")
    made = table(*(["Antenna"] if len(antennas) > 1 else []), "Quantity", "At",
                 "Value, 95 % interval")  # fmt: skip
    for result in shown:
        who = [cell(result.antenna or "-")] if len(antennas) > 1 else []
        made.add_row(
            *who,
            cell(quantity_words(result.quantity)),
            cell(where_words(result, every) or "-"),
            cell(value_words(result), "bold"),
        )
    below = _remarks(shown)
    if len(shown) < len(every):
        below.append((f"{len(shown)} of {len(every)} results; --all shows all.", ""))
    lines = [_wrapped(text, style, screen) for text, style in below]
    return "\n".join([_wrapped(", ".join(heading), "", screen), render(made, screen), *lines])


def _remarks(results: Sequence[Result]) -> list[tuple[str, str]]:
    """Lines below a table, with their style: what holds for all rows, then what holds for some,
    then what the uncertainties assume."""
    assumed = assumed_words(results)
    said: dict[tuple[str, bool], list[Result]] = {}
    for result in results:
        flags = [flag for flag in result.flags if flag != ASSUMED_TERM or not assumed]
        for flag in flags:
            said.setdefault((f"{flag_words([flag])}.", True), []).append(result)
        if result.note:
            said.setdefault((result.note, False), []).append(result)
    lines = []
    for (text, is_flag), of in said.items():
        style = "yellow" if is_flag else ""
        if len(of) == len(results) and len(results) > 1:
            lines.append((f"All of these: {text}" if is_flag else text, style))
        else:
            names = _names(of, results)
            own = text.startswith(f"{names}: ")
            lines.append((text if own else f"{names}: {text}", style))
    if assumed:
        lines.append((assumed_sentence(assumed), ""))
    return lines


def _names(of: Sequence[Result], results: Sequence[Result]) -> str:
    """Rows by their quantity; with antenna and place where several rows have one."""
    names = []
    for result in of:
        rows = [one for one in results if one.quantity == result.quantity]
        name = quantity_words(result.quantity)
        if len({one.antenna for one in rows}) > 1:
            name = f"{result.antenna}, {name}"
        if len(rows) > len({one.antenna for one in rows}):
            name = f"{name} at {where_words(result, results)}".removesuffix(" at ")
        names.append(name)
    return ", ".join(dict.fromkeys(names))


def _wrapped(text: str, style: str, screen: Screen) -> str:
    lines = textwrap.wrap(
        plain(text), screen.width, subsequent_indent="  ", break_long_words=True,
        break_on_hyphens=False,
    )  # fmt: skip
    return render(cell("\n".join(lines), style), screen)
