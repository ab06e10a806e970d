"""The temperature beside the box, as the bench's thermometer tells it."""

from __future__ import annotations

from collections.abc import Callable

import structlog

from benchd.bench import Bench
from benchd.bench.instruments import ThermometerInstrument
from benchd.errors import BenchdError, Garbled, LinkLost

_log = structlog.get_logger(__name__)


def room_temperature(bench: Bench, ask: Callable[[str], float]) -> dict[str, float]:
    """`temperature_c` as the bench's first thermometer tells it; empty without one.

    ask: asks the thermometer of this name, in degrees Celsius. One that fails is no reason to lose
    a sweep: it is asked once more, logged and left out.
    """
    for name, instrument in bench.instruments.items():
        if not isinstance(instrument, ThermometerInstrument):
            continue
        try:
            try:
                return {"temperature_c": ask(name)}
            except (LinkLost, Garbled):
                return {"temperature_c": ask(name)}
        except BenchdError as error:
            _log.warning("no temperature", instrument=name, error=str(error))
            return {}
    return {}
