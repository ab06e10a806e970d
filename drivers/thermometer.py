"""A thermometer beside the box."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import ClassVar

from drivers import parse
from drivers.errors import UnexpectedReply, shown
from drivers.exchange import Exchange
from drivers.instrument import Instrument
from drivers.replies import Answer


class ScpiThermometer(Instrument):
    """Words the one question a thermometer answers."""

    kind: ClassVar[str] = "thermometer"
    templates: ClassVar[Mapping[str, str]] = MappingProxyType({"temperature_query": ":MEAS:TEMP?"})
    parameters: ClassVar[Mapping[str, Mapping[str, type]]] = MappingProxyType({})
    required: ClassVar[frozenset[str]] = frozenset({"temperature_query"})
    answers: ClassVar[Mapping[str, Answer]] = MappingProxyType({"temperature_query": "number"})

    def temperature_query(self) -> Exchange:
        """Temperature in degrees Celsius."""
        return self._query("temperature_query", _temperature_c)


def _temperature_c(reply: str) -> float:
    value = parse.number(reply)
    # A room colder or hotter than this is a broken sensor (common practice, no source).
    if not -60.0 <= value <= 150.0:
        raise UnexpectedReply("a temperature in degrees Celsius", shown(reply))
    return value
