"""Comparing two gains that were measured at one place of one box: errors of the place cancel.

Walls, distance and the port's mismatch act on an antenna through its pattern and its reflection.
Two like antennas, one after the other on one mount, are affected equally. In simulated random boxes
the level of a single path scattered by 0.2 to 1.15 dB, but like dipoles at one place differed by
almost nothing (docs/coverage.md). So the two gains share such an error, and it cancels in their
difference. A part of it remains, which grows with how much the two antennas, or their gains,
differ.
"""

from __future__ import annotations

from dataclasses import replace

from benchd.bench import Bench
from benchd.errors import UnknownId
from benchd.job_request import SERIAL
from benchd.known.box_spreads import ALIKE, BoxSpreads, alike
from benchd.known.captures import BenchKnowledge
from benchd.reduce.uncertainty import term
from benchd.results import Result, ResultRecord, Term
from benchd.traces import Capture, Role

OF_THE_PLACE = ("box", "range and phase centre", "finite range", "mismatch at test")
"""First words of the names of the budget terms that a place causes in every gain measured there."""

QUITE_OTHER_DB = 3.0
"""Gains that differ by this much, dB, belong to antennas so unlike that no error of the place
cancels (common practice, no source)."""

PLACED_AGAIN = 0.1
"""Share of the place's errors that does not cancel even for one and the same antenna: fitted again
it stands one or two hundredths of a wavelength away (common practice, no source)."""

TURNED_AGAIN = 0.05
"""Share of the walls' effect on one path that changes each time an antenna is fitted. Put back on
its mark, an antenna stands where it was to about a hundredth of a wavelength. This changes the
phase between a reflected wave and the direct one by 0.06 rad at most (arithmetic; the accuracy of
the mark is common practice, no source)."""


def in_one_place(
    known: BenchKnowledge, one: ResultRecord, other: ResultRecord
) -> tuple[Result, Result] | None:
    """Both results with the errors of their place marked as shared; None if they share none."""
    first, second = _test_of(known, one.result), _test_of(known, other.result)
    if first is None or second is None or not _same_place(first, second):
        return None
    if not alike(known.bench, first.antenna, second.antenna):
        return None
    apart = _apart(known.bench, first, second, abs(other.result.value - one.result.value))
    return _marked(one, apart), _marked(other, apart)


def placed_again(known: BenchKnowledge, one: Result, other: Result) -> tuple[Term, ...]:
    """The error in the difference of two gains from fitting antennas again, as a budget term.

    Empty if nothing was fitted again between the two. The walls change the level of a path as an
    antenna moves, even if the two antennas are alike. Each gain includes one fit of its antenna,
    and one fit of its reference if both were put on the same mount in turn.
    """
    first, second = _test_of(known, one), _test_of(known, other)
    if "gain" not in one.quantity or first is None or second is None or first.id == second.id:
        return ()
    fits = 2
    of_one, of_other = _references_of(known, one), _references_of(known, other)
    if not of_one.keys() & of_other.keys():
        for references in (of_one, of_other):
            fits += any(each.position == first.position for each in references.values())
    at_hz = one.frequency_hz
    if at_hz is None and one.band_hz is not None:
        at_hz = sum(one.band_hz) / 2.0
    if at_hz is None:
        return ()
    near = known.bench.routes[first.route].range_antenna
    spread = BoxSpreads(known.bench, known.archive, first, near, first.antenna).path(at_hz)
    size_db = TURNED_AGAIN * spread.value * fits**0.5
    found = term(
        "placed again",
        size_db,
        "dB",
        degrees_of_freedom=spread.degrees_of_freedom,
        assumed=spread.assumed,
    )
    return (found,)


def _references_of(known: BenchKnowledge, result: Result) -> dict[str, Capture]:
    captures = [known.archive.capture(one) for one in result.captures]
    return {one.id: one for one in captures if one.role is Role.REFERENCE}


def _test_of(known: BenchKnowledge, result: Result) -> Capture | None:
    """The only capture of the antenna under test; None if there are several (several places), or if
    one of the result's captures is gone."""
    try:
        captures = [known.archive.capture(one) for one in result.captures]
    except UnknownId:
        return None
    tests = [one for one in captures if one.role is Role.TEST]
    return tests[0] if len(tests) == 1 else None


def _same_place(one: Capture, other: Capture) -> bool:
    return (
        one.route == other.route
        and one.position == other.position
        and one.fixtures == other.fixtures
        and _turn(one) == _turn(other)
    )


def _turn(capture: Capture) -> dict[str, object]:
    """The values of a repeated step's variables, such as a mark in the box, without the antenna
    and its serial number."""
    own = {key: value for key, value in capture.bindings.items() if key != SERIAL}
    return {key: value for key, value in own.items() if value != capture.antenna}


def _apart(bench: Bench, first: Capture, second: Capture, gains_apart_db: float) -> float:
    """The share of the place's errors that does not cancel between two antennas: from PLACED_AGAIN
    (one and the same antenna) to 1 (nothing in common)."""
    shares = [PLACED_AGAIN, gains_apart_db / QUITE_OTHER_DB]
    if first.antenna != second.antenna and first.antenna and second.antenna:
        a, b = bench.antennas[first.antenna], bench.antennas[second.antenna]
        for one, other in (
            (a.design_frequency_hz, b.design_frequency_hz),
            (a.largest_dimension_m, b.largest_dimension_m),
        ):
            shares.append(abs(one - other) / max(one, other) / ALIKE)
    return min(1.0, max(shares))


def _marked(record: ResultRecord, apart: float) -> Result:
    """Split each term of the place in two: a part that both gains share, and a part of its own."""
    result = record.result
    if result.budget is None:
        return result
    terms: list[Term] = []
    for line in result.budget.terms:
        if not line.name.startswith(OF_THE_PLACE) or line.source:
            terms.append(line)
            continue
        for share, source in (((1.0 - apart**2) ** 0.5, f"place: {line.name}"), (apart, "")):
            if share > 0.0:
                part = replace(
                    line,
                    size=line.size * share,
                    contribution=line.contribution * share,
                    source=source,
                )
                terms.append(part)
    return replace(result, budget=replace(result.budget, terms=tuple(terms)))
