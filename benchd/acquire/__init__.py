"""Measurement procedures as generators: they yield instrument exchanges and return traces.

Nothing here opens, waits or reads; `drivers.player.Player` runs a procedure on the bench thread,
and a list of canned replies runs it in a test.
"""

from benchd.acquire.continuous import CONTINUOUS_METHODS, continuous_sweeps, silent_after_all
from benchd.acquire.error_queue import confirmed
from benchd.acquire.hold import hold_sweep
from benchd.acquire.lid_check import LidClosed, LidOpened, require_lid
from benchd.acquire.list_check import TriggerMissed
from benchd.acquire.listed import TRIGGER_MISSED, list_sweep
from benchd.acquire.methods import run_sweep
from benchd.acquire.plan import Sweep, SweepInstruments, grid_hz
from benchd.acquire.radiation_check import Probe, quiet, silent_after, silent_before_zeroing
from benchd.acquire.rf_off import rf_off_verified
from benchd.acquire.stepped import stepped_sweep
from benchd.acquire.tracking import tracking_sweep

__all__ = [
    "CONTINUOUS_METHODS",
    "TRIGGER_MISSED",
    "LidClosed",
    "LidOpened",
    "Probe",
    "Sweep",
    "SweepInstruments",
    "TriggerMissed",
    "confirmed",
    "continuous_sweeps",
    "grid_hz",
    "hold_sweep",
    "list_sweep",
    "quiet",
    "require_lid",
    "rf_off_verified",
    "run_sweep",
    "silent_after",
    "silent_after_all",
    "silent_before_zeroing",
    "stepped_sweep",
    "tracking_sweep",
]
