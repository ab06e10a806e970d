"""Acceptance limits: their wording with units, and the comparison of results with them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from benchd.quantities import quantity
from benchd.results import Result, ResultRecord, Verdict
from benchd.units import show
from benchd.worksheet import Limit


def unit_of(name: str) -> str:
    """The unit of limits on a quantity; "" for plain numbers and for unknown quantities."""
    kind = quantity(name).kind
    return "" if kind is None else kind.value.unit


def limit_words(limit: Limit) -> str:
    """ "at least 10 dB at 1.7 GHz", "at least 10 dB and at most 20 dB"."""
    unit = unit_of(limit.quantity)
    ends = []
    if limit.least is not None:
        ends.append(f"at least {show(limit.least, unit)}")
    if limit.most is not None:
        ends.append(f"at most {show(limit.most, unit)}")
    place = "" if limit.at_hz is None else f" at {show(limit.at_hz, 'Hz')}"
    return " and ".join(ends) + place


UNMEASURED = frozenset(
    {"path-broken", "overload", "uncalibrated", "no-noise-margin", "below-directivity"}
)
"""Flags of a value that was not measured: at best a bound is known."""

BOUNDED = frozenset({"below-directivity"})
"""Those of these flags that leave a bound: the value is too small to be told from the coupler's
leak, so it is at most as large as the leak allows."""


def hold_against(limits: Iterable[Limit], records: list[ResultRecord]) -> list[Verdict]:
    """Compare each limit with the newest result of its quantity.

    For `pass` and `fail` the whole 95 % interval must lie on one side of the limit. If only the
    value lies there, the verdict is marginal (decision rules of JCGM 106:2012, section 8; from
    memory). A value that was not measured gets `cannot-tell`. If only a bound is known, it passes
    if the bound is within the limit, and never otherwise.
    """
    return [_verdict(limit, _concerned(limit, records)) for limit in limits]


def _concerned(limit: Limit, records: list[ResultRecord]) -> Result | None:
    for record in records:
        result = record.result
        if result.quantity != limit.quantity:
            continue
        if limit.reduction is not None and record.step != limit.reduction:
            continue
        if limit.at_hz is not None and (
            result.frequency_hz is None
            or abs(result.frequency_hz - limit.at_hz) > 1e-9 * limit.at_hz
        ):
            continue
        return result
    return None


def _verdict(limit: Limit, result: Result | None) -> Verdict:
    words = limit_words(limit)
    if result is None:
        return Verdict(limit.quantity, "absent", None, words)
    margins = []
    certain = []
    if limit.least is not None:
        margins.append(result.value - limit.least)
        certain.append((result.low, limit.least, 1.0, result.high))
    if limit.most is not None:
        margins.append(limit.most - result.value)
        certain.append((result.high, limit.most, -1.0, result.low))
    margin = min(margins)
    unmeasured = UNMEASURED.intersection(result.flags)
    if unmeasured:
        bounded = unmeasured <= BOUNDED
        beyond = bounded and all(
            near is not None and side * (near - end) >= 0 for near, end, side, _ in certain
        )
        outcome: Literal["pass", "cannot-tell"] = "pass" if beyond else "cannot-tell"
        return Verdict(limit.quantity, outcome, margin, words, result)
    inside = margin >= 0.0
    if inside:
        if any(near is None and far is not None for near, _, _, far in certain):
            # The interval is open towards the limit: the value may be any distance beyond it.
            return Verdict(limit.quantity, "cannot-tell", margin, words, result)
        sure = all(near is not None and side * (near - end) >= 0 for near, end, side, _ in certain)
        return Verdict(limit.quantity, "pass" if sure else "pass-marginal", margin, words, result)
    sure = any(far is not None and side * (far - end) < 0 for _, end, side, far in certain)
    return Verdict(limit.quantity, "fail" if sure else "fail-marginal", margin, words, result)
