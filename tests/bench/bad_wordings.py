"""Wordings of commands that a bench file must not have: cases of test_wordings.py.

Each is a kind of instrument, the words under its `commands:`, the command that is blamed, and
part of what the refusal says.
"""

from __future__ import annotations

Words = dict[str, str | None]

LEVELS: list[tuple[str, str, Words, str, str]] = [
    (name, "generator", {"set_level": template}, "set_level", complaint)
    for name, template, complaint in (
        ("no placeholder", ":POW 15", "has no place for level_dbm"),
        ("placeholder in doubled braces", ":POW {{level_dbm}}", "has no place for level_dbm"),
        ("no digits", ":POW {level_dbm:.0f}", "makes level_dbm -57 of -57.37"),
        ("one digit", ":POW {level_dbm:.0}", "makes level_dbm -60 of -57.37"),
        ("conversion", ":POW {level_dbm!r}", "plain fields only"),
        ("percent", ":POW {level_dbm:%}", "has the number format '%'"),
        ("digit ahead", ":POW 1{level_dbm:.2f}", "ahead of {level_dbm}, which changes the number"),
        ("sign ahead", ":POW -{level_dbm:.2f}", "ahead of {level_dbm}, which changes the number"),
        ("zero behind", ":POW {level_dbm:.2f}0", "behind {level_dbm}, which changes the number"),
        ("exponent", ":POW {level_dbm:.2f} E1", "behind {level_dbm}, which changes the number"),
        ("watts", ":POW {level_dbm:.2f} W", "says W behind {level_dbm}"),
        ("endless width", ":POW {level_dbm:999999999f}", "two digits at most"),
        ("endless precision", ":POW {level_dbm:.999999999f}", "two digits at most"),
        ("thousands", ":POW {level_dbm:,.2f}", "has the number format ',.2f'"),
        ("filled with nines", ":POW {level_dbm:9>9.2f}", "has the number format"),
        ("output behind it", ":POW {level_dbm:.2f};:OUTP ON", "joins several commands with `;`"),
        ("question", ":POW? {level_dbm:.2f}", "asks a question, whose answer nobody would read"),
        ("empty command behind", ":POW {level_dbm:.2f};", "holds an empty command"),
    )
]
FREQUENCIES: list[tuple[str, str, Words, str, str]] = [
    (name, "generator", {command: template}, command, complaint)
    for name, command, template, complaint in (
        ("one digit", "set_frequency", "F {frequency_hz:.1g}", "loses what matters"),
        ("whole GHz", "set_frequency", "F {frequency_ghz:.0f}", "loses what matters"),
        ("six digits", "set_frequency", "F {frequency_ghz:g}", "loses what matters"),
        ("wrong unit", "set_frequency", "F {frequency_hz:.0f} MHZ", "says MHZ behind"),
        ("no place", "set_frequency_settled", "F 1E9;*OPC?", "has no place for frequency_hz"),
        ("no answer", "set_frequency_settled", "F {frequency_hz:.0f}", "asks nothing"),
        (
            "output between", "set_frequency_settled", "F {frequency_hz:.0f};OUTP ON;*OPC?",
            "joins 2 commands",
        ),
        (
            "output instead", "set_frequency_settled", "F {frequency_hz:.0f};:OUTP ON",
            "joins 2 commands",
        ),
        (
            "recall behind it", "set_frequency_settled", "F {frequency_hz:.0f};*RCL 1;*OPC?",
            "holds *RCL",
        ),
        ("start without place", "free_run_start", ":FREQ:STAR 1E9", "has no place for start_hz"),
        ("points as power", "free_run_points", ":SWE:POIN {points:.1e}", "loses what matters"),
        ("dwell cut off", "free_run_dwell", ":SWE:DWEL {dwell_s:.0f}", "loses what matters"),
    )
]  # fmt: skip
OUTPUTS: list[tuple[str, str, Words, str, str]] = [
    (name, "generator", words, blamed, complaint)
    for name, words, blamed, complaint in (
        ("off is on", {"rf_off": ":OUTP ON"}, "rf_off", "says on, not off"),
        ("off is one", {"rf_off": "OUTPUT:STATE 1"}, "rf_off", "says on, not off"),
        ("off is RF1", {"rf_off": "RF1"}, "rf_off", "says on, not off"),
        ("off toggles", {"rf_off": ":OUTP TOGG"}, "rf_off", "says on, not off"),
        ("on is off", {"rf_on": ":OUTP 0"}, "rf_on", "says off, not on"),
        ("on and off alike", {"rf_on": "STBY", "rf_off": "STBY"}, "rf_off", "is the same as"),
        ("on again behind off", {"rf_off": "OUTP OFF;OUTP ON"}, "rf_off", "joins several"),
        ("off asks", {"rf_off": ":OUTP:STAT?"}, "rf_off", "asks a question"),
        ("off removed", {"rf_off": None}, "rf_off", "is needed and cannot be removed"),
        (
            "query of modulation", {"rf_query": ":OUTP:MOD:STAT?"}, "rf_query",
            "asks something else than `rf_off` sets",
        ),
        (
            "muted without words for it",
            {"rf_on": "MUTE OFF", "rf_off": "MUTE ON", "rf_query": "MUTE?"}, "rf_query",
            "say under `replies:` what it means",
        ),
        ("query of level", {"rf_query": ":POW?"}, "rf_query", "asks something else"),
        ("query of frequency", {"rf_query": "*OPC?"}, "rf_query", "asks something else"),
        ("query of output 2", {"rf_query": ":OUTP2?"}, "rf_query", "asks something else"),
        (
            "query of channel 2", {"rf_off": "OUTP OFF,(@1)", "rf_query": "OUTP? (@2)"},
            "rf_query", "asks something else",
        ),
        ("off of a thing of its own", {"rf_off": "RF0"}, "rf_off", "switch different things"),
        (
            "dialect asks elsewhere", {"rf_on": "RF1", "rf_off": "RF0", "rf_query": "LV?"},
            "rf_query", "asks something else",
        ),
        ("on of output 2", {"rf_on": ":OUTP2 ON"}, "rf_on", "switch different things"),
        ("query sets", {"rf_query": ":OUTP:STAT ON"}, "rf_query", "asks nothing"),
        ("query tells nothing", {"rf_query": ":OUTP:STAT"}, "rf_query", "asks nothing"),
        ("level question sets", {"level_query": ":POW 15"}, "level_query", "asks nothing"),
        ("reset radiates", {"reset": ":OUTP:STAT ON"}, "reset", "switches an output on"),
        ("clear radiates", {"clear": "OUTPUT 1"}, "clear", "switches an output on"),
        ("clear toggles", {"clear": "OUTP TOGGLE"}, "clear", "switches an output on"),
        ("reset recalls", {"reset": "*RCL 1"}, "reset", "holds *RCL"),
        ("reset sets the level", {"reset": ":POW 15"}, "reset", "sets the level"),
        (
            "on and level", {"rf_on": ":SOUR:POW:LEV 15"}, "rf_on", "sets the level",
        ),
        (
            "free run radiates", {"free_run_on": ":FREQ:MODE SWE;:OUTP ON"}, "free_run_on",
            "switches an output on",
        ),
        (
            "free run joins three", {"free_run_on": ":FREQ:MODE SWE;:INIT:CONT ON;:A 1"},
            "free_run_on", "joins 3 commands",
        ),
        (
            "dialect radiates", {
                "rf_on": "CARR:ON 1", "rf_off": "CARR:ON 0", "rf_query": "CARR:ON?",
                "clear": "CARR:ON 1",
            }, "clear", "switches an output on",
        ),
    )
]  # fmt: skip
OTHERS: list[tuple[str, str, Words, str, str]] = [
    (
        "bandwidth without place", "analyzer", {"set_resolution_bandwidth": ":BAND 1E6"},
        "set_resolution_bandwidth", "has no place for resolution_bandwidth_hz",
    ),
    (
        "bandwidth cut off", "analyzer",
        {"set_resolution_bandwidth": ":BAND {resolution_bandwidth_khz:.0f}"},
        "set_resolution_bandwidth", "loses what matters",
    ),
    ("centre without place", "analyzer", {"set_centre": ":C"}, "set_centre", "has no place for"),
    (
        "point without place", "analyzer", {"point": ":INIT;*WAI;:TRAC? TRACE1"}, "point",
        "has no place for centre_hz",
    ),
    (
        "point of four", "analyzer", {"point": ":C {centre_hz};:A;:B;*WAI;:TRAC? 1"}, "point",
        "joins 4 commands",
    ),
    ("detector cut", "analyzer", {"set_detector": "DET {detector:.1s}"}, "set_detector",
     "changes the word"),
    ("tracking off is on", "analyzer", {"tracking_off": ":OUTP:TRAC ON"}, "tracking_off",
     "says on, not off"),
    ("tracking cannot be ended", "analyzer", {"tracking_off": None}, "tracking_off",
     "`tracking_off` was removed, but `tracking_on` was not"),
    ("tracking cannot be asked", "analyzer", {"tracking_query": None}, "tracking_query",
     "`tracking_query` was removed, but `tracking_on` was not"),
    ("tracking asks the other output", "analyzer", {"tracking_query": ":OUTP:STAT?"},
     "tracking_query", "asks something else"),
    ("abort radiates", "analyzer", {"abort": ":OUTP:TRAC ON"}, "abort", "switches an output on"),
    ("channels without place", "selector", {"close": ":ROUT:CLOS (@101)"}, "close",
     "has no place for channels"),
    ("lid radiates", "contact", {"clear": ":OUTP ON"}, "clear", "switches an output on"),
]  # fmt: skip

CASES = (*LEVELS, *FREQUENCIES, *OUTPUTS, *OTHERS)

GOOD: list[tuple[str, str, Words]] = [
    ("short form", "generator", {"rf_off": "OUTP OFF"}),
    ("long form with number", "generator", {"rf_off": ":OUTPUT1:STATE 0"}),
    ("mixed forms", "generator", {"rf_on": "OUTP ON", "rf_query": "OUTPUT:STATE?"}),
    ("equals sign", "generator", {"rf_on": "RF=ON", "rf_off": "RF=OFF", "rf_query": "RF?"}),
    ("comma", "generator", {"rf_on": "OUTPUT,ON", "rf_off": "OUTPUT,OFF", "rf_query": "OUTPUT?"}),
    ("muting", "generator", {"rf_on": "MUTE OFF", "rf_off": "MUTE ON", "rf_query": None}),
    ("own question behind", "generator", {"set_frequency_settled": "F {frequency_hz:.0f};LOCKED?"}),
    ("no question mark to say who it is", "generator", {"identify": "ID"}),
    ("letters and digits", "generator", {"rf_on": "RF1", "rf_off": "RF0", "rf_query": "RF?"}),
    ("words", "generator", {"rf_on": "RFON", "rf_off": "RFOFF", "rf_query": "RF?"}),
    ("nodes", "generator", {"rf_on": "RF:ON", "rf_off": "RF:OFF", "rf_query": "RF?"}),
    ("codes nobody can read", "generator", {"rf_on": "R3", "rf_off": "R2", "rf_query": "R?"}),
    ("all off", "generator", {"rf_off": "OUTP:ALL OFF"}),
    (
        "channel", "generator",
        {"rf_on": "OUTP CH2,ON", "rf_off": "OUTP CH2,OFF", "rf_query": "OUTP? CH2"},
    ),
    (
        "output 2", "generator",
        {"rf_on": "OUTP2 ON", "rf_off": "OUTP2 OFF", "rf_query": "OUTP2:STAT?"},
    ),
    ("one decimal", "generator", {"set_level": "LV {level_dbm:.1f} DBM"}),
    ("old style", "generator", {"set_frequency": "FR{frequency_mhz:.6f}MZ"}),
    ("signed and padded", "generator", {"set_level": "PL{level_dbm:=+08.2f}DM"}),
    ("dwell in ms", "generator", {"free_run_dwell": "DW {dwell_ms:.3f} MS"}),
    ("whole attenuation", "analyzer", {"set_attenuation": "AT {attenuation_db:.0f} DB"}),
    ("settled by a question", "analyzer", {"single_sweep": ":TAKE?"}),
    ("no tracking at all", "analyzer",
     {"tracking_on": None, "tracking_off": None, "tracking_query": None, "tracking_level": None}),
    ("quoted separator", "selector", {"clear": ":DISP:TEXT 'a;b'"}),
]  # fmt: skip
