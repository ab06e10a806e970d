"""RF off, and proof of it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from benchd.acquire.plan import Procedure
from benchd.errors import InstrumentRefused


def rf_off_verified(sources: Sequence[Any]) -> Procedure[None]:
    """Switch every source off, then ask each whether it is.

    Raises InstrumentRefused naming each source that still answers "on".
    """
    if not sources:
        return
    yield tuple(exchange for source in sources for exchange in source.rf_off())
    answers = yield tuple(source.rf_query() for source in sources)
    still_on = [source.name for source, is_on in zip(sources, answers, strict=True) if is_on]
    if still_on:
        raise InstrumentRefused(
            f"RF output is still on after it was switched off: {', '.join(still_on)}",
            advice="Switch the source off by hand or pull its mains plug, then find out why.",
        )
