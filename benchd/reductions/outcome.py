"""The return value of a reduction."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import overload

from benchd.curves import Curve
from benchd.known.path_flags import noise_margin_flags
from benchd.results import Result
from benchd.traces import Capture


class DrawnLater(Sequence[Curve]):
    """Curves that are worked out when somebody looks at them.

    The interval of a curve costs as much as all results together, and a job that runs stores
    results only.
    """

    def __init__(self, work_out: Callable[[], Sequence[Curve]]) -> None:
        self._work_out = work_out

    @cached_property
    def _curves(self) -> tuple[Curve, ...]:
        return tuple(self._work_out())

    def __len__(self) -> int:
        return len(self._curves)

    @overload
    def __getitem__(self, index: int) -> Curve: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Curve]: ...
    def __getitem__(self, index: int | slice) -> Curve | Sequence[Curve]:
        return self._curves[index]


@dataclass(frozen=True)
class Outcome:
    """Results, and the curves behind them.

    instruments: name -> identity, of all captures used.
    """

    results: tuple[Result, ...]
    curves: Sequence[Curve] = ()
    instruments: dict[str, str] = field(default_factory=dict)


def finished(
    antenna: str | None,
    captures: list[Capture],
    results: list[Result],
    curves: Sequence[Curve],
    *,
    noise_counts: bool = False,
) -> Outcome:
    """Fill in the antenna of every result and curve without one, and the captures and flags of
    every result.

    noise_counts: True if a capture of nothing but noise is a valid answer, as it is for a box that
        shields well. Else every result is flagged as resting on noise.
    """
    ids = tuple(dict.fromkeys(capture.id for capture in captures))
    flags = tuple(dict.fromkeys(flag for capture in captures for flag in capture.flags))
    if not noise_counts:
        flags = (*flags, *noise_margin_flags(captures))
    instruments = {
        name: identity for capture in captures for name, identity in capture.instruments.items()
    }
    return Outcome(
        results=tuple(
            replace(result, antenna=result.antenna or antenna, captures=ids).with_flags(*flags)
            for result in results
        ),
        curves=DrawnLater(
            lambda: [replace(curve, antenna=curve.antenna or antenna) for curve in curves]
        ),
        instruments=instruments,
    )
