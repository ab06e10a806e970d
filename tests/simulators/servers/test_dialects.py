"""Other makes: each dialect does the whole job, in its own words only."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable
from typing import Any, ClassVar

import numpy as np
import pytest
from pyvisa import util as visa_util
from ruamel.yaml import YAML

from simulators.instruments.dialects import DIALECTS, terse


@pytest.mark.parametrize("kind", ["source", "analyzer", "switch", "sense"])
def test_there_are_three_dialects_of_every_kind(kind: str) -> None:
    assert set(DIALECTS[kind]) == {"plain", "terse", "chatty"}


class TestTerse:
    @pytest.fixture
    def desk(self, make_desk: Callable[..., Any]) -> Any:
        return make_desk(
            **{name: {"dialect": "terse"} for name in ("generator", "analyzer", "switch", "lid")}
        )

    def test_a_point_is_measured_in_its_own_words(self, desk: Any) -> None:
        desk.ask("generator", "CARR:HZ 1.7E9;DBM 0;ON 1;*OPC?")
        desk.ask("analyzer", "TUNE:MID 1.7E9;WIDT 0;:COUN 1;:TIME 0.1;:FILT 1E4;:SHOW RMS")
        assert desk.ask("analyzer", "TAKE?") == "1"
        np.testing.assert_allclose(float(desk.ask("analyzer", "LIST?")), -20.0, atol=0.01)
        assert desk.ask("analyzer", "OOPS?") == '0,"No error"'
        assert desk.ask("generator", "OOPS?") == '0,"No error"'

    def test_it_does_not_understand_the_plain_words(self, desk: Any) -> None:
        for name, message in (
            ("generator", "FREQ 1E9"),
            ("analyzer", "INIT"),
            ("switch", "ROUT:CLOS (@101)"),
            ("lid", "SENS:LID?"),
        ):
            assert desk.ask(name, message) == ""
            assert desk.errors(name)[0].startswith("-113,")

    def test_asking_for_a_sweep_answers_at_its_end(self, desk: Any) -> None:
        desk.ask("analyzer", "TUNE:WIDT 0;:COUN 1;:TIME 0.5")
        begin_s = desk.time_s
        assert desk.ask("analyzer", "TAKE?") == "1"
        assert desk.time_s == pytest.approx(begin_s + 0.5)
        assert desk.ask("analyzer", "TAKE?") == "1"
        assert desk.time_s == pytest.approx(begin_s + 1.0)

    def test_bandwidths_come_in_steps_and_the_query_tells_which(self, desk: Any) -> None:
        found = [
            float(desk.ask("analyzer", f"FILT {wanted};FILT?"))
            for wanted in (12e3, 25e3, 100e3, 9e5)
        ]
        assert found == [10e3, 30e3, 100e3, 1e6]

    def test_traces_are_text_only(self, desk: Any) -> None:
        desk.ask("analyzer", "FORM REAL,32")
        assert desk.errors("analyzer")[0].startswith("-113,")

    def test_the_switch_and_the_lid(self, desk: Any) -> None:
        desk.ask("switch", "JOIN (@101,201)")
        assert desk.ask("switch", "PART (@201);JOIN? (@101,201);MAP?") == "1,0;(@101)"
        assert desk.ask("lid", "LID?") == "0"


class TestChatty:
    @pytest.fixture
    def desk(self, make_desk: Callable[..., Any]) -> Any:
        return make_desk(
            **{name: {"dialect": "chatty"} for name in ("generator", "analyzer", "switch", "lid")}
        )

    @pytest.mark.parametrize(
        ("name", "message", "reply"),
        [
            ("generator", "FREQ 1.7E9;FREQ?", "FREQUENCY 1.70000000000E+09 HZ"),
            ("generator", "POW -10;POW?", "POWER -1.00000000000E+01 DBM"),
            ("generator", "OUTP?", "OUTPUT OFF"),
            ("generator", "FREQ:MODE?", "FREQUENCY:MODE CW"),
            ("generator", "SWE:POIN?", "SWEEP:POINTS 101"),
            ("analyzer", "FREQ:CENT 1.7E9;CENT?", "FREQUENCY:CENTER 1.70000000000E+09 HZ"),
            ("analyzer", "DET?", "DETECTOR POS"),
            ("analyzer", "*OPC?", "1"),
            ("analyzer", "SYST:ERR?", '0,"No error"'),
        ],
    )
    def test_answers_repeat_the_header_and_add_the_unit(
        self, desk: Any, name: str, message: str, reply: str
    ) -> None:
        assert desk.ask(name, message) == reply

    def test_it_is_slow(self, desk: Any) -> None:
        desk.ask("generator", "*IDN?")
        assert desk.time_s == pytest.approx(0.003)

    def test_after_reset_traces_are_blocks_with_the_low_byte_first(self, desk: Any) -> None:
        desk.ask("analyzer", "*RST;:FREQ:CENT 1.7E9;SPAN 1E8;:SWE:POIN 11;:INIT;*WAI")
        block = desk.ask("analyzer", "TRAC?").encode("latin-1")
        low_first = visa_util.from_ieee_block(block, datatype="f", is_big_endian=False)
        text = desk.ask("analyzer", "FORM ASC;:TRAC?")
        assert re.fullmatch(r"TRACE [-+0-9.E,]+ DBM", text)
        values = [float(part) for part in text.split()[1].split(",")]
        np.testing.assert_allclose(low_first, values, rtol=1e-6)


def test_a_stranger_may_bring_a_dialect_or_a_whole_instrument(
    make_desk: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    from importlib.metadata import EntryPoint

    from simulators.instruments import all_instruments

    def found(group: str, name: str) -> list[EntryPoint]:
        assert group == "benchd.simulators"
        target = "simulators.instruments.dialects.terse:SOURCE"
        return [EntryPoint(name, target, group)] if name == "source.visiting" else []

    monkeypatch.setattr(all_instruments, "entry_points", found)
    desk = make_desk(generator={"dialect": "visiting"})
    assert float(desk.ask("generator", "CARR:HZ 1.7E9;HZ?")) == 1.7e9


class TestWhatABenchFileOverrides:
    """The table in the dialect's own documentation is tried out line by line."""

    SAMPLES: ClassVar[dict[str, Any]] = {
        "frequency_hz": 1.7e9,
        "level_dbm": -10.0,
        "start_hz": 1.6e9,
        "stop_hz": 1.8e9,
        "centre_hz": 1.7e9,
        "span_hz": 1e6,
        "points": 11,
        "dwell_s": 0.01,
        "dwell_ms": 10.0,
        "delay_us": 10.0,
        "frequencies_hz": 1.7e9,
        "resolution_bandwidth_hz": 1e4,
        "video_bandwidth_hz": 1e4,
        "sweep_time_s": 0.01,
        "detector": "RMS",
        "attenuation_db": 10.0,
        "reference_level_dbm": 0.0,
        "channels": "101,201",
    }

    def table(self) -> dict[str, dict[str, str | None]]:
        """Commands by kind, read as YAML from the docstring."""
        text = textwrap.dedent(str(terse.__doc__).split("of each instrument:")[1])
        text = re.sub(r"analyzer \(with.*?\):", "analyzer:", text, flags=re.DOTALL)
        found: dict[str, dict[str, str | None]] = YAML(typ="safe", pure=True).load(text)
        return found

    def test_every_kind_is_covered(self) -> None:
        assert set(self.table()) == {"source", "analyzer", "switch", "lid", "thermometer"}

    @pytest.mark.parametrize(
        ("kind", "name"),
        [
            ("source", "generator"),
            ("analyzer", "analyzer"),
            ("switch", "switch"),
            ("lid", "lid"),
            ("thermometer", "lid"),
        ],
    )
    def test_every_line_is_understood(
        self, make_desk: Callable[..., Any], kind: str, name: str
    ) -> None:
        desk = make_desk(**{name: {"dialect": "terse"}})
        complaints = {}
        for command, template in self.table()[kind].items():
            if template is None:
                continue
            # A trace can only be fetched after a sweep.
            before = "TAKE;*WAI;:" if command in ("fetch_trace", "list_fetch") else ""
            reply = desk.ask(name, before + template.format(**self.SAMPLES))
            desk.ask(name, "*WAI")
            errors = desk.errors(name)
            expected = "?" in template.split(";")[-1]
            if errors or bool(reply) is not expected:
                complaints[command] = (reply, errors)
        assert complaints == {}
