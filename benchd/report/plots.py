"""Which plots a capture or a job gets, and under which file names.

What the job was run for comes first: curves and marks of its reductions. The raw levels behind
them are drawn where they are asked for, or where there is nothing else.

matplotlib is imported inside the functions: a daemon or a command that draws nothing must not
wait for it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchd.curves import Curve
from benchd.quantities import Picture, quantity
from benchd.report.wording import ASSUMED_TERM, assumed_sentence, assumed_words, flag_words
from benchd.results import Result, ResultRecord
from benchd.traces import Capture, Role

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from benchd.report.figure import Heading


@dataclass(frozen=True, slots=True)
class Drawn:
    """A picture as a part of a page. name: as its file would be called. svg: markup."""

    name: str
    svg: str


@dataclass(frozen=True)
class JobPlots:
    """All that the plots of one job are drawn from.

    reduced: the job's normalised curves.
    records: its results. A result belongs to a curve by its step's name.
    captures: with their traces; its own, and those of other jobs that its results rest on.
    settings: of each reduction by its name, as the worksheet has them: kind, design frequency,
        level of the band, limits of verdicts.
    cautions: how many its worksheet holds.
    zone: of the bench; moments are written in it.
    """

    recipe: str
    bench: str
    job_id: str
    moment: datetime
    reduced: Sequence[Curve] = ()
    records: Sequence[ResultRecord] = ()
    captures: Sequence[Capture] = ()
    settings: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    cautions: int = 0
    zone: tzinfo = UTC

    def number(self, reduction: str, name: str) -> float | None:
        """A number among a reduction's settings; None where there is none."""
        value = self.settings.get(reduction, {}).get(name)
        return None if value is None else float(value)

    def results_of(self, reduction: str) -> list[Result]:
        """Results of one reduction. Records carry its name or its step's label."""
        steps = (reduction, f"reduce {reduction}")
        return [r.result for r in self.records if not reduction or r.step in steps]

    def reductions(self) -> list[str]:
        """Names of all reductions with curves or results, in their order."""
        of_results = [record.step.removeprefix("reduce ") for record in self.records]
        return list(dict.fromkeys([*(curve.reduction for curve in self.reduced), *of_results]))


Keep = Callable[["Figure", str], None]
"""What is done with a finished figure and its name. Called inside `figure.style()`."""


def plot_job(job: JobPlots, folder: Path, *, levels: bool = False) -> list[Path]:
    """Draw a job into `folder`, which is made. Returns the files written, what matters first.

    levels: draw the recorded levels as well, those of one reduction together. They are drawn
    anyway where the job has nothing else to show.
    """
    from benchd.report.figure import save

    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []

    def keep(figure: Figure, name: str) -> None:
        written.extend(save(figure, folder / name))

    _draw_job(job, keep, levels=levels)
    return written


def job_pictures(job: JobPlots, *, levels: bool = False) -> list[Drawn]:
    """The same pictures as parts of a page, what matters first."""
    from benchd.report.inline import as_markup

    drawn: list[Drawn] = []

    def keep(figure: Figure, name: str) -> None:
        drawn.append(Drawn(name, as_markup(figure, f"{job.job_id}-{name}")))

    _draw_job(job, keep, levels=levels)
    return drawn


def _draw_job(job: JobPlots, keep: Keep, *, levels: bool) -> None:
    count = 0

    def counting(figure: Figure, name: str) -> None:
        nonlocal count
        count += 1
        keep(figure, name)

    for reduction in job.reductions():
        _plot_reduction(job, reduction, counting)
    if levels or not count:
        _plot_levels(job, counting)


def plot_capture(
    capture: Capture, recipe: str, folder: Path, *, cautions: int = 0, zone: tzinfo = UTC
) -> list[Path]:
    """Draw one capture's levels into `folder`, which is made. Returns the files written."""
    from benchd.report.figure import save, style
    from benchd.report.level_plot import draw_levels

    folder.mkdir(parents=True, exist_ok=True)
    heading = _heading_of([capture], recipe, capture.bench, capture.job_id, cautions, zone)
    with style():
        return save(draw_levels([capture], heading), folder / safe_name(f"{capture.id} levels"))


def _plot_reduction(job: JobPlots, reduction: str, keep: Keep) -> None:
    curves = [curve for curve in job.reduced if curve.reduction == reduction]
    results = job.results_of(reduction)
    pictures = {quantity(curve.quantity).picture for curve in curves}
    if Picture.RETURN_LOSS in pictures:
        _plot_reflection(job, reduction, curves, keep)
    if Picture.GAIN in pictures:
        _plot_gain(job, reduction, curves, keep)
    _plot_drift(job, reduction, results, keep)
    _plot_panels(job, reduction, curves, keep)
    _plot_differences(job, reduction, results, keep)


def _plot_reflection(job: JobPlots, reduction: str, curves: Sequence[Curve], keep: Keep) -> None:
    from benchd.report.figure import style
    from benchd.report.reflection_plot import draw_reflection

    results = job.results_of(reduction)
    for curve in curves:
        if quantity(curve.quantity).picture is not Picture.RETURN_LOSS:
            continue
        with style():
            figure = draw_reflection(
                curve,
                results,
                _heading(job, results, reduction),
                design_hz=job.number(reduction, "design_frequency_hz"),
                band_level_db=job.number(reduction, "bandwidth_level_db") or 10.0,
            )
            keep(figure, safe_name(f"{reduction} return loss"))


def _plot_gain(job: JobPlots, reduction: str, curves: Sequence[Curve], keep: Keep) -> None:
    from benchd.report.figure import style
    from benchd.report.gain_plot import draw_gain

    results = job.results_of(reduction)
    with style():
        figure = draw_gain(
            [c for c in curves if quantity(c.quantity).picture is Picture.GAIN],
            results,
            _heading(job, results, reduction),
            design_hz=job.number(reduction, "design_frequency_hz"),
        )
        keep(figure, safe_name(f"{reduction} gain"))


def _plot_panels(job: JobPlots, reduction: str, curves: Sequence[Curve], keep: Keep) -> None:
    """Pictures of a qualification."""
    from benchd.report.bench_plot import PANELS, curves_of, draw_panel
    from benchd.report.figure import style

    results = job.results_of(reduction)
    for panel in PANELS:
        shown = curves_of(panel, curves)
        if not shown:
            continue
        with style():
            figure = draw_panel(
                panel,
                shown,
                results,
                _heading(job, results, reduction),
                limit=job.number(reduction, panel.limit) if panel.limit else None,
            )
            what = panel.what.lower()
            name = reduction if what == reduction else f"{reduction} {what}"
            keep(figure, safe_name(name))


def _plot_drift(job: JobPlots, reduction: str, results: Sequence[Result], keep: Keep) -> None:
    from benchd.report.drift_plot import LEAST_CAPTURES, draw_drift, watched
    from benchd.report.figure import style

    if not any(quantity(result.quantity).picture is Picture.DRIFT for result in results):
        return
    used = {capture for result in results for capture in result.captures}
    captures = watched([capture for capture in job.captures if capture.id in used])
    if len(captures) < LEAST_CAPTURES:
        return
    with style():
        figure = draw_drift(
            captures,
            results,
            _heading(job, results, reduction),
            limit_db=job.number(reduction, "limit_db"),
        )
        keep(figure, safe_name(f"{reduction} over time"))


def _plot_differences(job: JobPlots, reduction: str, results: Sequence[Result], keep: Keep) -> None:
    from benchd.report.difference_plot import draw_differences, is_difference
    from benchd.report.figure import style

    found = [result for result in results if is_difference(result)]
    if not found:
        return
    with style():
        figure = draw_differences(found, _heading(job, found, reduction))
        keep(figure, safe_name(f"{reduction} differences"))


def _plot_levels(job: JobPlots, keep: Keep) -> None:
    """The levels behind each reduction in one picture for each route; then what none has used."""
    from benchd.report.figure import style
    from benchd.report.level_plot import draw_levels

    by_id = {capture.id: capture for capture in job.captures}
    groups: list[tuple[str, list[Capture]]] = []
    seen: set[str] = set()
    for reduction in job.reductions():
        ids = dict.fromkeys(c for result in job.results_of(reduction) for c in result.captures)
        used = [by_id[one] for one in ids if one in by_id]
        seen.update(capture.id for capture in used)
        groups.append((reduction, used))
    groups.append(("", [c for c in job.captures if c.id not in seen and c.job_id == job.job_id]))
    for reduction, captures in groups:
        routes = dict.fromkeys(capture.route for capture in captures)
        for route in routes:
            there = sorted((c for c in captures if c.route == route), key=_in_order)
            heading = _heading_of(there, job.recipe, job.bench, job.job_id, job.cautions, job.zone)
            stem = safe_name(f"{reduction} levels {route if len(routes) > 1 else ''}"
                             if reduction else f"levels {route}")  # fmt: skip
            with style():
                keep(draw_levels(there, heading), stem)


_ROLES = tuple(Role)


def _in_order(capture: Capture) -> tuple[int, datetime]:
    return _ROLES.index(capture.role), capture.taken_at


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
        remarks=_remarks(tuple(flags), assumed_words(results)),
        cautions=job.cautions,
    )


def _heading_of(
    captures: Sequence[Capture], recipe: str, bench: str, job_id: str, cautions: int, zone: tzinfo
) -> Heading:
    """The heading of recorded levels: the antenna that was looked at, or what else was fitted."""
    from benchd.report.figure import Heading

    antennas = dict.fromkeys(c.antenna for c in captures if c.antenna)
    roles = dict.fromkeys(c.role.value for c in captures)
    fitted = f"{', '.join(roles).capitalize()} on {captures[0].route}"
    flags = dict.fromkeys(flag for capture in captures for flag in capture.flags)
    return Heading(
        antenna=", ".join(antennas) or fitted,
        recipe=recipe,
        moment=max(capture.taken_at for capture in captures),
        zone=zone,
        bench=bench,
        job_id=job_id,
        captures=tuple(capture.id for capture in captures),
        remarks=_remarks(tuple(flags)),
        cautions=cautions,
    )


def _remarks(flags: Sequence[str], assumed: str = "") -> tuple[str, ...]:
    words = flag_words(flag for flag in flags if flag != ASSUMED_TERM or not assumed)
    said = [f"Flags: {words}."] if words else []
    if assumed:
        said.append(assumed_sentence(assumed))
    return tuple(said)


def safe_name(text: str) -> str:
    """A file name that every system takes: letters, digits, dots and hyphens, 80 at most.

    "yagi r2/../x" -> "yagi-r2-x"; an empty outcome becomes "plot".
    """
    return re.sub(r"[^A-Za-z0-9]+(?:\.+[^A-Za-z0-9]*)*", "-", text).strip("-.")[:80] or "plot"
