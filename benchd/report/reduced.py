"""Normalised curves: what lies between a capture and its results.

Traces carry them by name: "<reduction>/<quantity>", with the ends of the 95 % interval as
"<reduction>/<quantity>/low" and ".../high". A reduction that gives a quantity of several antennas
names them: "<reduction>/<antenna>/<quantity>". Of a quantity in several parts, such as places of a
seam, the part follows after a space: "<reduction>/shielding lid".
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from benchd.traces import FloatArray, Trace


@dataclass(frozen=True, eq=False)
class ReducedTrace:
    """One quantity over frequency with its 95 % interval where known.

    reduction: the name of the reduce step, "" where there was only one.
    quantity: return_loss, realised_gain, gain, ...
    low, high: shape (n,), same grid and unit as `trace`.
    antenna: whose it is, where the reduction gives it of several antennas.
    part: which of several of one quantity; "" where there is one.
    """

    reduction: str
    quantity: str
    trace: Trace
    low: FloatArray | None = None
    high: FloatArray | None = None
    antenna: str | None = None
    part: str = ""

    @property
    def frequency_hz(self) -> FloatArray:
        """Shape (n,), Hz."""
        return self.trace.frequency_hz

    @property
    def values(self) -> FloatArray:
        """Shape (n,), dB or dBi; real."""
        return self.trace.values.real


def gather(traces: Iterable[Trace]) -> list[ReducedTrace]:
    """Put curves and the ends of their intervals together, in the order they come.

    An interval on another grid than its curve raises ValueError.
    """
    by_name = {trace.name: trace for trace in traces}
    return [
        _one(name, trace, by_name)
        for name, trace in by_name.items()
        if not name.endswith(("/low", "/high"))
    ]


def _one(name: str, trace: Trace, by_name: dict[str, Trace]) -> ReducedTrace:
    *before, last = name.split("/")
    quantity, _, part = last.partition(" ")
    ends: list[FloatArray | None] = []
    for end in ("low", "high"):
        found = by_name.get(f"{name}/{end}")
        if found is not None and found.frequency_hz.tolist() != trace.frequency_hz.tolist():
            raise ValueError(f"trace {found.name} is not on the grid of {name}")
        ends.append(None if found is None else found.values.real)
    antenna = "/".join(before[1:]) or None
    return ReducedTrace(
        "".join(before[:1]), quantity, trace, ends[0], ends[1], antenna=antenna, part=part
    )
