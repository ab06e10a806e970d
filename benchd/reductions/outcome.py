"""What a reduction gives back."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from benchd.curves import Curve
from benchd.known.path_flags import noise_margin_flags
from benchd.results import Result
from benchd.traces import Capture


@dataclass(frozen=True)
class Outcome:
    """Results, and the curves behind them.

    instruments: name -> identity, of all captures used.
    """

    results: tuple[Result, ...]
    curves: tuple[Curve, ...] = ()
    instruments: dict[str, str] = field(default_factory=dict)


def finished(
    antenna: str | None,
    captures: list[Capture],
    results: list[Result],
    curves: list[Curve],
    *,
    noise_counts: bool = False,
) -> Outcome:
    """Give every result and curve its antenna (unless it has one), and every result its captures
    and their flags.

    noise_counts: a capture that reads nothing but noise is one of the answers looked for, as
        that of a tight box is; else every result says that it rests on noise.
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
        curves=tuple(replace(curve, antenna=curve.antenna or antenna) for curve in curves),
        instruments=instruments,
    )
