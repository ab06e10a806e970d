"""`benchd report`: what was measured as one file for a customer or a notebook."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchd.cli.client import DEFAULT_URL
from benchd.cli.connection import connect
from benchd.cli.options import DaemonUrl
from benchd.cli.screen import plain, say
from benchd.errors import UserError


def report(
    what: Annotated[
        str,
        typer.Argument(
            metavar="ANTENNA|JOB|NIGHT",
            help="An antenna's name, a job's id, or a night: the date of its evening "
            "(2026-03-14: noon to noon in the bench's zone), or last-night.",
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="FILE", help="The file to write.", show_default="report-NAME.html"
        ),
    ] = None,
    pdf: Annotated[
        bool, typer.Option("--pdf", help="Write PDF instead of HTML; needs benchd[pdf].")
    ] = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:
    """Write a report: plots, results with intervals and limits, budgets, baselines, provenance.

    It is one HTML file that needs nothing beside it, for a browser, a mail or a printer. The same
    captures give the same bytes.
    """
    # Here and not above: they load what no other command needs.
    from benchd.cli.report_parts import gather
    from benchd.report.paper import paper_text
    from benchd.report.paper.pdf import as_pdf, require
    from benchd.report.plots import safe_name

    if pdf:
        require()
    with connect(daemon) as client:
        paper = gather(client, what)
    text = paper_text(paper)
    path = out or Path(f"report-{safe_name(what)}.{'pdf' if pdf else 'html'}")
    data = as_pdf(text) if pdf else text.encode("utf-8")
    try:
        path.write_bytes(data)
    except OSError as error:
        raise UserError(f"cannot write: {error}", where="--out") from error
    say(plain(str(path)))
