"""Which plots a capture or a job gets, and under which file names.

matplotlib is imported inside the functions: a daemon or a command that draws nothing must not
wait for it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING

from benchd.quantities import Picture, quantity
from benchd.report.reduced import ReducedTrace
from benchd.report.wording import ASSUMED_TERM, assumed_sentence, assumed_words, flag_words
from benchd.results import Result, ResultRecord
from benchd.traces import Capture

if TYPE_CHECKING:
    from benchd.report.figure import Heading


@dataclass(frozen=True)
class JobPlots:
    """All that the plots of one job are drawn from.

    reduced: the job's normalised curves.
    records: its results. A result belongs to a curve by its step's name.
    captures: its captures with their traces; each gets a level plot.
    design_hz: design frequency by the name of the reduction, where known.
    cautions: sentences under every plot, beside the flags of what it shows.
    zone: of the bench; moments are written in it.
    """

    recipe: str
    bench: str
    job_id: str
    moment: datetime
    reduced: Sequence[ReducedTrace] = ()
    records: Sequence[ResultRecord] = ()
    captures: Sequence[Capture] = ()
    design_hz: Mapping[str, float] = field(default_factory=dict)
    band_level_db: Mapping[str, float] = field(default_factory=dict)
    cautions: Sequence[str] = ()
    zone: tzinfo = UTC


def plot_job(job: JobPlots, folder: Path) -> list[Path]:
    """Draw everything of a job into `folder`, which is made. Returns the files written.

    One plot for each return loss curve, one for each reduction with gains, and one for each
    capture. File names are the reduction's or the capture's name, made safe.
    """
    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    for curve in job.reduced:
        if quantity(curve.quantity).picture is Picture.RETURN_LOSS:
            written += _plot_reflection(job, curve, folder)
    for reduction in dict.fromkeys(c.reduction for c in job.reduced if _is_gain(c)):
        written += _plot_gain(job, reduction, folder)
    for capture in job.captures:
        written += plot_capture(capture, job.recipe, folder, cautions=job.cautions, zone=job.zone)
    return written


def plot_capture(
    capture: Capture,
    recipe: str,
    folder: Path,
    *,
    cautions: Sequence[str] = (),
    zone: tzinfo = UTC,
) -> list[Path]:
    """Draw one capture's levels into `folder`, which is made. Returns the files written."""
    from benchd.report.figure import Heading, save, style
    from benchd.report.level_plot import draw_levels

    folder.mkdir(parents=True, exist_ok=True)
    heading = Heading(
        antenna=capture.antenna or f"{capture.role.value.capitalize()} on {capture.route}",
        recipe=recipe,
        moment=capture.taken_at,
        zone=zone,
        bench=capture.bench,
        job_id=capture.job_id,
        captures=(capture.id,),
        cautions=_cautions(capture.flags, cautions),
    )
    with style():
        return save(draw_levels([capture], heading), folder / safe_name(f"{capture.id} levels"))


def _plot_reflection(job: JobPlots, curve: ReducedTrace, folder: Path) -> list[Path]:
    from benchd.report.figure import save, style
    from benchd.report.reflection_plot import draw_reflection

    results = _results_of(job, curve.reduction)
    with style():
        figure = draw_reflection(
            curve,
            results,
            _heading(job, results, curve.reduction),
            design_hz=job.design_hz.get(curve.reduction),
            band_level_db=job.band_level_db.get(curve.reduction, 10.0),
        )
        return save(figure, folder / safe_name(f"{curve.reduction} return loss"))


def _plot_gain(job: JobPlots, reduction: str, folder: Path) -> list[Path]:
    from benchd.report.figure import save, style
    from benchd.report.gain_plot import draw_gain

    results = _results_of(job, reduction)
    curves = [c for c in job.reduced if c.reduction == reduction and _is_gain(c)]
    with style():
        figure = draw_gain(
            curves,
            results,
            _heading(job, results, reduction),
            design_hz=job.design_hz.get(reduction),
        )
        return save(figure, folder / safe_name(f"{reduction} gain"))


def _is_gain(curve: ReducedTrace) -> bool:
    return quantity(curve.quantity).picture is Picture.GAIN


def _results_of(job: JobPlots, reduction: str) -> list[Result]:
    steps = (reduction, f"reduce {reduction}")  # a step's name or its label
    return [r.result for r in job.records if not reduction or r.step in steps]


def _heading(job: JobPlots, results: Sequence[Result], reduction: str) -> Heading:
    from benchd.report.figure import Heading

    antennas = dict.fromkeys(r.antenna for r in results if r.antenna)
    flags = dict.fromkeys(flag for r in results for flag in r.flags)
    return Heading(
        antenna=", ".join(antennas) or reduction or job.recipe,
        recipe=job.recipe,
        moment=job.moment,
        zone=job.zone,
        bench=job.bench,
        job_id=job.job_id,
        captures=tuple(dict.fromkeys(c for r in results for c in r.captures)),
        cautions=_cautions(tuple(flags), job.cautions, assumed_words(results)),
    )


def _cautions(flags: Sequence[str], cautions: Sequence[str], assumed: str = "") -> tuple[str, ...]:
    words = flag_words(flag for flag in flags if flag != ASSUMED_TERM or not assumed)
    said = [f"Flags: {words}."] if words else []
    if assumed:
        said.append(assumed_sentence(assumed))
    return (*said, *cautions)


def safe_name(text: str) -> str:
    """A file name that every system takes: letters, digits, dots and hyphens, 80 at most.

    "yagi r2/../x" -> "yagi-r2-x"; an empty outcome becomes "plot".
    """
    return re.sub(r"[^A-Za-z0-9]+(?:\.+[^A-Za-z0-9]*)*", "-", text).strip("-.")[:80] or "plot"
