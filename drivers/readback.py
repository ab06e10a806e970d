"""Asking a setting back: the value that was sent, and whether the reply agrees with it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from drivers import parse
from drivers.exchange import Exchange

LEAST_DIGITS = 5
"""Number of digits from which on the last digit of an answer shows how it is rounded. With fewer
it may be exact, such as 1.7E9."""

FREQUENCY_PPM = 1.0
"""How finely any source sets its frequency at least, relative, in parts per million (common
practice, no source)."""

LEVEL_STEP_DB = 0.26
"""Half of the coarsest usual step of a level, 0.5 dB, and a little (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Answer:
    """A number in an instrument's reply. half_step: half a unit of its last digit; 0 if it has so
    few digits that its rounding is unknown."""

    value: float
    half_step: float


def shown_number(reply: str) -> Answer:
    """A finite number with its rounding. Raises UnexpectedReply as `parse.number` does."""
    value = parse.number(reply)
    try:
        digits = Decimal(reply.strip()).as_tuple()
    except InvalidOperation:
        return Answer(value, 0.0)
    assert isinstance(digits.exponent, int)
    known = len(digits.digits) >= LEAST_DIGITS
    return Answer(value, 0.5 * 10.0**digits.exponent if known else 0.0)


def shown_level(reply: str) -> Answer:
    """A level in dBm with its rounding: whole decibels are rounded to whole decibels."""
    value = parse.level_dbm(reply)
    whole = value == math.floor(value) and "." not in reply
    return Answer(value, 0.5 if whole else shown_number(reply).half_step)


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting that was sent.

    quantity: "level" or "frequency". command: the message as it was sent. sent: its value as the
    message had it, rounded; Hz or dBm. tolerance: of the source itself. factors: by which the
    instrument may count, 1 for Hz, 1e-6 for MHz. query_name: of the command template.
    """

    quantity: str
    command: str
    sent: float
    tolerance: float
    question: Exchange
    query_name: str
    factors: Sequence[float] = (1.0,)

    def agrees(self, found: Answer) -> bool:
        """Whether the answer is what was sent, as far as either is rounded."""
        return any(
            abs(found.value / factor - self.sent) <= self.tolerance + found.half_step / factor
            for factor in self.factors
        )

    def words(self, value: float) -> str:
        """ "1.7e+09 Hz", "-10 dBm"."""
        return f"{value:.12g} {'Hz' if self.quantity == 'frequency' else 'dBm'}"
