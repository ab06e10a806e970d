"""Switching RF off and verifying it by query."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from benchd.acquire.plan import Procedure
from benchd.errors import InstrumentRefused


def rf_off_verified(sources: Sequence[Any]) -> Procedure[None]:
    """Switch every source off, then ask each one whether it is off.

    Some sources have no query for that, which the worksheet states. They are only sent OFF, and the
    readings that every capture takes with RF off show whether they have obeyed.
    Raises InstrumentRefused naming each source that still answers "on".
    """
    if not sources:
        return
    yield tuple(exchange for source in sources for exchange in source.rf_off())
    asked = [source for source in sources if source.can_tell_rf]
    answers = yield tuple(source.rf_query() for source in asked)
    still_on = [source.name for source, is_on in zip(asked, answers, strict=True) if is_on]
    if still_on:
        raise InstrumentRefused(
            f"RF output is still on after it was switched off: {', '.join(still_on)}",
            advice="Switch the source off by hand or pull its mains plug, then find out why.",
        )
