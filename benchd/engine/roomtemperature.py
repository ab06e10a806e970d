"""The temperature beside the box, by the bench's thermometer."""

from __future__ import annotations

from collections.abc import Callable

import structlog

from benchd.bench import Bench
from benchd.bench.instruments import ThermometerInstrument
from benchd.errors import BenchdError, Garbled, LinkLost

_log = structlog.get_logger(__name__)


def room_temperature(bench: Bench, ask: Callable[[str], float]) -> dict[str, float]:
    """`temperature_c` by the bench's first thermometer; empty without one.

    ask: asks the thermometer of this name, in degrees Celsius. If that fails, it is asked once
    more; then the failure is logged and the temperature left out, since a sweep need not be lost.
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
