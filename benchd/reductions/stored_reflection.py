"""Normalising a stored reflection again, from the captures of its result, to compare it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchd.errors import UnknownId
from benchd.known.captures import BenchKnowledge
from benchd.known.carrier_levels import carrier_trace
from benchd.known.reflection import coupler_over_frequency, reflection_knowledge
from benchd.known.time_interpolation import baseline_between
from benchd.reduce.normalise import normalised
from benchd.reduce.revision_readings import Looked
from benchd.results import Result
from benchd.traces import Capture, Role, Trace

BOX_WALLS = "box walls"
"""Name of the budget term that only results for free space have."""


@dataclass(frozen=True, eq=False)
class LookedAgain:
    """The normalised trace with the inputs of its budget, and the capture that it came from."""

    looked: Looked
    test: Capture


def looked_again(known: BenchKnowledge, result: Result) -> LookedAgain | None:
    """Normalise again; None unless the result is a reflection of one test capture with baselines,
    all still stored."""
    try:
        captures = [known.archive.capture(one) for one in result.captures]
    except UnknownId:
        return None
    tests = [one for one in captures if one.role is Role.TEST]
    if len(tests) != 1 or tests[0].route not in known.bench.routes:
        return None
    test = tests[0]
    levels, first = [], {}
    for role in (Role.OPEN, Role.SHORT):
        of_role = sorted(
            (one for one in captures if one.role is role), key=lambda one: one.taken_at
        )
        if of_role:
            levels.append(_level(of_role, test))
            first[role.value] = of_role[0]
    if not levels:
        return None
    budget = result.budget
    free_space = budget is not None and any(BOX_WALLS in line.name for line in budget.terms)
    knowledge = reflection_knowledge(known.bench, test, first, known.archive, free_space=free_space)
    ratio = normalised(test.level, levels, other_grid=True)
    looked = Looked(
        ratio.frequency_hz,
        ratio.decibels,
        coupler_over_frequency(knowledge, known.bench, test, known.archive),
    )
    return LookedAgain(looked, test)


def _level(of_role: Sequence[Capture], test: Capture) -> Trace:
    """The level of one baseline; of an opening and a closing one, interpolated in time."""
    if len(of_role) == 1:
        return carrier_trace(of_role[0])
    return baseline_between(of_role[0], of_role[-1], test)[0]


def over_one_coupler(one: LookedAgain, other: LookedAgain) -> bool:
    """Whether both were measured over the same parts, so that both have the same leak and the same
    source match."""
    return (
        one.test.route == other.test.route
        and one.test.position == other.test.position
        and one.test.fixtures == other.test.fixtures
    )
