"""One virtual workshop: the RF world behind the simulated instruments."""

from simulators.world.analyzer import AnalyzerModel
from simulators.world.files import world_path
from simulators.world.model import InstrumentModel, WorldModel
from simulators.world.powermeter import PowerMeterModel
from simulators.world.world import World

__all__ = [
    "AnalyzerModel",
    "InstrumentModel",
    "PowerMeterModel",
    "World",
    "WorldModel",
    "world_path",
]
