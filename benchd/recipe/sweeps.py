"""A sweep held against the instruments that will run it."""

from __future__ import annotations

from collections.abc import Iterator

from benchd.bench import Bench, Route, SourceInstrument
from benchd.bench.instrument_checks import lacking, unable
from benchd.bench.instruments import PowerMeterInstrument
from benchd.files.fields import Band
from benchd.recipe.lists import list_steps, wiring_of
from benchd.recipe.model import Sweep
from benchd.sweeps import Refine, RefineTo, SweepPlan
from benchd.units import show

Finding = tuple[str, str]

LEAST_STEP_HZ = 1.0  # grids are rounded to whole hertz


def sweep_plan(sweep: Sweep) -> SweepPlan:
    """The sweep as it will be run."""
    start, stop = sweep.ends_hz
    return SweepPlan(
        method=sweep.method,
        start_hz=start,
        stop_hz=stop,
        points=sweep.points,
        level_dbm=sweep.level_dbm,
        resolution_bandwidth_hz=sweep.resolution_bandwidth_hz,
        video_bandwidth_hz=sweep.video_bandwidth_hz,
        detector=sweep.detector,
        dwell_s=sweep.dwell_s,
        average=sweep.average,
        sweep_time_s=sweep.sweep_time_s,
        free_run_s=sweep.free_run_s,
        reference_level_dbm=sweep.reference_level_dbm,
        attenuation_db=sweep.attenuation_db,
        rf=sweep.rf,
        refine=_refinement(sweep),
    )


def _refinement(sweep: Sweep) -> Refine | RefineTo | None:
    start, stop = sweep.ends_hz
    refine = sweep.refine
    if refine is None:
        return None
    if refine.around is not None and refine.span_hz is not None and refine.points is not None:
        return Refine(around=refine.around, span_hz=refine.span_hz, points=refine.points)
    return refine.fewer(sweep.points, stop - start)


def plan_on(bench: Bench, route: Route, sweep: Sweep) -> SweepPlan:
    """The sweep as the instruments of a route run it: a power meter has a detector of its own."""
    plan = sweep_plan(sweep).model_copy(update={"lists": list_steps(bench, route, sweep)})
    if isinstance(bench.analyzer_of(route), PowerMeterInstrument):
        return plan.model_copy(update={"detector": "power"})
    return plan


def sweep_findings(bench: Bench, route: Route, name: str, sweep: Sweep) -> Iterator[Finding]:
    """What the instruments of a route cannot do. Key below the sweep, and message."""
    yield from _method_findings(bench, route, name, sweep)
    yield from _command_findings(bench, route, sweep)
    if sweep.step_by == "list":
        wiring, why = wiring_of(bench, route)
        if wiring is None:
            yield "step_by", f"found list, but {why}; or write step_by: command"
    start, stop = sweep.ends_hz
    keys = ("start", "stop") if sweep.start_hz is not None else ("span", "span")
    for instrument in dict.fromkeys((route.source, route.analyzer)):
        one = bench.source_of(route) if instrument == route.source else bench.analyzer_of(route)
        for key, frequency in zip(keys, (start, stop), strict=True):
            if not one.frequency_hz.holds(frequency):
                yield (
                    key,
                    f"the sweep reaches {show(frequency, 'Hz')}, but {instrument} works from "
                    f"{_range(one.frequency_hz.least, one.frequency_hz.most, 'Hz')}"
                    + _span_that_fits(one.frequency_hz, sweep),
                )
    if (stop - start) / (sweep.points - 1) < LEAST_STEP_HZ:
        yield (
            "points",
            f"{sweep.points} points over {show(stop - start, 'Hz')} lie closer than 1 Hz",
        )
    yield from _level_findings(bench, route, sweep)
    yield from _bandwidth_findings(bench, route, sweep)


def _span_that_fits(reach_hz: Band, sweep: Sweep) -> str:
    """The widest span around the same centre that an instrument can do; "" where there is none, or
    where the sweep is told by its ends."""
    if sweep.start_hz is not None:
        return ""
    start, stop = sweep.ends_hz
    fitting_hz = widest_span_hz(0.5 * (start + stop), (reach_hz.least, reach_hz.most))
    # Rounded down to 1 MHz where that leaves most of it: a number that people type.
    whole_hz = fitting_hz // 1e6 * 1e6 or fitting_hz
    return f": a span of {show(whole_hz, 'Hz')} fits" if whole_hz > 0.0 else ""


def widest_span_hz(centre_hz: float, reach_hz: tuple[float, float]) -> float:
    """The widest sweep around a centre within what instruments can do, Hz; below 0 outside it."""
    low_hz, high_hz = reach_hz
    return 2.0 * min(centre_hz - low_hz, high_hz - centre_hz)


def _range(low: float, high: float, unit: str) -> str:
    return f"{show(low, unit)} to {show(high, unit)}"


def _method_findings(bench: Bench, route: Route, name: str, sweep: Sweep) -> Iterator[Finding]:
    if sweep.method == "vector":
        yield (
            "method",
            f'vector needs a network analyzer; the route "{name}" ends in {route.analyzer}, a '
            "spectrum analyzer",
        )
    if isinstance(bench.analyzer_of(route), PowerMeterInstrument):
        yield from _meter_findings(route, sweep)
        return
    own = route.source == route.analyzer
    if sweep.method == "tracking" and not own:
        yield (
            "method",
            f'tracking needs the analyzer\'s own output; the route "{name}" starts from '
            f"{route.source}",
        )
    if sweep.method in ("stepped", "hold") and own:
        yield (
            "method",
            f'{sweep.method} needs a source; the route "{name}" starts from {route.source}',
        )


def _meter_findings(route: Route, sweep: Sweep) -> Iterator[Finding]:
    """What a power meter cannot do in the place of an analyzer: it has no filter and no trace."""
    meter = f"{route.analyzer} is a power meter"
    if sweep.method != "stepped":
        yield "method", f"found {sweep.method}, but {meter}, which measures stepped sweeps alone"
    if sweep.rf == "off":
        yield (
            "rf",
            f"found off, but {meter}: it cannot tell at which frequency something arrives by "
            "itself, so listening needs an analyzer",
        )
    if sweep.detector != "rms":
        yield "detector", f"found {sweep.detector}, but {meter}, which reads power: write rms"


def _command_findings(bench: Bench, route: Route, sweep: Sweep) -> Iterator[Finding]:
    """Commands that the sweep is done with and that the bench file removed."""
    names = dict.fromkeys((route.source, route.analyzer))
    purposes: list[tuple[str, str]] = [(name, sweep.method) for name in names]
    if sweep.rf == "off":
        purposes = [(route.analyzer, "traces" if sweep.method == "tracking" else sweep.method)]
    if sweep.method == "tracking" and sweep.sweep_time_s is None:
        purposes.append((route.analyzer, "timed"))
    for name, purpose in purposes:
        cannot = unable(bench, name, purpose)
        if cannot:
            driver = bench.instruments[name].driver
            yield (
                "method",
                f'a {sweep.method} sweep needs what the driver "{driver}" of {name} lacks: '
                f"{'; '.join(cannot)}; choose another method, or a driver that has it",
            )
            continue
        lacks = lacking(bench, name, purpose)
        if lacks:
            words = " and ".join(f"`{command}`" for command in lacks)
            also = "; or state sweep_time" if purpose == "timed" else ""
            yield (
                "method",
                f"a {sweep.method} sweep is done with {words} of {name}, which the bench file "
                f"removed; give the wording under `commands:`, or choose another method{also}",
            )


def _level_findings(bench: Bench, route: Route, sweep: Sweep) -> Iterator[Finding]:
    source = bench.source_of(route)
    band = source.level_dbm if isinstance(source, SourceInstrument) else source.tracking_level_dbm
    if band is not None and not band.holds(sweep.level_dbm):
        yield (
            "level",
            f"found {show(sweep.level_dbm, 'dBm')}, but {route.source} delivers "
            f"{_range(band.least, band.most, 'dBm')}",
        )


def _bandwidth_findings(bench: Bench, route: Route, sweep: Sweep) -> Iterator[Finding]:
    bandwidth = sweep.resolution_bandwidth_hz
    band = bench.analyzer_of(route).resolution_bandwidth_hz
    if band is not None and not band.holds(bandwidth):
        yield (
            "resolution_bandwidth",
            f"found {show(bandwidth, 'Hz')}, but {route.analyzer} has "
            f"{_range(band.least, band.most, 'Hz')}",
        )
    if isinstance(bench.analyzer_of(route), PowerMeterInstrument):
        return
    # A filter of bandwidth B needs about 1/B to answer at all (common practice, no source).
    if sweep.method == "stepped" and sweep.dwell_s * bandwidth < 1.0:
        yield (
            "dwell",
            f"found {show(sweep.dwell_s, 's')}, but a filter of {show(bandwidth, 'Hz')} needs "
            f"{show(1.0 / bandwidth, 's')} at least to settle",
        )
