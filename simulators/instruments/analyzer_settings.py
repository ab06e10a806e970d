"""The settings of the spectrum analyzer with their limits and start values."""

from __future__ import annotations

from collections.abc import Mapping

from simulators.instruments.lists import TRIGGERED_BY
from simulators.instruments.settings import ChoiceSetting, FlagSetting, NumberSetting, Setting
from simulators.world.model import LimitsModel

MIXER_OVERLOAD_DBM = -5.0
"""Level at the mixer, behind the attenuator, above which the overload bit is raised."""
MIXER_COMPRESSION_DBM = 0.0
"""Level at the mixer at which readings are 1 dB low."""


def analyzer_settings(limits: LimitsModel) -> Mapping[str, Setting]:
    """Every setting by name; the start values are those of SCPI-1999 where it states one."""
    low_hz = limits.frequency_min_hz or 9e3
    high_hz = limits.frequency_max_hz or 6.5e9
    narrow_hz = limits.rbw_min_hz or 10.0
    wide_hz = limits.rbw_max_hz or 3e6
    most_points = limits.points_max or 100001
    middle_hz, span_hz = (low_hz + high_hz) / 2, high_hz - low_hz
    weak_dbm = -60.0 if limits.level_min_dbm is None else limits.level_min_dbm
    strong_dbm = 0.0 if limits.level_max_dbm is None else limits.level_max_dbm
    return {
        "centre": NumberSetting(middle_hz, low_hz, high_hz, "HZ"),
        "span": NumberSetting(span_hz, 0.0, span_hz, "HZ"),
        "start": NumberSetting(low_hz, low_hz, high_hz, "HZ"),
        "stop": NumberSetting(high_hz, low_hz, high_hz, "HZ"),
        "rbw": NumberSetting(min(1e6, wide_hz), narrow_hz, wide_hz, "HZ"),
        "vbw": NumberSetting(min(1e6, wide_hz), min(1.0, narrow_hz), wide_hz, "HZ"),
        "sweep time": NumberSetting(0.01, 1e-6, 4000.0, "S"),
        "sweep time auto": FlagSetting(default=True),
        "points": NumberSetting(min(1001, most_points), 1, most_points, whole=True),
        "detector": ChoiceSetting(
            "positive",
            {
                "RMS": "rms",
                "AVERage": "average",
                "POSitive": "positive",
                "SAMPle": "sample",
                "NORMal": "normal",
            },
        ),
        "attenuation": NumberSetting(10.0, 0.0, 70.0, "DB"),
        "reference level": NumberSetting(0.0, -130.0, 40.0, "DBM"),
        "trace mode": ChoiceSetting("write", {"WRITe": "write", "MAXHold": "hold"}),
        "continuous": FlagSetting(),
        "border": ChoiceSetting("big", {"NORMal": "big", "SWAPped": "little"}),
        "format": ChoiceSetting("ascii", {"ASCii": "ascii", "REAL": "real32", "REAL64": "real64"}),
        "frequency mode": ChoiceSetting("sweep", {"SWEep": "sweep", "LIST": "list"}),
        "list dwell": NumberSetting(0.01, 1e-6, 100.0, "S"),
        "trigger source": ChoiceSetting("itself", TRIGGERED_BY),
        "trigger delay": NumberSetting(0.0, 0.0, 100.0, "S"),
        "tracking": FlagSetting(),
        "tracking level": NumberSetting(min(strong_dbm, -20.0), weak_dbm, strong_dbm, "DBM"),
    }
