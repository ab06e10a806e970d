"""How long RF was on when it should not have been, by the virtual bench's own record."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

Span = tuple[float, float]
"""From a time to a time, seconds of `time.monotonic`."""

SOURCE = "generator"


@dataclass(frozen=True)
class Tape:
    """The record of one run, as spans.

    on: while the source's output was on.
    deaf: while it could not hear or did not obey.
    end_s: when the record was read; a span that was still open ends there.
    """

    on: tuple[Span, ...]
    deaf: tuple[Span, ...]
    end_s: float

    @classmethod
    def of(cls, entries: Iterable[Sequence[object]], end_s: float) -> Tape:
        """From the entries of the record: [time, instrument, what, value]."""
        changes = [
            (float(str(at)), what, bool(value)) for at, name, what, value in entries
            if name == SOURCE
        ]  # fmt: skip
        on = _spans([(at, value) for at, what, value in changes if what == "rf"], end_s)
        deaf = _spans([(at, not value) for at, what, value in changes if what == "hears"], end_s)
        return cls(tuple(on), tuple(deaf), end_s)

    def on_during(self, spans: Iterable[Span]) -> float:
        """Seconds of RF in all these spans together."""
        return sum(_length(_common(one, span)) for one in self.on for span in spans)

    def after(self, moment_s: float) -> float:
        """Seconds from a moment until RF was off; 0 where it was off then."""
        return max((end - moment_s for start, end in self.on if start <= moment_s < end), default=0)

    def overdue(self, moment_s: float, attended: Iterable[Span]) -> float:
        """Longest stretch, after a moment and before RF first went off, during which the source
        could hear and somebody was there to tell it (`attended`: spans in which a benchd lived).
        """
        still_on = [(moment_s, end) for start, end in self.on if start <= moment_s < end]
        stretches = [
            _common(span, watch) for span in still_on for watch in attended
        ]  # fmt: skip
        for gap in self.deaf:
            stretches = [piece for span in stretches for piece in _without(span, gap)]
        return max((_length(span) for span in stretches), default=0.0)


def _spans(changes: list[tuple[float, bool]], end_s: float) -> list[Span]:
    spans: list[Span] = []
    since = math.nan
    for at, begins in changes:
        if begins and math.isnan(since):
            since = at
        elif not begins and not math.isnan(since):
            spans.append((since, at))
            since = math.nan
    return spans if math.isnan(since) else [*spans, (since, end_s)]


def _common(one: Span, other: Span) -> Span:
    return max(one[0], other[0]), min(one[1], other[1])


def _length(span: Span) -> float:
    return max(0.0, span[1] - span[0])


def _without(span: Span, gap: Span) -> list[Span]:
    pieces = [(span[0], min(span[1], gap[0])), (max(span[0], gap[1]), span[1])]
    return [piece for piece in pieces if _length(piece) > 0.0]
