"""`terse`: short headers of its own, text only, and a sweep with a question mark.

The common commands (`*IDN?`, `*OPC?`, ...) are as everywhere. Bandwidths come in steps 1, 3, 10,
30 ...; the nearest is taken and the query tells which. Numbers in replies have nine digits. Errors
are asked for with `OOPS?`, the bits of the questionable status with `FLAG?`. `TAKE` starts a sweep
(`*OPC?` and `*WAI` wait for it), `TAKE?` answers 1 at its end. There is no format command.

Of a list, `WALK:BUSY?` answers STEPS, WAITS or RESTS; under `replies:` a bench file says
list_running_query: {on: [STEPS, WAITS], off: RESTS}

What a bench file overrides, under `commands:` of each instrument:

    source:
      next_error: "OOPS?"
      set_frequency: "CARR:HZ {frequency_hz:.12g}"
      set_frequency_settled: "CARR:HZ {frequency_hz:.12g};*OPC?"
      frequency_query: "CARR:HZ?"
      set_level: "CARR:DBM {level_dbm:.6g}"
      level_query: "CARR:DBM?"
      rf_on: "CARR:ON 1"
      rf_off: "CARR:ON 0"
      rf_query: "CARR:ON?"
      free_run_start: "STEP:FROM {start_hz:.12g}"
      free_run_stop: "STEP:TO {stop_hz:.12g}"
      free_run_points: "STEP:COUN {points:d}"
      free_run_dwell: "STEP:TIME {dwell_s:.6g}"
      free_run_on: "CARR:KIND STEP;:STEP:RUN 1"
      free_run_off: "STEP:RUN 0;:CARR:KIND FIX"
      list_frequencies: "WALK:HZ {frequencies_hz:.0f}"
      list_dwell: "WALK:TIME {dwell_ms:.4f}MS"
      list_on: "CARR:KIND WALK"
      list_points_query: "WALK:SIZE?"
      list_by_itself: "WALK:BY CLOCK"
      list_by_cable: "WALK:BY PULSE"
      list_by_command: "WALK:BY WORD"
      list_start: "WALK:GO"
      list_abort: "WALK:HALT"
      list_next: "WALK:NEXT;*OPC?"
      list_running_query: "WALK:BUSY?"
      list_place_query: "WALK:AT?"
      list_off: "CARR:KIND FIX"
    analyzer (with trace_format: ascii, and
              detectors: {rms: RMS, log-average: LOG, peak: PEAK, sample: ONE}):
      next_error: "OOPS?"
      set_centre: "TUNE:MID {centre_hz:.12g}"
      set_centre_settled: "TUNE:MID {centre_hz:.12g};*OPC?"
      set_span: "TUNE:WIDT {span_hz:.12g}"
      set_start: "TUNE:LOW {start_hz:.12g}"
      set_stop: "TUNE:HIGH {stop_hz:.12g}"
      set_points: "COUN {points:d}"
      set_resolution_bandwidth: "FILT {resolution_bandwidth_hz:.12g}"
      resolution_bandwidth_query: "FILT?"
      set_video_bandwidth: "VID {video_bandwidth_hz:.12g}"
      set_sweep_time: "TIME {sweep_time_s:.9g}"
      sweep_time_auto: "TIME:FREE 1"
      sweep_time_query: "TIME?"
      set_detector: "SHOW {detector}"
      set_attenuation: "PAD {attenuation_db:.6g}"
      set_reference_level: "TOP {reference_level_dbm:.6g}"
      write_trace: "KEEP NONE"
      max_hold: "KEEP MAX"
      format_ascii: null
      continuous_on: "RUN 1"
      continuous_off: "RUN 0"
      abort: "HALT"
      trigger: "TAKE"
      single_sweep: "TAKE?"
      trigger_point: "TAKE;*WAI;:LIST?"
      point: "TUNE:MID {centre_hz:.12g};:TAKE;*WAI;:LIST?"
      fetch_trace: "LIST?"
      list_fetch: "LIST?"
      list_frequencies: "WALK:HZ {frequencies_hz:.0f}"
      list_dwell: "WALK:TIME {dwell_ms:.4f}MS"
      list_delay: "WALK:LATE {delay_us:.2f}US"
      list_on: "TUNE:KIND WALK"
      list_points_query: "WALK:SIZE?"
      list_by_itself: "WALK:BY CLOCK"
      list_by_cable: "WALK:BY PULSE"
      list_by_command: "WALK:BY WORD"
      list_start: "WALK:GO"
      list_abort: "WALK:HALT"
      list_next: "WALK:NEXT;*OPC?"
      list_running_query: "WALK:BUSY?"
      list_place_query: "WALK:AT?"
      list_off: "TUNE:KIND SPAN"
      status: "FLAG?"
      tracking_level: "FOLL:DBM {level_dbm:.6g}"
      tracking_on: "FOLL 1"
      tracking_off: "FOLL 0"
      tracking_query: "FOLL?"
    switch:
      next_error: "OOPS?"
      close: "JOIN (@{channels})"
      open: "PART (@{channels})"
      closed_query: "JOIN? (@{channels})"
    lid:
      next_error: "OOPS?"
      open_query: "LID?"
    thermometer:
      next_error: "OOPS?"
      temperature_query: "WARM?"
"""

from simulators.instruments.dialect import Dialect

_SYSTEM = {
    "OOPS?": "next error",
    "OOPS:COUNt?": "error count",
    "FLAG?": "questionable event",
    "FLAG:NOW?": "questionable condition",
}


_WALK_SETTINGS = {"WALK:TIME": "list dwell", "WALK:BY": "trigger source"}
_WALK_WORDS = {"trigger source": {"CLOCK": "itself", "PULSE": "cable", "WORD": "command"}}
_WALK_ACTIONS = {
    "WALK:HZ": "load list",
    "WALK:SIZE?": "list points",
    "WALK:AT?": "list place",
    "WALK:BUSY?": "list doing",
    "WALK:NEXT": "trigger",
}


def _nine_digits(value: float) -> str:
    return f"{value:.8E}"


SOURCE = Dialect(
    settings={
        "CARRier:HZ": "frequency",
        "CARRier:DBM": "level",
        "CARRier:ON": "output",
        "CARRier:KIND": "mode",
        "STEP:FROM": "start",
        "STEP:TO": "stop",
        "STEP:COUNt": "points",
        "STEP:TIME": "dwell",
        "STEP:RUN": "continuous",
        **_WALK_SETTINGS,
    },
    actions=_SYSTEM | _WALK_ACTIONS | {"WALK:GO": "initiate", "WALK:HALT": "abort"},
    words={"mode": {"FIX": "cw", "STEP": "sweep", "WALK": "list"}, **_WALK_WORDS},
    number=_nine_digits,
)

ANALYZER = Dialect(
    settings={
        "TUNE:MID": "centre",
        "TUNE:WIDTh": "span",
        "TUNE:LOW": "start",
        "TUNE:HIGH": "stop",
        "FILTer": "rbw",
        "VIDeo": "vbw",
        "TIME": "sweep time",
        "TIME:FREE": "sweep time auto",
        "COUNt": "points",
        "SHOW": "detector",
        "PAD": "attenuation",
        "TOP": "reference level",
        "KEEP": "trace mode",
        "RUN": "continuous",
        "FOLLow": "tracking",
        "FOLLow:DBM": "tracking level",
        "TUNE:KIND": "frequency mode",
        "WALK:LATE": "trigger delay",
        **_WALK_SETTINGS,
    },
    actions=_SYSTEM
    | _WALK_ACTIONS
    | {"WALK:GO": "initiate", "WALK:HALT": "abort"}
    | {"TAKE": "initiate", "TAKE?": "initiate and report", "HALT": "abort", "LIST?": "read trace"},
    words={
        "detector": {
            "RMS": "rms",
            "LOG": "average",
            "PEAK": "positive",
            "ONE": "sample",
            "MIX": "normal",
        },
        "trace mode": {"NONE": "write", "MAX": "hold"},
        "frequency mode": {"SPAN": "sweep", "WALK": "list"},
        **_WALK_WORDS,
    },
    defaults={"points": 501, "detector": "normal"},
    number=_nine_digits,
    binary=False,
    rbw_steps=(1.0, 3.0),
)

SWITCH = Dialect(
    settings={},
    actions=_SYSTEM | {"JOIN": "close", "JOIN?": "is closed", "PART": "open", "MAP?": "closed"},
)

SENSE = Dialect(settings={}, actions=_SYSTEM | {"LID?": "lid", "WARM?": "temperature"})
