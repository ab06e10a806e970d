"""Simulated instruments: settings, timing and limits on top of the SCPI core and the RF world."""

from simulators.instruments.all_instruments import Workbench
from simulators.instruments.base import Instrument
from simulators.instruments.clock import SimulatedClock

__all__ = ["Instrument", "SimulatedClock", "Workbench"]
