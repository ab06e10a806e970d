"""A spectrum analyzer that speaks SCPI-1999 (volume 2, SENSe, TRACe, FORMat subsystems)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from types import MappingProxyType
from typing import Any, ClassVar, Literal, cast, get_args

import numpy as np

from drivers import parse
from drivers.errors import BadSetting, BadTemplate, UnexpectedReply, shown
from drivers.exchange import Batch, Exchange, Reply
from drivers.lists import (
    LIST_ANSWERS,
    LIST_PARAMETERS,
    NEEDED_BY_COMMAND,
    NEEDED_FOR_LISTS,
    ListStepping,
    TriggeredBy,
    list_templates,
)
from drivers.parse import ByteOrder, TraceFormat
from drivers.readback import Setting
from drivers.replies import Answer

Detector = Literal["rms", "log-average", "peak", "sample"]
DETECTORS: tuple[Detector, ...] = get_args(Detector)

# SCPI-1999 volume 1, questionable status register (from memory): bit 3 POWer, bit 8 CALibration.
_OVERLOAD_BIT = 3
_UNCALIBRATED_BIT = 8

SPAN = frozenset({"set_start", "set_stop"})
"""Commands that are needed to sweep over a band."""

TRACE = SPAN | {"single_sweep", "fetch_trace"}
"""Commands that are needed to take single traces over a band."""


@dataclass(frozen=True, slots=True)
class AnalyzerStatus:
    """What the analyzer has reported against its own readings since the last query."""

    overload: bool
    uncalibrated: bool


class ScpiAnalyzer(ListStepping):
    """Builds the messages of one analyzer.

    Options:
        trace_format: `real32` (default), `real64` or `ascii`.
        byte_order: `big` (default) or `little`, of binary traces.
        point_samples: how many values one zero-span point holds, for analyzers that cannot
            make a trace of one value (default 1).
        detectors: the instrument's own word for each detector, e.g. {rms: RMS}.
    """

    kind: ClassVar[str] = "analyzer"
    option_names: ClassVar[tuple[str, ...]] = (
        "trace_format",
        "byte_order",
        "point_samples",
        "detectors",
    )
    templates: ClassVar[Mapping[str, str]] = MappingProxyType(
        {
            "set_centre": ":SENS:FREQ:CENT {centre_hz:.12g}",
            "set_span": ":SENS:FREQ:SPAN {span_hz:.12g}",
            "set_start": ":SENS:FREQ:STAR {start_hz:.12g}",
            "set_stop": ":SENS:FREQ:STOP {stop_hz:.12g}",
            "set_points": ":SENS:SWE:POIN {points:d}",
            "set_resolution_bandwidth": ":SENS:BAND:RES {resolution_bandwidth_hz:.12g}",
            "resolution_bandwidth_query": ":SENS:BAND:RES?",
            "set_video_bandwidth": ":SENS:BAND:VID {video_bandwidth_hz:.12g}",
            "set_sweep_time": ":SENS:SWE:TIME {sweep_time_s:.9g}",
            "sweep_time_auto": ":SENS:SWE:TIME:AUTO ON",
            "sweep_time_query": ":SENS:SWE:TIME?",
            "set_detector": ":SENS:DET:FUNC {detector}",
            "set_attenuation": ":SENS:POW:RF:ATT {attenuation_db:.6g}",
            "set_reference_level": ":DISP:WIND:TRAC:Y:SCAL:RLEV {reference_level_dbm:.6g}",
            "write_trace": ":TRAC1:MODE WRIT",
            "max_hold": ":TRAC1:MODE MAXH",
            "format_ascii": ":FORM:TRAC:DATA ASC",
            "format_real32": ":FORM:TRAC:DATA REAL,32",
            "format_real64": ":FORM:TRAC:DATA REAL,64",
            "byte_order_big": ":FORM:BORD NORM",
            "byte_order_little": ":FORM:BORD SWAP",
            "continuous_on": ":INIT:CONT ON",
            "continuous_off": ":INIT:CONT OFF",
            "abort": ":ABOR",
            "trigger": ":INIT:IMM",
            "single_sweep": ":INIT:IMM;*OPC?",
            "trigger_point": ":INIT:IMM;*WAI;:TRAC:DATA? TRACE1",
            "point": ":SENS:FREQ:CENT {centre_hz:.12g};:INIT:IMM;*WAI;:TRAC:DATA? TRACE1",
            "set_centre_settled": ":SENS:FREQ:CENT {centre_hz:.12g};*OPC?",
            "fetch_trace": ":TRAC:DATA? TRACE1",
            "status": ":STAT:QUES:EVEN?",
            "tracking_level": ":SOUR:POW:TRAC {level_dbm:.6g}",
            "tracking_level_query": ":SOUR:POW:TRAC?",
            "tracking_on": ":OUTP:TRAC ON",
            "tracking_off": ":OUTP:TRAC OFF",
            "tracking_query": ":OUTP:TRAC?",
            **list_templates("SENS", "SWE"),
            "list_delay": ":TRIG:SEQ:DEL {delay_s:.9g}",
            "list_fetch": ":TRAC:DATA? TRACE1",
        }
    )
    parameters: ClassVar[Mapping[str, Mapping[str, type]]] = MappingProxyType(
        {
            "set_centre": {"centre_hz": float},
            "set_centre_settled": {"centre_hz": float},
            "point": {"centre_hz": float},
            "set_span": {"span_hz": float},
            "set_start": {"start_hz": float},
            "set_stop": {"stop_hz": float},
            "set_points": {"points": int},
            "set_resolution_bandwidth": {"resolution_bandwidth_hz": float},
            "set_video_bandwidth": {"video_bandwidth_hz": float},
            "set_sweep_time": {"sweep_time_s": float},
            "set_detector": {"detector": str},
            "set_attenuation": {"attenuation_db": float},
            "set_reference_level": {"reference_level_dbm": float},
            "tracking_level": {"level_dbm": float},
            **LIST_PARAMETERS,
        }
    )
    required: ClassVar[frozenset[str]] = frozenset({"set_centre_settled", "trigger_point"})
    bare_replies: ClassVar[frozenset[str]] = frozenset(
        {"set_centre_settled", "single_sweep", "status", "list_next", "list_running_query"}
    )
    needed_for: ClassVar[Mapping[str, frozenset[str]]] = MappingProxyType(
        {
            "stepped": frozenset({"set_centre"}),
            "hold": frozenset(
                {"max_hold", "write_trace", "continuous_on", "continuous_off", "fetch_trace"}
            )
            | SPAN,
            "tracking": frozenset({"tracking_on", "tracking_off", "tracking_level"}) | TRACE,
            "traces": TRACE,
            "timed": frozenset({"sweep_time_query"}),
            "lists": NEEDED_FOR_LISTS | {"list_fetch"},
            "lists by command": NEEDED_BY_COMMAND | {"list_fetch"},
        }
    )
    answers: ClassVar[Mapping[str, Answer]] = MappingProxyType(
        {
            "resolution_bandwidth_query": "number",
            "sweep_time_query": "number",
            "set_centre_settled": "done",
            "single_sweep": "done",
            "trigger_point": "trace",
            "fetch_trace": "trace",
            "status": "number",
            "tracking_query": "state",
            **LIST_ANSWERS,
            "list_fetch": "trace",
        }
    )

    def __init__(
        self,
        name: str,
        commands: Mapping[str, str | None] = MappingProxyType({}),
        options: Mapping[str, Any] = MappingProxyType({}),
    ) -> None:
        super().__init__(name, commands, options)
        self.trace_format = cast(
            TraceFormat, self._choice("trace_format", "real32", ("real32", "real64", "ascii"))
        )
        self.byte_order = cast(ByteOrder, self._choice("byte_order", "big", ("big", "little")))
        self._detectors = self._detector_words()
        self._samples = self._point_samples()
        self._centre = self._one_number("set_centre", "centre_hz")
        self._centre_settled = self._one_number("set_centre_settled", "centre_hz")
        self._point = self._one_number("point", "centre_hz")
        self._choose_detector("rms")

    def prepare_point_mode(
        self,
        *,
        resolution_bandwidth_hz: float,
        video_bandwidth_hz: float | None,
        detector: str,
        dwell_s: float,
        reference_level_dbm: float | None = None,
        attenuation_db: float | None = None,
    ) -> Batch:
        """Zero span, one reading of `dwell_s` per trigger. None leaves a setting as it is."""
        word = self._choose_detector(detector)
        return (
            *self._sent("continuous_off"),
            *self._sent("write_trace"),
            *self._sent("set_span", span_hz=0.0),
            *self._sent("set_points", points=self._samples),
            *self._receiver(resolution_bandwidth_hz, video_bandwidth_hz, word),
            *self._levels(reference_level_dbm, attenuation_db),
            *self._sent("set_sweep_time", sweep_time_s=dwell_s),
            *self._sent("format_ascii"),
        )

    def set_centre(self, centre_hz: float) -> Exchange:
        """Tune, without waiting."""
        return Exchange(self.name, self._centre(self._finite("centre_hz", centre_hz)))

    def set_centre_settled(self, centre_hz: float) -> Exchange:
        """Tune; the reply (True) comes when the analyzer is ready there."""
        return self._settling(
            "set_centre_settled", self._centre_settled(self._finite("centre_hz", centre_hz))
        )

    def trigger_point(self) -> Exchange:
        """One zero-span reading where the analyzer is tuned; the value is a level in dBm."""
        return self._trigger_point

    def point(self, centre_hz: float) -> Exchange:
        """Tune and take one zero-span reading in one message; the value is a level in dBm."""
        return Exchange(
            self.name,
            self._point(self._finite("centre_hz", centre_hz)),
            Reply.TEXT,
            self._point_parser,
        )

    def prepare_sweep(
        self,
        *,
        start_hz: float,
        stop_hz: float,
        points: int,
        resolution_bandwidth_hz: float,
        video_bandwidth_hz: float | None,
        detector: str,
        sweep_time_s: float | None = None,
        reference_level_dbm: float | None = None,
        attenuation_db: float | None = None,
        max_hold: bool = False,
    ) -> Batch:
        """A sweep from start to stop, not yet started. None leaves a setting to the analyzer.

        `max_hold` empties the trace first, so that it holds nothing from before.
        """
        word = self._choose_detector(detector)
        # A sweep time that is still set from point mode would be far too short for a span.
        slow = (
            self._sent("sweep_time_auto")
            if sweep_time_s is None
            else self._sent("set_sweep_time", sweep_time_s=sweep_time_s)
        )
        return (
            *self._sent("continuous_off"),
            *self._sent("write_trace"),
            *self._sent("set_start", start_hz=start_hz),
            *self._sent("set_stop", stop_hz=stop_hz),
            *self._sent("set_points", points=points),
            *self._receiver(resolution_bandwidth_hz, video_bandwidth_hz, word),
            *self._levels(reference_level_dbm, attenuation_db),
            *slow,
            *self._trace_form(),
            *(self._sent("max_hold") if max_hold else ()),
        )

    def sweep_time_query(self) -> Exchange:
        """The sweep time in use, s."""
        return self._query("sweep_time_query", parse.number)

    def resolution_bandwidth_query(self) -> Exchange:
        """The resolution bandwidth in use, Hz; analyzers round to what they have."""
        return self._query("resolution_bandwidth_query", parse.number)

    def continuous(self, on: bool) -> Batch:
        """Sweep over and over, or stop after the present sweep."""
        return self._sent("continuous_on" if on else "continuous_off")

    def abort(self) -> Batch:
        """Stop the present sweep at once."""
        return self._sent("abort")

    def single_sweep(self, timeout_s: float) -> Exchange:
        """One sweep; the reply (True) comes at its end, within `timeout_s`."""
        return self._query("single_sweep", parse.done, timeout_s=timeout_s)

    def fetch_trace(self, points: int, timeout_s: float | None = None) -> Exchange:
        """The trace in dBm: float64, shape (points,).

        Its value is refused (BadReply) when points are missing or too many, and when any is
        marked as not a number or infinite.
        """
        return self._fetch("fetch_trace", points, timeout_s)

    def list_fetch(self, points: int) -> Exchange:
        """All readings of a list in dBm: float64, shape (points,); refused as a trace is."""
        return self._fetch("list_fetch", points, None)

    def list_set(self, dwell_s: float, triggered_by: TriggeredBy, delay_s: float = 0.0) -> Batch:
        """As `ListStepping` has it; the readings come in the form of whole traces."""
        return (*self._trace_form(), *super().list_set(dwell_s, triggered_by, delay_s))

    def list_leave(self) -> Batch:
        """As `ListStepping` has it; single readings come as text again."""
        return (*super().list_leave(), *self._sent("format_ascii"))

    def _fetch(self, name: str, points: int, timeout_s: float | None) -> Exchange:
        binary = self.trace_format != "ascii"
        parser = parse.trace_parser(points, self.trace_format, self.byte_order)
        size = {"ascii": None, "real32": 4 * points, "real64": 8 * points}[self.trace_format]
        return Exchange(
            self.name,
            self._command(name).text(),
            Reply.BLOCK if binary else Reply.TEXT,
            parser if binary else self._reader(name, parser),
            timeout_s,
            block_bytes=size,
        )

    def _trace_form(self) -> Batch:
        order = () if self.trace_format == "ascii" else self._sent(f"byte_order_{self.byte_order}")
        return (*self._sent(f"format_{self.trace_format}"), *order)

    def status(self) -> Exchange:
        """AnalyzerStatus since the last question (asking clears it)."""
        return self._query("status", _status)

    def tracking_on(self, level_dbm: float) -> Batch:
        """Switch on the analyzer's own tracking source. Never sent twice by a recovery."""
        return (
            *self._sent("tracking_level", level_dbm=level_dbm),
            *self._sent("tracking_on", radiates=True),
        )

    def tracking_level(self, level_dbm: float) -> Batch:
        """Set the level of the tracking source, without switching it on."""
        return self._sent("tracking_level", level_dbm=level_dbm)

    def least_level(self, level_dbm: float) -> Batch:
        """Set the tracking level; named as the method of a source."""
        return self.tracking_level(level_dbm)

    @property
    def unasked_settings(self) -> tuple[str, ...]:
        """Settings of its tracking source that it cannot be asked for: `level`."""
        asked = self.has("tracking_level") and self.can_ask(
            "tracking_level", "tracking_level_query"
        )
        return () if asked else ("level",)

    def tracking_level_setting(self, level_dbm: float) -> Setting | None:
        """How to ask whether this level is set; None where it cannot be asked."""
        if self.unasked_settings:
            return None
        return self._level_setting("tracking_level", "tracking_level_query", level_dbm)

    def tracking_off(self) -> Batch:
        """Switch the analyzer's own tracking source off."""
        return self._sent("tracking_off")

    def rf_off(self) -> Batch:
        """Switch RF off; named as the method of a source, since an analyzer with a tracking output
        radiates like one."""
        return self.tracking_off()

    @property
    def can_tell_rf(self) -> bool:
        """Whether it can be asked if RF is on."""
        return self.has("tracking_query")

    def rf_query(self) -> Exchange:
        """Whether the tracking output is on, as the instrument itself says."""
        return self._query("tracking_query", parse.on_off)

    def _receiver(
        self, resolution_bandwidth_hz: float, video_bandwidth_hz: float | None, word: str
    ) -> Batch:
        video = (
            ()
            if video_bandwidth_hz is None
            else self._sent("set_video_bandwidth", video_bandwidth_hz=video_bandwidth_hz)
        )
        return (
            *self._sent(
                "set_resolution_bandwidth", resolution_bandwidth_hz=resolution_bandwidth_hz
            ),
            *video,
            *self._sent("set_detector", detector=word),
        )

    def _levels(self, reference_level_dbm: float | None, attenuation_db: float | None) -> Batch:
        return (
            *(
                ()
                if reference_level_dbm is None
                else self._sent("set_reference_level", reference_level_dbm=reference_level_dbm)
            ),
            *(
                ()
                if attenuation_db is None
                else self._sent("set_attenuation", attenuation_db=attenuation_db)
            ),
        )

    def _choose_detector(self, detector: str) -> str:
        """The instrument's word; zero-span readings are combined as this detector would."""
        if detector not in self._detectors:
            raise BadSetting(
                self.name,
                f"detector must be one of {', '.join(self._detectors)}; found {detector!r}",
            )
        self._point_parser = self._reader(
            "trigger_point",
            parse.level_dbm
            if self._samples == 1
            else partial(_combined_point, self._samples, detector),
        )
        self._trigger_point = Exchange(
            self.name, self._command("trigger_point").text(), Reply.TEXT, self._point_parser
        )
        return self._detectors[detector]

    def _detector_words(self) -> dict[str, str]:
        words: dict[str, str] = {
            "rms": "RMS",
            "log-average": "AVER",
            "peak": "POS",
            "sample": "SAMP",
        }
        given = self.options.get("detectors", {})
        if not isinstance(given, Mapping):
            raise BadTemplate(
                self.name,
                f"option `detectors` must be a table, found {given!r}.",
                key=("options", "detectors"),
            )
        for detector, word in given.items():
            if detector not in words:
                raise BadTemplate(
                    self.name,
                    f"option `detectors` knows {', '.join(words)}; found {detector!r}.",
                    key=("options", "detectors"),
                )
            if not isinstance(word, str) or not re.fullmatch("[A-Za-z0-9,]+", word):
                raise BadTemplate(
                    self.name,
                    f"option `detectors`: the word for {detector} may hold letters, digits and "
                    f"commas only; found {word!r}.",
                    key=("options", "detectors"),
                )
            words[detector] = word
        return words

    def _point_samples(self) -> int:
        samples = self.options.get("point_samples", 1)
        if type(samples) is not int or not 1 <= samples <= 100_001:
            raise BadTemplate(
                self.name,
                f"option `point_samples` must be a whole number from 1 to 100001; "
                f"found {samples!r}.",
                key=("options", "point_samples"),
            )
        return samples


def _status(reply: str) -> AnalyzerStatus:
    bits = parse.integer(reply)
    if not 0 <= bits <= 0xFFFF:
        raise UnexpectedReply("a register of 16 bits", shown(reply))
    return AnalyzerStatus(
        overload=bool(bits >> _OVERLOAD_BIT & 1),
        uncalibrated=bool(bits >> _UNCALIBRATED_BIT & 1),
    )


def _combined_point(samples: int, detector: str, reply: str) -> float:
    """One level from several zero-span values, combined as the detector combines its own.

    rms: mean of powers. log-average: mean of dB values. peak: largest. sample: the middle one.
    """
    levels_dbm = parse.trace_parser(samples, "ascii", "big")(reply)
    if detector == "rms":
        return float(10.0 * np.log10(np.mean(10.0 ** (levels_dbm / 10.0))))
    if detector == "log-average":
        return float(np.mean(levels_dbm))
    if detector == "peak":
        return float(np.max(levels_dbm))
    return float(levels_dbm[samples // 2])
