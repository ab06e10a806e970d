"""Checking that a queued job may still run, since the bench file may have changed since then."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime

from benchd.bench import Bench
from benchd.bench.instruments import PowerMeterInstrument
from benchd.bench.levels import excesses, level_budget
from benchd.errors import OrderRefused
from benchd.rounding import about_words
from benchd.store import CaptureRow
from benchd.traces import PATH_BROKEN
from benchd.worksheet import CaptureStep, ReduceStep, RouteStep, SwitchSetting, Worksheet


def require_same_bench(worksheet: Worksheet, step_index: int, bench: Bench) -> None:
    """Refuse a worksheet if the present bench file contradicts its remaining steps.

    Its level budget, cables and switch settings come from the bench file that was in force when it
    was queued. Raises OrderRefused naming every difference.
    """
    if worksheet.bench_hash == bench.hash:
        return
    found: list[str] = []
    for step in worksheet.steps[step_index:]:
        if isinstance(step, CaptureStep):
            found += _against_bench(step, bench)
        elif isinstance(step, RouteStep):
            found += _switched_otherwise(step, bench)
    if found:
        raise OrderRefused(
            "the bench file was changed after this job was queued: "
            + "; ".join(dict.fromkeys(found)),
            where=bench.bench,
            advice="RF stayed off. Queue the recipe again, so that it is checked anew.",
        )


def _switched_otherwise(step: CaptureStep | RouteStep, bench: Bench) -> list[str]:
    """How the switching of a step's route has changed since the job was queued; empty if it has
    not.

    The step would close the channels that it was queued with, and RF might take a path that the
    level budget did not check.
    """
    route = bench.routes.get(step.route)
    if route is None:
        return [f"there is no route {step.route} any more"]
    if step.position is not None and step.position not in route.positions:
        return [f"route {step.route} has no position {step.position} any more"]
    now = bench.switch_settings(step.route, step.position)
    if now == step.switching:
        return []
    place = f"{step.route}/{step.position}" if step.position else step.route
    return [f"{place} is switched by {_channels(now)}, before by {_channels(step.switching)}"]


def _channels(settings: Iterable[SwitchSetting]) -> str:
    shown = (
        f"{setting.instrument} {', '.join(str(one) for one in setting.channels)}"
        for setting in settings
    )
    return " and ".join(shown) or "nothing"


def _against_bench(step: CaptureStep, bench: Bench) -> list[str]:
    gone = _switched_otherwise(step, bench)
    if gone:
        return gone
    route = bench.routes[step.route]
    if (route.source, route.analyzer) != (step.source, step.analyzer):
        return [f"route {step.route} now leads from {route.source} to {route.analyzer}"]
    meters = isinstance(bench.analyzer_of(route), PowerMeterInstrument)
    if meters != (step.sweep.detector == "power"):
        kinds = ("an analyzer", "a power meter")
        return [f"{step.analyzer} was {kinds[not meters]} and is {kinds[meters]} now"]
    now = bench.route_fixtures(step.route)
    changed = sorted(
        name for name in {*now, *step.fixtures} if now.get(name) != step.fixtures.get(name)
    )
    found = [f"{name} on route {step.route} is described otherwise" for name in changed]
    band_hz = (step.sweep.start_hz, step.sweep.stop_hz)
    rows = level_budget(bench, step.route, step.position, step.sweep.level_dbm, band_hz)
    return found + [
        f"up to {row.level_dbm:.1f} dBm could reach {row.element}, which takes "
        f"{row.limit_dbm:.1f} dBm at most"
        for row in excesses(rows)
    ]


def outdated(
    worksheet: Worksheet,
    step_index: int,
    captures: Iterable[CaptureRow],
    now: datetime,
    identities: Mapping[str, str],
) -> list[str]:
    """Reasons why captures from before an interruption cannot be used for the remaining steps.

    captures: those of the job, newest first. identities: of the instruments that answer now; the
    others are not compared. Empty if the job may resume.
    """
    newest: dict[str, CaptureRow] = {}
    for row in captures:
        if PATH_BROKEN not in row.flags:
            newest.setdefault(row.step, row)
    found: list[str] = []
    still_to_take: set[str] = set()
    for step in worksheet.steps[step_index:]:
        if isinstance(step, CaptureStep):
            still_to_take.add(step.name)
        elif isinstance(step, ReduceStep) and _inputs(step) & still_to_take:
            for one in step.settings.baselines():
                if one.name in newest and one.name not in still_to_take:
                    row = newest[one.name]
                    found += _against_now(row, step.settings.oldest_s, now, identities)
    return list(dict.fromkeys(found))


def _inputs(step: ReduceStep) -> set[str]:
    return {name for names in step.settings.inputs().values() for name in names}


def _against_now(
    row: CaptureRow, max_age_s: float | None, now: datetime, identities: Mapping[str, str]
) -> list[str]:
    found = []
    age_s = (now - row.taken_at).total_seconds()
    if max_age_s is not None and age_s > max_age_s:
        found.append(
            f"{row.step} is {about_words(age_s)} old, the recipe allows {about_words(max_age_s)}"
        )
    for name, identity in row.instruments.items():
        if identities.get(name, identity) != identity:
            found.append(f"{row.step} was taken with another {name} ({identity})")
    return found
