"""Drivers as a stranger's package may bring them; each has one fault."""

from __future__ import annotations

from typing import Any

from drivers.analyzer import ScpiAnalyzer
from drivers.errors import BadTemplate
from drivers.exchange import Batch, Exchange
from drivers.instrument import Instrument
from drivers.lid import ScpiLid
from drivers.source import ScpiSource


class Good(ScpiSource):
    """Nothing wrong with it."""


class NoKind(Instrument):
    """Says of no kind that it drives it."""


class ClaimsToBeASource(Instrument):
    """Says that it drives sources, and can do nothing that a source must."""

    kind = "source"


class TakesNoLevel(ScpiSource):
    """Its level cannot be given."""

    def set_level(self) -> Exchange:  # type: ignore[override]
        return Exchange(self.name, "LEVEL")


class NoFreeRun(ScpiSource):
    """Steps by itself, but not over a band: enough for stepped sweeps."""

    free_run = None  # type: ignore[assignment]


class NoTracking(ScpiAnalyzer):
    """An analyzer without words for an output of its own."""

    tracking_on = None  # type: ignore[assignment]


class Unmarked(ScpiSource):
    """Switches RF on without saying so."""

    def rf_on(self) -> Batch:
        return self._sent("rf_on")


class NoOff(ScpiSource):
    """Nothing is sent to switch RF off."""

    def rf_off(self) -> Batch:
        return ()


class OffMoves(ScpiSource):
    """Marks OFF, which may be sent as often as one likes."""

    def rf_off(self) -> Batch:
        return self._sent("rf_off", radiates=True)


class Together(ScpiLid):
    """Takes each option, but not the two at once; only the driver knows."""

    option_names = ("quick", "careful")

    def __init__(self, *given: Any) -> None:
        super().__init__(*given)
        if {"quick", "careful"} <= set(self.options):
            raise BadTemplate(
                self.name,
                "options `quick` and `careful` exclude each other.",
                key=("options", "careful"),
            )


class Breaks(ScpiSource):
    """Fails in its own way once it is asked for its words."""

    def rf_query(self) -> Exchange:
        raise RuntimeError("out of cheese")
