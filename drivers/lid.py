"""The contact that tells whether the box's lid is open."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import ClassVar

from drivers import parse
from drivers.exchange import Exchange
from drivers.instrument import Instrument
from drivers.replies import Answer


class ScpiLid(Instrument):
    """Builds the only query of a lid contact."""

    kind: ClassVar[str] = "lid"
    templates: ClassVar[Mapping[str, str]] = MappingProxyType({"open_query": ":SENS:LID?"})
    parameters: ClassVar[Mapping[str, Mapping[str, type]]] = MappingProxyType({})
    required: ClassVar[frozenset[str]] = frozenset({"open_query"})
    answers: ClassVar[Mapping[str, Answer]] = MappingProxyType({"open_query": "state"})

    def open_query(self) -> Exchange:
        """True when the lid is open."""
        return self._query("open_query", parse.on_off)
