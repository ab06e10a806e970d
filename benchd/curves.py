"""Reduced curves: what lies between captures and the results at single frequencies."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from benchd.traces import FloatArray, Trace


@dataclass(frozen=True, eq=False)
class Curve:
    """One quantity over frequency with its 95 % interval where known.

    quantity: return_loss, realised_gain, ... trace: its values, in the unit of its form.
    low, high: shape (n,), same grid and unit as `trace`; None where nothing is stated.
    antenna: whose it is; None for one of the bench. part: which of several of one quantity, such
        as a place of the seam or a wall of the box. reduction: the name of the reduce step.
    """

    quantity: str
    trace: Trace
    low: FloatArray | None = None
    high: FloatArray | None = None
    antenna: str | None = None
    part: str = ""
    reduction: str = ""

    def __post_init__(self) -> None:
        for end in (self.low, self.high):
            if end is not None and end.shape != self.trace.values.shape:
                raise ValueError(f"an interval of {self.quantity} is not on the grid of its curve")

    @property
    def frequency_hz(self) -> FloatArray:
        """Shape (n,), Hz."""
        return self.trace.frequency_hz

    @property
    def values(self) -> FloatArray:
        """Shape (n,), dB or dBi; real."""
        return self.trace.decibels


@dataclass(frozen=True, eq=False)
class CurveTrace:
    """A curve, or one end of its interval, as one trace with a name of its own.

    end: "low" or "high" of the interval, "" for the curve itself.
    """

    curve: Curve
    end: str
    trace: Trace


def as_traces(curves: Iterable[Curve]) -> list[CurveTrace]:
    """Curves and the ends of their intervals, each a trace, in their order.

    Names are for people and for programs that know nothing but names:
    "<reduction>/<quantity>", with "<antenna>/" before the quantity where a reduction gives it of
    several antennas, and "/low" or "/high" behind it for the ends. Whoever wants to know what a
    trace is asks the curve's own fields.
    """
    every = list(curves)
    found: list[CurveTrace] = []
    for curve in every:
        of = {
            one.antenna
            for one in every
            if (one.reduction, one.quantity, one.part)
            == (curve.reduction, curve.quantity, curve.part)
        }
        parts = [curve.reduction, curve.antenna if len(of) > 1 else None]
        words = f"{curve.quantity} {curve.part}".strip()
        name = "/".join([*(part for part in parts if part), words])
        found.append(CurveTrace(curve, "", replace(curve.trace, name=name)))
        for end, values in (("low", curve.low), ("high", curve.high)):
            if values is not None:
                ends = replace(curve.trace, name=f"{name}/{end}", values=values)
                found.append(CurveTrace(curve, end, ends))
    return found
