"""`chatty`: standard headers, but every answer to a setting repeats its header and adds its unit.

`FREQ:CENT?` is answered `FREQUENCY:CENTER 1.70000000000E+09 HZ`, `OUTP?` by `OUTPUT ON`, a trace
in text by `TRACE -31.2,-30.9 DBM`. It is slow, 3 ms for each command, and after `*RST` its traces
are blocks of REAL,32 with the least significant byte first; `FORMat ASCii` and
`FORMat:BORDer NORMal` change that.

What a bench file says: nothing under `commands:`, since they fit as they are, but of source and
analyzer `reply_style: headed`, and of the analyzer, unless it is told otherwise,
`trace_format: real32` with `byte_order: little`. Answers to `*IDN?`, `*OPC?`, status and error
queries, of the switch and of the lid contact, and blocks are bare.
"""

from simulators.instruments.dialect import Dialect, long_header
from simulators.instruments.dialects.plain import (
    ANALYZER_ACTIONS,
    ANALYZER_SETTINGS,
    SENSE_ACTIONS,
    SOURCE_ACTIONS,
    SOURCE_SETTINGS,
    SWITCH_ACTIONS,
    SYSTEM,
)
from simulators.instruments.settings import FlagSetting, NumberSetting, Setting

_SLOWNESS_S = 0.003


def _wordy_answer(pattern: str, setting: Setting, text: str) -> str:
    if isinstance(setting, FlagSetting):
        text = "ON" if text == "1" else "OFF"
    unit = setting.unit if isinstance(setting, NumberSetting) else ""
    return f"{long_header(pattern)} {text} {unit}".rstrip()


SOURCE = Dialect(
    SOURCE_SETTINGS, SYSTEM | SOURCE_ACTIONS, answer=_wordy_answer, extra_latency_s=_SLOWNESS_S
)
ANALYZER = Dialect(
    ANALYZER_SETTINGS,
    SYSTEM | ANALYZER_ACTIONS,
    defaults={"format": "real32", "border": "little"},
    answer=_wordy_answer,
    extra_latency_s=_SLOWNESS_S,
)
SWITCH = Dialect({}, SYSTEM | SWITCH_ACTIONS, extra_latency_s=_SLOWNESS_S)
SENSE = Dialect({}, SYSTEM | SENSE_ACTIONS, extra_latency_s=_SLOWNESS_S)
