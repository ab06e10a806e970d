"""The report: what was measured, as one HTML file for a customer or a notebook.

    parts      what a report is made from: plain documents and values, asked of the daemon
    whole      the page of one job, an antenna or a night
    sections   the sections of one job
    basis      what its numbers rest on: baselines, qualification, captures, instruments
    budgets    where each uncertainty comes from
    markup     elements with everything in them escaped
    style      how it looks on a screen and on paper
    pdf        the same as PDF

The same documents give the same bytes, on every computer with the same versions.
"""

from benchd.report.paper.parts import JobPart, Paper, PaperTable
from benchd.report.paper.whole import paper_text

__all__ = ["JobPart", "Paper", "PaperTable", "paper_text"]
