"""Counts what the runs have shown, and writes it down."""

from __future__ import annotations

import inspect
from collections.abc import Iterable, Mapping
from typing import Any

from tests.faults.scene import Outcome

HEAD = (
    "| kind of fault | runs | lost | wrong passes | orders forgotten or forged | RF with hands "
    "| RF on after it, longest | of this overdue, longest | did not end |"
)


def markdown(outcomes: Iterable[Outcome], kinds: Mapping[str, Any]) -> str:
    """A row for each kind, in the order in which the kinds are declared."""
    gathered: dict[str, list[Outcome]] = {}
    for one in outcomes:
        gathered.setdefault(one.kind, []).append(one)
    lines = [HEAD, "| --- |" + " ---: |" * 8]
    lines += [_row(name, gathered[name]) for name in kinds if name in gathered]
    everything = [one for some in gathered.values() for one in some]
    lines.append(_row("**all**", everything))
    return "\n".join(lines)


def _row(name: str, some: list[Outcome]) -> str:
    return (
        f"| {name} | {len(some)} | {sum(one.lost for one in some)} "
        f"| {sum(one.wrong_passes for one in some)} | {sum(one.forgotten for one in some)} "
        f"| {_seconds(max(one.hands_s for one in some))} "
        f"| {_seconds(max(one.after_fault_s for one in some))} "
        f"| {_seconds(max(one.overdue_s for one in some))} "
        f"| {sum(bool(one.trouble) for one in some)} |"
    )


def _seconds(value: float) -> str:
    return f"{value:.2f} s" if value else "0"


def meanings(kinds: Mapping[str, Any]) -> str:
    """What each kind does, as its code says."""
    lines = ["| kind of fault | what happens |", "| --- | --- |"]
    for name, act in kinds.items():
        lines.append(f"| {name} | {' '.join((inspect.getdoc(act) or '').split())} |")
    return "\n".join(lines)
