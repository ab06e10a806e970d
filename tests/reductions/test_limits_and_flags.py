"""What was not measured does not pass a limit, whatever its number says."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchd.reductions.limits import hold_against
from benchd.worksheet import Limit
from tests.reductions.test_limits import record


def outcome(limit: Limit, value: float, low: float | None, high: float | None, *flags: str) -> str:
    held = record(value, low, high)
    held = replace(held, result=replace(held.result, flags=flags))
    (verdict,) = hold_against([limit], [held])
    return verdict.outcome


@pytest.mark.parametrize(
    "flag", ["path-broken", "overload", "uncalibrated", "no-noise-margin"]
)  # fmt: skip
@pytest.mark.parametrize("value", [71.0, 3.0])
def test_an_unmeasured_value_neither_passes_nor_fails(flag: str, value: float) -> None:
    limit = Limit(quantity="return_loss", least=10.0)
    assert outcome(limit, value, value - 1.0, value + 1.0, flag) == "cannot-tell"
    assert outcome(limit, value, value - 1.0, None, "below-directivity", flag) == "cannot-tell"


@pytest.mark.parametrize(
    ("limit", "value", "low", "high", "expected"),
    [
        (Limit(quantity="return_loss", least=10.0), 45.0, 26.4, None, "pass"),
        (Limit(quantity="return_loss", least=40.0), 45.0, 26.4, None, "cannot-tell"),
        (Limit(quantity="return_loss", least=50.0), 45.0, 26.4, None, "cannot-tell"),
        (Limit(quantity="return_loss", most=40.0), 35.0, 26.4, None, "cannot-tell"),
        (Limit(quantity="return_loss", least=10.0, most=60.0), 45.0, 26.4, None, "cannot-tell"),
        (Limit(quantity="vswr", most=1.5), 1.01, None, 1.1, "cannot-tell"),
    ],
)
def test_a_value_below_the_directivity_passes_by_its_bound_and_by_nothing_else(
    limit: Limit, value: float, low: float | None, high: float | None, expected: str
) -> None:
    if limit.quantity == "vswr":
        held = record(value, low, high)
        result = replace(held.result, quantity="vswr", flags=("below-directivity",))
        (verdict,) = hold_against([limit], [replace(held, result=result)])
        assert verdict.outcome == "pass"
        (tighter,) = hold_against(
            [Limit(quantity="vswr", most=1.05)], [replace(held, result=result)]
        )
        assert tighter.outcome == expected
        return
    assert outcome(limit, value, low, high, "below-directivity") == expected


def test_other_flags_change_no_verdict() -> None:
    limit = Limit(quantity="return_loss", least=10.0)
    assert outcome(limit, 14.0, 12.0, 16.0, "near-noise", "assumed-term") == "pass"
