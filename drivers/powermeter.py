"""An RF power meter that speaks SCPI-1999 (volume 2, SENSe, CALibration and UNIT subsystems)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import partial
from types import MappingProxyType
from typing import Any, ClassVar

from drivers import parse
from drivers.errors import BadTemplate
from drivers.exchange import Batch, Exchange
from drivers.instrument import Instrument
from drivers.replies import Answer

NOTHING_DBM = -150.0
"""Level that stands for a reading of exactly zero power: far below what a power meter resolves."""


class ScpiPowerMeter(Instrument):
    """Builds the messages of one power meter, by the methods that an analyzer has for one point.

    A power meter measures all power that arrives, at any frequency; its frequency is set only to
    correct for its sensor. It has no filter and no choice of detectors.

    Near zero power half of its readings are negative, because of noise. Their absolute value is
    used, so that the size of the noise can be seen.

    Options:
        unit: `watts` (default), or `dbm` for a meter that tells levels alone.
        averaging: how many readings the meter itself averages for one of ours (default 1).
    """

    kind: ClassVar[str] = "power-meter"
    option_names: ClassVar[tuple[str, ...]] = ("unit", "averaging")
    templates: ClassVar[Mapping[str, str]] = MappingProxyType(
        {
            "unit_watts": ":UNIT:POW W",
            "unit_dbm": ":UNIT:POW DBM",
            "set_averaging": ":SENS:AVER:COUN {readings:d}",
            "continuous_off": ":INIT:CONT OFF",
            "set_frequency": ":SENS:FREQ:CW {centre_hz:.12g}",
            "set_frequency_settled": ":SENS:FREQ:CW {centre_hz:.12g};*OPC?",
            "read": ":READ?",
            "zero": ":CAL:ZERO:AUTO ONCE;*OPC?",
        }
    )
    parameters: ClassVar[Mapping[str, Mapping[str, type]]] = MappingProxyType(
        {
            "set_averaging": {"readings": int},
            "set_frequency": {"centre_hz": float},
            "set_frequency_settled": {"centre_hz": float},
        }
    )
    required: ClassVar[frozenset[str]] = frozenset(
        {"set_frequency", "set_frequency_settled", "read", "zero"}
    )
    answers: ClassVar[Mapping[str, Answer]] = MappingProxyType(
        {"set_frequency_settled": "done", "read": "number", "zero": "done"}
    )
    bare_replies: ClassVar[frozenset[str]] = frozenset({"set_frequency_settled", "zero"})

    def __init__(
        self,
        name: str,
        commands: Mapping[str, str | None] = MappingProxyType({}),
        options: Mapping[str, Any] = MappingProxyType({}),
    ) -> None:
        super().__init__(name, commands, options)
        self._unit = self._choice("unit", "watts", ("watts", "dbm"))
        self._averaging = self._readings()
        self._tune = self._one_number("set_frequency", "centre_hz")
        self._settled = self._one_number("set_frequency_settled", "centre_hz")

    def prepare_point_mode(
        self,
        *,
        resolution_bandwidth_hz: float,
        video_bandwidth_hz: float | None,
        detector: str,
        dwell_s: float,
        reference_level_dbm: float | None = None,
        attenuation_db: float | None = None,
    ) -> Batch:
        """Prepare one reading for each query. Bandwidths, detector and dwell have no effect
        here."""
        return (
            *self._sent("continuous_off"),
            *self._sent(f"unit_{self._unit}"),
            *self._sent("set_averaging", readings=self._averaging),
        )

    def set_centre(self, centre_hz: float) -> Exchange:
        """The frequency that the sensor is corrected for, without waiting."""
        return Exchange(self.name, self._tune(self._finite("centre_hz", centre_hz)))

    def set_centre_settled(self, centre_hz: float) -> Exchange:
        """The same; the reply (True) comes when it holds."""
        return self._settling(
            "set_frequency_settled", self._settled(self._finite("centre_hz", centre_hz))
        )

    def trigger_point(self) -> Exchange:
        """One reading; the value is a level in dBm."""
        reader = parse.level_dbm if self._unit == "dbm" else partial(_level_dbm)
        return self._query("read", reader)

    def zero(self, timeout_s: float) -> Exchange:
        """Make the present reading the new zero; the reply (True) comes when that is done.

        No RF may arrive meanwhile: the caller has checked that it is off.
        """
        return self._query("zero", parse.done, timeout_s=timeout_s)

    def _readings(self) -> int:
        given = self.options.get("averaging", 1)
        if type(given) is not int or not 1 <= given <= 1024:
            raise BadTemplate(
                self.name,
                f"option `averaging` must be a whole number from 1 to 1024; found {given!r}.",
                key=("options", "averaging"),
            )
        return given


def _level_dbm(reply: str) -> float:
    """A power in watts as a level in dBm; a negative one by its size."""
    watts = abs(parse.number(reply))
    return 10.0 * math.log10(watts) + 30.0 if watts > 0.0 else NOTHING_DBM
