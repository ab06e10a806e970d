"""`terse`: short headers of its own, text only, and a sweep that is asked for, not initiated.

What a bench file has to override (left what the instrument is told, right the command here):

    source      frequency           CARR:HZ <hz>            query CARR:HZ?
                level               CARR:DBM <dbm>          query CARR:DBM?
                RF on and off       CARR:ON 1 | CARR:ON 0   query CARR:ON?
                free-running sweep  STEP:FROM, STEP:TO <hz>; STEP:COUN <n>; STEP:TIME <s>;
                                    CARR:KIND STEP | FIX; STEP:RUN 1 | 0
    analyzer    centre and span     TUNE:MID <hz>; TUNE:WIDT <hz>
                start and stop      TUNE:LOW <hz>; TUNE:HIGH <hz>
                bandwidths          FILT <hz>; VID <hz>: only 1, 3, 10, 30 ... are there, the
                                    nearest is taken, and the query tells which
                sweep time, points  TIME <s>; COUN <n>
                detector            SHOW RMS | LOG | PEAK | ONE | MIX
                attenuation         PAD <db>                reference level TOP <dbm>
                max hold            KEEP MAX | NONE         continuous RUN 1 | 0
                sweep once          TAKE? answers 1 at the sweep's end (TAKE does not answer;
                                    *OPC? and *WAI wait for it all the same)
                stop                HALT
                trace               LIST? always text; there is no format command
                overload, too fast  FLAG? (events) and FLAG:NOW?, same bits as QUEStionable
                tracking output     FOLL 1 | 0; FOLL:DBM <dbm>
    switch      close, open         JOIN <list>; PART <list>; query JOIN? <list>; all MAP?
    lid         open                LID?
    all         next error          OOPS? in place of SYST:ERR?

The common commands (`*IDN?`, `*OPC?`, ...) are as everywhere. Numbers in replies have eight
digits, no more: 1.70000012E+09 is all it can say of a frequency.
"""

from simulators.instruments.dialect import Dialect

_SYSTEM = {
    "OOPS?": "next error",
    "OOPS:COUNt?": "error count",
    "FLAG?": "questionable event",
    "FLAG:NOW?": "questionable condition",
}


def _eight_digits(value: float) -> str:
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
    },
    actions=_SYSTEM,
    words={"mode": {"FIX": "cw", "STEP": "sweep"}},
    number=_eight_digits,
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
        "COUNt": "points",
        "SHOW": "detector",
        "PAD": "attenuation",
        "TOP": "reference level",
        "KEEP": "trace mode",
        "RUN": "continuous",
        "FOLLow": "tracking",
        "FOLLow:DBM": "tracking level",
    },
    actions=_SYSTEM
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
    },
    defaults={"points": 501, "detector": "normal"},
    number=_eight_digits,
    binary=False,
    rbw_steps=(1.0, 3.0),
)

SWITCH = Dialect(
    settings={},
    actions=_SYSTEM | {"JOIN": "close", "JOIN?": "is closed", "PART": "open", "MAP?": "closed"},
)

SENSE = Dialect(settings={}, actions=_SYSTEM | {"LID?": "lid"})
