"""The bench file: instruments, fixtures, box, antennas, routes, and the level budget. Pure."""

from benchd.bench.bench import Bench, load_bench, parse_bench
from benchd.bench.levels import (
    LevelRow,
    excesses,
    highest_safe_level_dbm,
    level_budget,
    port_level_dbm,
    unstated_inputs,
)
from benchd.bench.model import (
    AmplifierFixture,
    AnalyzerInstrument,
    Antenna,
    Box,
    CouplerFixture,
    Instrument,
    LidInstrument,
    PassiveFixture,
    ReferenceData,
    Route,
    SourceInstrument,
    SwitchInstrument,
    ThermometerInstrument,
)
from benchd.bench.table import Table

__all__ = [
    "AmplifierFixture",
    "AnalyzerInstrument",
    "Antenna",
    "Bench",
    "Box",
    "CouplerFixture",
    "Instrument",
    "LevelRow",
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
