"""The bench file: instruments, fixtures, box, antennas, routes, and the level budget. Pure."""

from benchd.bench.antennas import Antenna, ReferenceData
from benchd.bench.bench import Bench, load_bench, parse_bench
from benchd.bench.box import Box
from benchd.bench.fixtures import AmplifierFixture, CouplerFixture, PassiveFixture
from benchd.bench.instruments import (
    AnalyzerInstrument,
    Instrument,
    LidInstrument,
    SourceInstrument,
    SwitchInstrument,
    ThermometerInstrument,
)
from benchd.bench.levels import (
    excesses,
    highest_safe_level_dbm,
    level_budget,
    port_level_dbm,
    unstated_inputs,
)
from benchd.bench.routes import Route
from benchd.files.table import Table

__all__ = [
    "AmplifierFixture",
    "AnalyzerInstrument",
    "Antenna",
    "Bench",
    "Box",
    "CouplerFixture",
    "Instrument",
    "LidInstrument",
    "PassiveFixture",
    "ReferenceData",
    "Route",
    "SourceInstrument",
    "SwitchInstrument",
    "Table",
    "ThermometerInstrument",
    "excesses",
    "highest_safe_level_dbm",
    "level_budget",
    "load_bench",
    "parse_bench",
    "port_level_dbm",
    "unstated_inputs",
]
