"""Whether a sweep goes through its points by lists, by what bench file and recipe say."""

from __future__ import annotations

from benchd.bench import AnalyzerInstrument, Bench, Route, SourceInstrument
from benchd.bench.instrument_checks import lacking, unable
from benchd.bench.instruments import ListMode
from benchd.recipe.model import Sweep
from benchd.sweeps import ListSteps, Wiring


def list_steps(bench: Bench, route: Route, sweep: Sweep) -> ListSteps | None:
    """How the sweep goes through lists on this route; None where each point is a command.

    Lists are used wherever the bench file says that they can be, unless the recipe says otherwise.
    """
    if sweep.method != "stepped" or sweep.rf == "off" or sweep.step_by == "command":
        return None
    if sweep.refine is not None and sweep.refine.to_hz is not None:
        return None  # each next frequency follows from what was read
    wiring, _ = wiring_of(bench, route)
    if wiring is None:
        return None
    source, analyzer = _lists(bench, route)
    both = [one for one in (source, analyzer) if one is not None]
    return ListSteps(
        wiring=wiring,
        source_settle_s=bench.source_of(route).settle_s if source is None else source.settle_s,
        analyzer_settle_s=0.0 if analyzer is None else analyzer.settle_s,
        late_s=max(one.trigger_delay_s for one in both),
        points=min(one.points for one in both),
        if_missed="fail" if sweep.step_by == "list" else "step-by-command",
    )


def wiring_of(bench: Bench, route: Route) -> tuple[Wiring | None, str]:
    """How lists are triggered on this route; None, and why in words, where they cannot be."""
    source, analyzer = _lists(bench, route)
    if source is None and analyzer is None:
        return None, (
            f"neither {route.source} nor {route.analyzer} has the key `list:` in the bench file"
        )
    wiring: Wiring
    if analyzer is None:
        wiring, purpose, names = "source-by-command", "lists by command", [route.source]
    elif source is None:
        wiring, purpose, names = "analyzer-by-command", "lists by command", [route.analyzer]
    else:
        to_source = source.trigger_from == route.analyzer
        to_analyzer = analyzer.trigger_from == route.source
        if not (to_source or to_analyzer):
            return None, (
                f"no trigger cable joins {route.source} and {route.analyzer}: say under `list:` "
                "of one or both what it is triggered from (`trigger_from`)"
            )
        one_way: Wiring = "source-leads" if to_analyzer else "analyzer-leads"
        wiring = "hand-in-hand" if to_source and to_analyzer else one_way
        purpose, names = "lists", [route.source, route.analyzer]
    for name in names:
        lacks = [*unable(bench, name, purpose), *(f"`{c}`" for c in lacking(bench, name, purpose))]
        if lacks:
            return None, f"{name} lacks what lists are made with: {', '.join(lacks)}"
    return wiring, ""


def _lists(bench: Bench, route: Route) -> tuple[ListMode | None, ListMode | None]:
    """What the bench file says of the lists of source and analyzer."""
    source, analyzer = bench.source_of(route), bench.analyzer_of(route)
    if route.source == route.analyzer:
        return None, None
    return (
        source.lists if isinstance(source, SourceInstrument) else None,
        analyzer.lists if isinstance(analyzer, AnalyzerInstrument) else None,
    )
