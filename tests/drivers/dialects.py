"""What a bench file says for two instruments with a dialect of their own.

The invented makes `terse` and `chatty` of the virtual bench; no driver knows of them.
"""

from __future__ import annotations

from typing import Any

TERSE_LISTS: dict[str, str | None] = {
    "list_frequencies": ":WALK:HZ {frequencies_hz:.0f}",
    "list_points_query": ":WALK:SIZE?",
    "list_dwell": ":WALK:TIME {dwell_ms:.4f}MS",
    "list_by_itself": ":WALK:BY CLOCK",
    "list_by_cable": ":WALK:BY PULSE",
    "list_by_command": ":WALK:BY WORD",
    "list_start": ":WALK:GO",
    "list_abort": ":WALK:HALT",
    "list_next": ":WALK:NEXT;*OPC?",
    "list_running_query": ":WALK:BUSY?",
    "list_place_query": ":WALK:AT?",
}

TERSE_LIST_REPLIES: dict[str, Any] = {
    "list_running_query": {"on": ["STEPS", "WAITS"], "off": "RESTS"}
}

TERSE_SOURCE: dict[str, str | None] = {
    "set_frequency": ":CARR:HZ {frequency_hz:.3f}",
    "set_frequency_settled": ":CARR:HZ {frequency_hz:.3f};*OPC?",
    "frequency_query": ":CARR:HZ?",
    "set_level": ":CARR:DBM {level_dbm:.3f}",
    "level_query": ":CARR:DBM?",
    "rf_on": ":CARR:ON 1",
    "rf_off": ":CARR:ON 0",
    "rf_query": ":CARR:ON?",
    "free_run_start": ":STEP:FROM {start_hz:.0f}",
    "free_run_stop": ":STEP:TO {stop_hz:.0f}",
    "free_run_points": ":STEP:COUN {points:d}",
    "free_run_dwell": ":STEP:TIME {dwell_s:.6g}",
    "free_run_on": ":CARR:KIND STEP;:STEP:RUN 1",
    "free_run_off": ":STEP:RUN 0;:CARR:KIND FIX",
    "next_error": ":OOPS?",
    **TERSE_LISTS,
    "list_on": ":CARR:KIND WALK",
    "list_off": ":CARR:KIND FIX",
}

TERSE_ANALYZER: dict[str, str | None] = {
    "set_centre": ":TUNE:MID {centre_hz:.0f}",
    "set_centre_settled": ":TUNE:MID {centre_hz:.0f};*OPC?",
    "set_span": ":TUNE:WIDT {span_hz:.0f}",
    "set_start": ":TUNE:LOW {start_hz:.0f}",
    "set_stop": ":TUNE:HIGH {stop_hz:.0f}",
    "set_points": ":COUN {points:d}",
    "set_resolution_bandwidth": ":FILT {resolution_bandwidth_hz:.0f}",
    "resolution_bandwidth_query": ":FILT?",
    "set_video_bandwidth": ":VID {video_bandwidth_hz:.0f}",
    "set_sweep_time": ":TIME {sweep_time_s:.6g}",
    "sweep_time_auto": ":TIME:FREE 1",
    "sweep_time_query": ":TIME?",
    "set_detector": ":SHOW {detector}",
    "set_attenuation": ":PAD {attenuation_db:.0f}",
    "set_reference_level": ":TOP {reference_level_dbm:.1f}",
    "write_trace": ":KEEP NONE",
    "max_hold": ":KEEP MAX",
    "format_ascii": None,
    "continuous_on": ":RUN 1",
    "continuous_off": ":RUN 0",
    "abort": ":HALT",
    "trigger": ":TAKE",
    "single_sweep": ":TAKE?",
    "trigger_point": ":TAKE;*WAI;:LIST?",
    "point": ":TUNE:MID {centre_hz:.0f};:TAKE;*WAI;:LIST?",
    "fetch_trace": ":LIST?",
    "status": ":FLAG?",
    "tracking_level": ":FOLL:DBM {level_dbm:.1f}",
    "tracking_on": ":FOLL 1",
    "tracking_off": ":FOLL 0",
    "tracking_query": ":FOLL?",
    "next_error": ":OOPS?",
    **TERSE_LISTS,
    "list_delay": ":WALK:LATE {delay_us:.2f}US",
    "list_on": ":TUNE:KIND WALK",
    "list_off": ":TUNE:KIND SPAN",
    "list_fetch": ":LIST?",
}

TERSE_ANALYZER_OPTIONS: dict[str, Any] = {
    "replies": TERSE_LIST_REPLIES,
    "trace_format": "ascii",
    "detectors": {"log-average": "LOG", "peak": "PEAK", "sample": "ONE"},
}

TERSE_SWITCH: dict[str, str | None] = {
    "close": ":JOIN (@{channels})",
    "open": ":PART (@{channels})",
    "closed_query": ":JOIN? (@{channels})",
    "next_error": ":OOPS?",
}

CHATTY_OPTIONS: dict[str, Any] = {"reply_style": "headed"}
CHATTY_ANALYZER_OPTIONS: dict[str, Any] = {**CHATTY_OPTIONS, "byte_order": "little"}

BENCHES: dict[str, dict[str, tuple[dict[str, str | None], dict[str, Any]]]] = {
    "terse": {
        "generator": (TERSE_SOURCE, {"replies": TERSE_LIST_REPLIES}),
        "analyzer": (TERSE_ANALYZER, TERSE_ANALYZER_OPTIONS),
        "switch": (TERSE_SWITCH, {}),
    },
    "chatty": {
        "generator": ({}, CHATTY_OPTIONS),
        "analyzer": ({}, CHATTY_ANALYZER_OPTIONS),
        "switch": ({}, {}),
    },
}
"""Dialect -> instrument -> (commands, options) as a bench file would give them."""
