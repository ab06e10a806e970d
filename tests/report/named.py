"""Curves from traces with names, as tests write them down most shortly.

"<reduction>/<quantity>", "<reduction>/<antenna>/<quantity>", "<reduction>/<quantity> <part>", and
behind each "/low" and "/high" for the ends of its 95 % interval.
"""

from __future__ import annotations

from collections.abc import Iterable

from benchd.curves import Curve
from benchd.traces import FloatArray, Trace


def gather(traces: Iterable[Trace]) -> list[Curve]:
    """Put curves and the ends of their intervals together, in the order they come.

    An interval on another grid than its curve raises ValueError.
    """
    by_name = {trace.name: trace for trace in traces}
    return [
        _one(name, trace, by_name)
        for name, trace in by_name.items()
        if not name.endswith(("/low", "/high"))
    ]


def _one(name: str, trace: Trace, by_name: dict[str, Trace]) -> Curve:
    *before, last = name.split("/")
    quantity, _, part = last.partition(" ")
    ends: list[FloatArray | None] = []
    for end in ("low", "high"):
        found = by_name.get(f"{name}/{end}")
        if found is not None and found.frequency_hz.tolist() != trace.frequency_hz.tolist():
            raise ValueError(f"trace {found.name} is not on the grid of {name}")
        ends.append(None if found is None else found.values.real)
    antenna = "/".join(before[1:]) or None
    return Curve(quantity, trace, ends[0], ends[1], antenna, part, reduction="".join(before[:1]))
