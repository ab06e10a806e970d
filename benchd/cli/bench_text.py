"""A bench file's text from the answers of `benchd new-bench`."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from benchd.bench.cable_types import SOURCE, CableType
from benchd.rounding import number_words

_GRID_GHZ = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 3.0, 6.0, 10.0, 18.0)
CAREFUL_POWER = "37 dBm"
"""5 W: every cable of the table bears it at any of its frequencies (common practice, no source)."""


@dataclass(frozen=True)
class Cable:
    """A cable by type and length, or by a loss that somebody knows."""

    words: str
    kind: CableType | None = None
    length_m: float = 0.0
    loss: str = ""


@dataclass
class Part:
    """An instrument. rows: its further keys and values, as YAML has them."""

    kind: str
    driver: str
    address: str
    identity: str = ""
    rows: list[tuple[str, str]] = field(default_factory=list)


@dataclass
class Answers:
    """All that was asked. Quantities stand as they were typed, with their units."""

    name: str
    title: str
    timezone: str
    source: Part
    receiver: Part
    cables: dict[str, Cable]
    coupler: list[tuple[str, str]]
    inside: Sequence[str]
    shielded: bool
    antenna: str
    antenna_rows: list[tuple[str, str]]
    band_hz: tuple[float, float]
    switch: Part | None = None
    channels: dict[str, int] = field(default_factory=dict)
    lid: Part | None = None


def quoted(text: str) -> str:
    """Any text as a double-quoted scalar, of which JSON has a subset (YAML 1.2, 7.3.1)."""
    return json.dumps(text, ensure_ascii=False)


def bench_text(answers: Answers) -> str:
    """The file."""
    return "\n".join(_lines(answers)) + "\n"


def _lines(answers: Answers) -> Iterator[str]:
    yield f"bench: {answers.name}"
    yield f"title: {quoted(answers.title)}"
    yield f"timezone: {quoted(answers.timezone)}"
    yield ""
    yield "# What each can do stands in its data sheet. More keys stand in docs/reference/bench.md;"
    yield "# where one is left out, benchd takes a careful default, and each result says so."
    yield "instruments:"
    yield from _part("generator", answers.source)
    yield from _part("receiver", answers.receiver)
    if answers.switch is not None:
        yield from _part("switch", answers.switch)
        yield "    banks:"
        throws = ", ".join(f"{name}: {number}" for name, number in answers.channels.items())
        yield f"      port: {{{throws}}}"
    if answers.lid is not None:
        yield from _part("lid", answers.lid)
    yield ""
    yield "fixtures:"
    for name, cable in answers.cables.items():
        yield from _cable(name, cable, answers.band_hz)
    yield "  coupler:"
    yield "    kind: coupler"
    yield from (f"    {key}: {value}" for key, value in answers.coupler)
    yield ""
    yield "box:"
    yield f"  inside: [{', '.join(answers.inside)}]"
    yield f"  shielded: {'yes' if answers.shielded else 'no'}"
    if answers.lid is not None:
        yield "  lid: {instrument: lid}"
    yield ""
    yield "antennas:"
    yield f"  {quoted(answers.antenna)}:"
    yield from (f"    {key}: {value}" for key, value in answers.antenna_rows)
    yield ""
    yield from _route(answers)


def _part(name: str, part: Part) -> Iterator[str]:
    yield f"  {name}:"
    yield f"    kind: {part.kind}"
    yield f"    driver: {part.driver}"
    yield f"    address: {quoted(part.address)}"
    if part.identity:
        yield f"    identity: {quoted(part.identity)}"
    yield from (f"    {key}: {value}" for key, value in part.rows)


def _cable(name: str, cable: Cable, band_hz: tuple[float, float]) -> Iterator[str]:
    yield f"  {name}:"
    yield "    kind: cable"
    if cable.kind is None:
        yield f"    loss: {cable.loss}"
    else:
        about = f"{cable.kind.name}, {number_words(cable.length_m, 'm')} ({SOURCE})"
        yield f"    # {about}, without its connectors; measure it to be sure"
        if band_hz[1] > cable.kind.highest_hz:
            limit = number_words(cable.kind.highest_hz, "Hz")
            yield f"    # the table ends at {limit}; above it the loss follows its law of frequency"
        yield f"    loss: {{{_losses(cable.kind, cable.length_m, band_hz)}}}"
        yield f"    delay: {cable.kind.delay_s(cable.length_m) * 1e9:.3g} ns"
    yield f"    largest_power: {CAREFUL_POWER}  # careful; its data sheet may allow more"


def _losses(kind: CableType, length_m: float, band_hz: tuple[float, float]) -> str:
    low, high = band_hz
    inner = [f_ghz * 1e9 for f_ghz in _GRID_GHZ if low < f_ghz * 1e9 < high]
    return ", ".join(
        f"{number_words(f_hz, 'Hz', digits=9)}: {kind.loss_db(length_m, f_hz):.3f} dB"
        for f_hz in (low, *inner, high)
    )


def _route(answers: Answers) -> Iterator[str]:
    switched = answers.switch is not None
    out = ["source_cable", "coupler.through", "port_cable", *(["switch.port"] if switched else [])]
    yield "routes:"
    yield "  middle:  # source, coupler, antenna, and back through the coupled arm"
    yield "    kind: reflection"
    yield "    source: generator"
    yield f"    out: [{', '.join(out)}]"
    yield "    port: middle"
    yield "    back: [coupler.coupled, sense_cable]"
    yield "    analyzer: receiver"
    if switched:
        yield "    positions:"
        yield from (f"      {name}: {{switch: {{port: {name}}}}}" for name in answers.channels)
