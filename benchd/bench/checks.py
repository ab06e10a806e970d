"""Does a bench hold together: do its routes name things that exist and fit each other?"""

from __future__ import annotations

from collections.abc import Iterator
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from benchd.bench.fixtures import AmplifierFixture, CouplerFixture
from benchd.bench.instrument_checks import Finding, instrument_findings
from benchd.bench.instruments import (
    AnalyzerInstrument,
    LidInstrument,
    PowerMeterInstrument,
    SourceInstrument,
    SwitchInstrument,
)
from benchd.bench.model import BenchFile
from benchd.bench.routes import Route, SwitchChoice
from benchd.errors import Problem
from benchd.files.yamlfile import Document, KeyPath, nearest


def find_problems(bench: BenchFile, document: Document) -> list[Problem]:
    """Everything that does not fit, each with its place in the file."""
    findings = [
        *_bench_findings(bench),
        *instrument_findings(bench),
        *_switch_findings(bench),
        *_list_findings(bench),
        *(
            finding
            for name, route in bench.routes.items()
            for finding in _route_findings(bench, route, ("routes", name))
        ),
    ]
    return [document.problem(path, message) for path, message in findings]


def _bench_findings(bench: BenchFile) -> Iterator[Finding]:
    try:
        ZoneInfo(bench.timezone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        zones = available_timezones()
        hint = nearest(bench.timezone, zones).split(" Known: ")[0] if zones else ""
        hint = hint if hint.startswith("did you mean") else "expected one such as Europe/Vienna"
        yield ("timezone",), f'"{bench.timezone}" is no time zone, {hint}'
    for name in sorted(set(bench.instruments) & set(bench.fixtures)):
        yield ("fixtures", name), f'"{name}" is the name of an instrument too; rename one of them'
    if bench.box and bench.box.lid:
        path: KeyPath = ("box", "lid", "instrument")
        lids = _instruments_of(bench, LidInstrument)
        yield from _named(path, bench.box.lid.instrument, lids, "instrument of kind lid")
    if bench.box:
        known = list(bench.antennas)
        for key in ("gain_spread_of", "path_spread_of"):
            for index, name in enumerate(getattr(bench.box, key) or []):
                yield from _named(("box", key, index), name, known, "antenna")


def _switch_findings(bench: BenchFile) -> Iterator[Finding]:
    for name, instrument in bench.instruments.items():
        if not isinstance(instrument, SwitchInstrument):
            continue
        channels: dict[int, str] = {}
        for bank, throws in instrument.banks.items():
            path = ("instruments", name, "banks", bank)
            if not throws:
                yield path, "the bank has no throws; name at least one with its channel"
            for throw, channel in throws.items():
                if channel in channels:
                    yield (
                        (*path, throw),
                        f"channel {channel} is taken by {channels[channel]} already",
                    )
                channels.setdefault(channel, f"{bank}.{throw}")


def _list_findings(bench: BenchFile) -> Iterator[Finding]:
    """A trigger cable must come from an instrument that gives pulses: one with a list of its own,
    and of the other kind."""
    kinds = {AnalyzerInstrument: SourceInstrument, SourceInstrument: AnalyzerInstrument}
    for name, instrument in bench.instruments.items():
        lists = getattr(instrument, "lists", None)
        if lists is None or lists.trigger_from is None:
            continue
        path: KeyPath = ("instruments", name, "list", "trigger_from")
        other = kinds[type(instrument)]
        known = _instruments_of(bench, other)
        what = f"instrument of kind {'source' if other is SourceInstrument else 'analyzer'}"
        found = [*_named(path, lists.trigger_from, known, what)]
        yield from found
        if not found and getattr(bench.instruments[lists.trigger_from], "lists", None) is None:
            yield (
                path,
                f"{lists.trigger_from} has no `list:` of its own, so it gives no pulses from point "
                "to point; describe its list, or take trigger_from out",
            )


def _route_findings(bench: BenchFile, route: Route, path: KeyPath) -> Iterator[Finding]:
    sources = [
        *_instruments_of(bench, SourceInstrument),
        *(
            name
            for name, one in bench.instruments.items()
            if isinstance(one, AnalyzerInstrument) and one.tracking_level_dbm
        ),
    ]
    yield from _named(
        (*path, "source"),
        route.source,
        sources,
        "instrument of kind source (or analyzer with tracking_level)",
    )
    receivers = [
        *_instruments_of(bench, AnalyzerInstrument),
        *_instruments_of(bench, PowerMeterInstrument),
    ]
    what = "instrument of kind analyzer"
    yield from _named((*path, "analyzer"), route.analyzer, receivers, what)
    if route.range_antenna:
        yield from _named(
            (*path, "range_antenna"), route.range_antenna, list(bench.antennas), "antenna"
        )
    readable = True
    for leg, elements in (("out", route.out), ("back", route.back)):
        for index, element in enumerate(elements):
            findings = list(_element_findings(bench, element, (*path, leg, index)))
            readable = readable and not findings
            yield from findings
    yield from _twice(route, path)
    if readable:
        yield from _shape_findings(bench, route, path)
    choices = [*_choice_findings(bench, route.switch, (*path, "switch"), {})]
    for position, choice in route.positions.items():
        where = (*path, "positions", position)
        choices.extend(_choice_findings(bench, choice, where, route.switch))
    yield from choices
    if readable and not choices:
        yield from _unset_findings(bench, route, path)


def _element_findings(bench: BenchFile, element: str, path: KeyPath) -> Iterator[Finding]:
    name, _, arm = element.partition(".")
    switches = _instruments_of(bench, SwitchInstrument)
    if name in switches:
        switch = bench.instruments[name]
        assert isinstance(switch, SwitchInstrument)
        if not arm:
            yield path, f'"{name}" is a switch; name its bank, such as "{name}.{_any(switch)}"'
        elif arm not in switch.banks:
            yield path, f'the switch "{name}" has no bank "{arm}", {nearest(arm, switch.banks)}'
        return
    fixture = bench.fixtures.get(name)
    if fixture is None:
        known = [*bench.fixtures, *switches]
        yield path, f'there is no fixture or switch "{name}", {nearest(name, known)}'
    elif isinstance(fixture, CouplerFixture):
        if arm not in ("through", "coupled"):
            found = f'"{element}"'
            yield path, f'found {found}, expected "{name}.through" or "{name}.coupled"'
    elif arm:
        yield path, f'"{name}" is a {fixture.kind} without arms; write "{name}" alone'


def _any(switch: SwitchInstrument) -> str:
    return next(iter(switch.banks), "bank")


def _twice(route: Route, path: KeyPath) -> Iterator[Finding]:
    seen: set[str] = set()
    for leg, elements in (("out", route.out), ("back", route.back)):
        for index, element in enumerate(elements):
            if element in seen:
                yield (*path, leg, index), f'"{element}" stands in the route twice'
            seen.add(element)


def _shape_findings(bench: BenchFile, route: Route, path: KeyPath) -> Iterator[Finding]:
    if route.kind == "transmission":
        if route.far_port is None:
            yield path, 'a transmission comes back at another port: the key "far_port" is missing'
        return
    for key, value in (("far_port", route.far_port), ("range_antenna", route.range_antenna)):
        if value is not None:
            yield (
                (*path, key),
                f"a reflection has no {key}; take it out, or write kind: transmission",
            )
    throughs = [
        element.partition(".")[0]
        for element in route.out
        if element.endswith(".through")
        and isinstance(bench.fixtures.get(element.partition(".")[0]), CouplerFixture)
    ]
    if len(throughs) != 1:
        yield (
            (*path, "out"),
            f"a reflection passes one coupler on its way out, found {len(throughs)}; "
            "write it as its name and .through",
        )
        return
    coupled = f"{throughs[0]}.coupled"
    if not route.back or route.back[0] != coupled:
        found = f'"{route.back[0]}"' if route.back else "nothing"
        yield (
            (*path, "back"),
            f'found {found} first, expected "{coupled}", where the path turns back',
        )
    after = route.out[route.out.index(f"{throughs[0]}.through") + 1 :]
    for element in after:
        if isinstance(bench.fixtures.get(element), AmplifierFixture):
            index = route.out.index(element)
            yield (
                (*path, "out", index),
                "an amplifier between coupler and port lets no reflection back; move it ahead",
            )


def _unset_findings(bench: BenchFile, route: Route, path: KeyPath) -> Iterator[Finding]:
    """Every bank in the path must be set, or the signal goes where the last job left it."""
    for leg, elements in (("out", route.out), ("back", route.back)):
        for index, element in enumerate(elements):
            name, _, bank = element.partition(".")
            if name in bench.fixtures or bank in route.switch.get(name, {}):
                continue
            unset = [
                position
                for position, choice in route.positions.items()
                if bank not in choice.get(name, {})
            ]
            if not route.positions:
                message = (
                    f"the path goes through {element}, but the route sets no throw of that bank; "
                    f"add it under the route's switch: {{{name}: {{{bank}: ...}}}}"
                )
                yield (*path, leg, index), message
            for position in unset:
                message = (
                    f"the path goes through {element}, but neither this position nor the route "
                    f"sets a throw of that bank; add {{{name}: {{{bank}: ...}}}}"
                )
                yield (*path, "positions", position), message


def _choice_findings(
    bench: BenchFile, choice: SwitchChoice, path: KeyPath, taken: SwitchChoice
) -> Iterator[Finding]:
    switches = _instruments_of(bench, SwitchInstrument)
    for name, banks in choice.items():
        if name not in switches:
            yield from _named((*path, name), name, switches, "instrument of kind switch")
            continue
        switch = bench.instruments[name]
        assert isinstance(switch, SwitchInstrument)
        for bank, throw in banks.items():
            here = (*path, name, bank)
            if bank not in switch.banks:
                yield (
                    here,
                    f'the switch "{name}" has no bank "{bank}", {nearest(bank, switch.banks)}',
                )
            elif throw not in switch.banks[bank]:
                hint = nearest(throw, switch.banks[bank])
                yield here, f'the bank "{name}.{bank}" has no throw "{throw}", {hint}'
            elif bank in taken.get(name, {}):
                yield here, f"the route itself sets the bank {name}.{bank}; set it in one place"


def _named(path: KeyPath, name: str, known: list[str], what: str) -> Iterator[Finding]:
    if name not in known:
        yield path, f'there is no {what} "{name}", {nearest(name, known)}'


def _instruments_of(bench: BenchFile, kind: type) -> list[str]:
    return [name for name, one in bench.instruments.items() if isinstance(one, kind)]
