"""The SCPI core against IEEE 488.2-1992 and SCPI-1999, with pyvisa as an independent oracle."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyvisa import util as visa_util

from simulators.scpi import (
    BlockData,
    Boolean,
    ChannelList,
    Choice,
    Command,
    CommandTable,
    Conversation,
    ErrorQueue,
    Framer,
    Keyword,
    Number,
    ScpiError,
    Status,
    Wait,
    decode_block,
    encode_block,
    encode_values,
)
from simulators.scpi.commands import pattern_headers
from simulators.scpi.framing import OVERRUN
from simulators.scpi.numbers import parse_number
from tests.generated import many


class Recorder:
    """A device that remembers what it was told."""

    def __init__(self, *patterns: str, latency_s: float = 0.0) -> None:
        self.status = Status(event=0)
        self.latency_s = latency_s
        self.reply_end = b"\n"
        self.calls: list[tuple[object, ...]] = []
        self.table = CommandTable([self.command(pattern) for pattern in patterns])

    def command(self, pattern: str) -> Command:
        if pattern.endswith("?"):
            return Command(pattern, lambda: pattern.rstrip("?"))
        return Command(pattern, self.note(pattern), (Number("HZ"),), required=0)

    def note(self, pattern: str) -> Callable[..., None]:
        return lambda *arguments: self.calls.append((pattern, *arguments))


def talk(device: Recorder, message: bytes) -> list[bytes]:
    conversation = Conversation(device)
    conversation.receive(message)
    replies, wake_s = conversation.advance(0.0)
    assert wake_s is None
    return replies


class TestHeaders:
    def test_short_and_long_forms_and_optional_nodes_all_name_one_command(self) -> None:
        expected = {
            ":".join(nodes)
            for start in ((), ("SENS",), ("SENSE",))
            for nodes in ((*start, a, b) for a in ("FREQ", "FREQUENCY") for b in ("CENT", "CENTER"))
        }
        assert set(pattern_headers("[SENSe:]FREQuency:CENTer")) == expected

    def test_a_trailing_optional_node_and_a_numeric_suffix_of_one_may_be_left_out(self) -> None:
        assert set(pattern_headers("TRACe[1]:MODE[:SET]?")) == {
            f"{trace}:MODE{end}"
            for trace in ("TRAC", "TRACE", "TRAC1", "TRACE1")
            for end in ("", ":SET")
        }

    def test_a_pattern_with_an_unclosed_bracket_is_refused(self) -> None:
        with pytest.raises(ValueError, match=r"bad header pattern '\[SENSe:FREQ'"):
            pattern_headers("[SENSe:FREQ")

    @pytest.mark.parametrize(
        ("header", "code"),
        [
            ("FREQ:CENT", 0),
            ("sens:freq:cent", 0),
            ("FrEqUeNcY:cEnTeR", 0),
            ("FREQU:CENT", -113),
            ("FREQ", -113),
            ("FREQ2:CENT", -114),
            ("FREQ::CENT", -102),
            ("1FREQ:CENT", -102),
            ("FREQUENCYFREQUENCY", -112),
            ("FR\xc9Q:CENT", -101),
        ],
    )
    def test_headers_are_accepted_or_refused_with_the_standards_code(
        self, header: str, code: int
    ) -> None:
        device = Recorder("[SENSe:]FREQuency:CENTer")
        talk(device, header.encode("latin-1") + b" 5\n")
        seen = int(device.status.errors.pop().split(",")[0])
        assert (seen, device.calls) == (
            code,
            [("[SENSe:]FREQuency:CENTer", 5.0)] if code == 0 else [],
        )

    @given(st.data())
    def test_no_prefix_between_short_and_long_form_is_taken(self, data: st.DataObject) -> None:
        device = Recorder("FREQuency:CENTer")
        length = data.draw(st.sampled_from([1, 2, 3, 5, 6, 7, 8]))
        talk(device, b"FREQUENCY"[:length] + b":CENT 1\n")
        assert device.calls == []
        assert device.status.errors.pop().startswith("-113,")


class TestHeaderPaths:
    """SCPI-1999 volume 1, 6.2.4, and IEEE 488.2-1992, appendix A.1.1."""

    PATTERNS = (
        "FREQuency:STARt",
        "FREQuency:STOP",
        "[SENSe:]BANDwidth",
        "STOP",
        "POWer:LEVel:START",
        "*WAI",
    )

    @pytest.mark.parametrize(
        ("message", "calls"),
        [
            # The second header lies beside the first.
            (b"FREQ:STAR 1;STOP 2\n", ["FREQuency:STARt", "FREQuency:STOP"]),
            # A leading colon goes back to the root.
            (b"FREQ:STAR 1;:STOP 2\n", ["FREQuency:STARt", "STOP"]),
            # Common commands leave the path alone.
            (b"FREQ:STAR 1;*WAI;STOP 2\n", ["FREQuency:STARt", "*WAI", "FREQuency:STOP"]),
            # The path is not inherited by the next message.
            (b"FREQ:STAR 1\nSTOP 2\n", ["FREQuency:STARt", "STOP"]),
            # A header of one node leaves the path at the root.
            (b"BAND 1;FREQ:STOP 2\n", ["[SENSe:]BANDwidth", "FREQuency:STOP"]),
            # A leading colon at the start is allowed; empty units and blanks do no harm.
            (b" :FREQ:STAR\t1 ; ; STOP 2 ;\r\n", ["FREQuency:STARt", "FREQuency:STOP"]),
        ],
    )
    def test_compound_messages_follow_the_path(self, message: bytes, calls: list[str]) -> None:
        device = Recorder(*self.PATTERNS)
        talk(device, message)
        assert [call[0] for call in device.calls] == calls
        assert device.status.errors.texts() == []

    def test_a_full_header_without_colon_after_a_deep_one_is_undefined(self) -> None:
        device = Recorder(*self.PATTERNS)
        talk(device, b"FREQ:STAR 1;FREQ:STOP 2\n")
        assert device.calls == [("FREQuency:STARt", 1.0)]
        assert device.status.errors.texts() == ['-113,"Undefined header;FREQ:FREQ:STOP"']

    def test_a_command_error_discards_the_rest_of_its_message_only(self) -> None:
        device = Recorder(*self.PATTERNS)
        talk(device, b"BAND 1;OOPS 2;BAND 3\nBAND 4\n")
        assert device.calls == [("[SENSe:]BANDwidth", 1.0), ("[SENSe:]BANDwidth", 4.0)]

    def test_replies_of_one_message_are_joined_by_semicolons(self) -> None:
        device = Recorder("FREQuency?", "POWer?")
        assert talk(device, b"FREQ?;POW?\nPOW?\n") == [b"FREQuency;POWer\n", b"POWer\n"]


class TestParameters:
    @pytest.mark.parametrize(
        ("text", "unit", "value"),
        [
            # IEEE 488.2-1992, 7.7.2.4 and 7.7.3: decimal data and suffixes.
            ("1.7E9", "HZ", 1.7e9),
            ("+1.7 e+9", "HZ", 1.7e9),
            (".5", "", 0.5),
            ("12.", "", 12.0),
            ("1.7GHZ", "HZ", 1.7e9),
            ("1700 mhz", "HZ", 1.7e9),
            ("1700 MAHZ", "HZ", 1.7e9),
            ("10 kHz", "HZ", 1e4),
            ("-10 dBm", "DBM", -10.0),
            ("20US", "S", 20e-6),
            ("5 ms", "S", 5e-3),
            # 7.7.4: non-decimal data.
            ("#HFF", "", 255.0),
            ("#q17", "", 15.0),
            ("#B101", "", 5.0),
        ],
    )
    def test_numbers_are_read_in_their_base_unit(self, text: str, unit: str, value: float) -> None:
        assert parse_number(text, unit) == pytest.approx(value, rel=1e-15)

    @pytest.mark.parametrize(
        ("text", "unit", "code"),
        [
            ("MAYBE", "HZ", -104),
            ("nan", "HZ", -104),
            ("inf", "HZ", -104),
            ("1_000", "", -121),
            ("1..2", "", -121),
            ("1e99999", "", -123),
            ("1e400", "", -222),
            ("1" * 400, "", -124),
            ("1" * 300 + "S", "S", -124),
            ("5 DBM", "HZ", -131),
            ("5 HZ", "", -138),
        ],
    )
    def test_bad_numbers_get_the_standards_code(self, text: str, unit: str, code: int) -> None:
        with pytest.raises(ScpiError) as caught:
            parse_number(text, unit)
        assert caught.value.code == code

    @given(st.floats(allow_nan=False, allow_infinity=False))
    def test_every_finite_number_survives_the_way_in(self, value: float) -> None:
        assert parse_number(repr(value)) == value

    def test_limits_and_switches_have_words(self) -> None:
        assert [Number().parse(word) for word in ("min", "MAXimum", "DEF")] == list(Keyword)
        assert [Boolean().parse(word) for word in ("on", "0", "2.4", "OFF", "0.2")] == [
            True,
            False,
            True,
            False,
            False,
        ]

    def test_a_choice_takes_both_forms_and_answers_with_the_short_one(self) -> None:
        choice = Choice({"NORMal": "big", "SWAPped": "little"})
        assert [choice.parse(word) for word in ("norm", "SWAPPED")] == ["big", "little"]
        assert choice.word("little") == "SWAP"
        with pytest.raises(ScpiError, match="expected NORMal or SWAPped") as caught:
            choice.parse("SIDEWAYS")
        assert caught.value.code == -224

    @pytest.mark.parametrize(
        ("text", "channels"),
        [
            ("(@101)", (101,)),
            ("(@101,302)", (101, 302)),
            ("(@ 101 : 104 , 301 )", (101, 102, 103, 104, 301)),
            ("(@104:102)", (104, 103, 102)),
        ],
    )
    def test_channel_lists_are_read(self, text: str, channels: tuple[int, ...]) -> None:
        assert ChannelList().parse(text) == channels

    @pytest.mark.parametrize(
        ("text", "code"),
        [("101", -104), ("(101)", -171), ("(@)", -171), ("(@1-2)", -171), ("(@1:999)", -223)],
    )
    def test_bad_channel_lists_are_refused(self, text: str, code: int) -> None:
        with pytest.raises(ScpiError) as caught:
            ChannelList().parse(text)
        assert caught.value.code == code

    def test_missing_and_surplus_parameters_are_told_apart(self) -> None:
        command = Command("SET", lambda value: None, (Number(),))
        for texts, code in (([], -109), (["1", "2"], -108)):
            with pytest.raises(ScpiError) as caught:
                command.parse_parameters(texts)
            assert caught.value.code == code


class TestBlocks:
    def test_the_printed_example_of_the_standard(self) -> None:
        # IEEE 488.2-1992, 8.7.9: #, one digit for how many digits follow, the count, the bytes
        # (the wording from memory).
        assert encode_block(b"0123456789ABCDE") == b"#2150123456789ABCDE"

    @given(
        st.lists(st.floats(-200, 40, width=32), min_size=1, max_size=50),
        st.sampled_from([32, 64]),
        st.booleans(),
    )
    def test_pyvisa_reads_every_block_back(
        self, values: list[float], bits: int, swapped: bool
    ) -> None:
        block = encode_values(np.array(values), bits=bits, swapped=swapped)
        read = visa_util.from_ieee_block(
            block, datatype="f" if bits == 32 else "d", is_big_endian=not swapped
        )
        assert list(read) == values

    @given(st.binary(max_size=300))
    def test_blocks_written_by_pyvisa_are_decoded(self, payload: bytes) -> None:
        block = visa_util.to_ieee_block(payload, datatype="B")
        assert decode_block(block.decode("latin-1")) == payload

    @pytest.mark.parametrize(
        "text",
        ["", "#", "#x", "#15abc", "#9", "#13abcd", "#2ab", "#1\xb2ab", "#\xb2", "#\xb2abc"],
    )
    def test_malformed_blocks_are_refused(self, text: str) -> None:
        with pytest.raises(ScpiError) as caught:
            decode_block(text)
        assert caught.value.code == -161

    def test_an_indefinite_block_runs_to_the_end(self) -> None:
        assert decode_block("#0ab;c") == b"ab;c"


class TestFraming:
    @given(
        st.lists(
            st.one_of(
                st.sampled_from([b"*IDN?", b"FREQ 1e9;POW -3", b"TEXT 'a#9b'", b'X "#1"']),
                st.binary(max_size=60).map(lambda data: b"*PUD " + encode_block(data)),
            ),
            max_size=6,
        ),
        st.integers(1, 17),
    )
    def test_messages_survive_any_cutting(self, messages: list[bytes], chunk: int) -> None:
        stream = b"".join(message + b"\n" for message in messages)
        framer = Framer()
        found = list(
            itertools.chain.from_iterable(
                framer.feed(stream[at : at + chunk]) for at in range(0, len(stream), chunk)
            )
        )
        assert found == messages

    @given(st.binary(max_size=80), st.integers(1, 9))
    @settings(max_examples=many(300))
    def test_rubbish_never_raises_and_cutting_never_matters(self, data: bytes, chunk: int) -> None:
        whole, pieces = Framer(), Framer()
        cut = [data[at : at + chunk] for at in range(0, len(data), chunk)]
        expected = [m for m in whole.feed(data) if m]
        found = [m for piece in cut for m in pieces.feed(piece) if m]
        assert found == expected

    def test_a_message_longer_than_the_buffer_is_thrown_away_whole(self) -> None:
        framer = Framer(limit=16)
        assert framer.feed(b"A" * 40) == []
        assert framer.feed(b"B" * 40 + b"\n*IDN?\n") == [OVERRUN, b"*IDN?"]

    def test_a_block_longer_than_the_buffer_is_stepped_over_newlines_and_all(self) -> None:
        framer = Framer(limit=64)
        stream = b"*PUD " + encode_block(b"x\n" * 500) + b"\n*IDN?\n"
        found = [m for at in range(0, len(stream), 7) for m in framer.feed(stream[at : at + 7])]
        assert found == [OVERRUN, b"*IDN?"]

    def test_end_without_newline_completes_a_message(self) -> None:
        framer = Framer()
        assert [framer.feed(b"*IDN?"), framer.end(), framer.end()] == [[], [b"*IDN?"], []]


class TestErrorQueue:
    def test_the_queue_is_first_in_first_out_and_says_no_error_when_empty(self) -> None:
        queue = ErrorQueue()
        queue.push(ScpiError(-113, "FOO"))
        queue.push(ScpiError(-222))
        assert [queue.pop() for _ in range(3)] == [
            '-113,"Undefined header;FOO"',
            '-222,"Data out of range"',
            '0,"No error"',
        ]

    def test_overflow_replaces_the_newest_entry(self) -> None:
        # SCPI-1999 volume 2, 21.8.1: the last error is replaced by -350, older ones stay.
        queue = ErrorQueue(capacity=3)
        for code in (-101, -102, -103, -104, -108):
            queue.push(ScpiError(code))
        assert queue.drain() == (
            '-101,"Invalid character",-102,"Syntax error",-350,"Queue overflow"'
        )

    @pytest.mark.parametrize(
        ("code", "bit"), [(-113, 0x20), (-222, 0x10), (-310, 0x08), (7, 0x08), (-410, 0x04)]
    )
    def test_each_class_of_error_sets_its_event_bit(self, code: int, bit: int) -> None:
        # IEEE 488.2-1992, 11.5.1: CME 5, EXE 4, DDE 3, QYE 2.
        status = Status(event=0)
        status.report(ScpiError(code))
        assert status.read_event() == bit

    def test_quotation_marks_inside_the_text_are_doubled(self) -> None:
        assert ScpiError(-113, 'A"B').text == '-113,"Undefined header;A""B"'


class TestStatus:
    def test_the_status_byte_sums_up_what_is_enabled(self) -> None:
        status = Status(event=0)
        status.questionable.set(8, True)
        assert status.byte() == 0
        status.questionable.enable = 8
        status.service_enable = 0x08
        assert status.byte(message_available=True) == 0x08 | 0x10 | 0x40

    def test_an_event_stays_latched_after_its_condition_has_gone(self) -> None:
        status = Status(event=0)
        status.questionable.set(8, True)
        status.questionable.set(8, False)
        assert (status.questionable.condition, status.questionable.read_event()) == (0, 8)
        assert status.questionable.read_event() == 0

    def test_clear_keeps_the_enable_registers(self) -> None:
        status = Status(event=0x81, event_enable=1, service_enable=32)
        status.questionable.enable = 8
        status.clear()
        assert (status.event, status.event_enable, status.service_enable) == (0, 1, 32)
        assert status.questionable.enable == 8


class TestConversation:
    def test_a_waiting_query_holds_back_everything_behind_it(self) -> None:
        device = Recorder("FREQuency?")
        done_s = 2.0
        now = [0.0]
        device.table = CommandTable(
            [
                Command("*OPC?", lambda: "1" if now[0] >= done_s else Wait(done_s)),
                Command("*IDN?", lambda: "me"),
            ]
        )
        conversation = Conversation(device)
        conversation.receive(b"*IDN?\n*OPC?;*IDN?\n*IDN?\n")
        assert conversation.advance(0.0) == ([b"me\n"], 2.0)
        assert conversation.advance(1.0) == ([], 2.0)
        now[0] = 2.0
        assert conversation.advance(2.0) == ([b"1;me\n", b"me\n"], None)
        assert conversation.idle

    def test_latency_is_paid_once_per_unit(self) -> None:
        device = Recorder("FREQuency?", latency_s=0.5)
        conversation = Conversation(device)
        conversation.receive(b"FREQ?;FREQ?\n")
        assert conversation.advance(0.0) == ([], 0.5)
        assert conversation.advance(0.5) == ([], 1.0)
        assert conversation.advance(1.0) == ([b"FREQuency;FREQuency\n"], None)

    def test_device_clear_drops_input_output_and_waiting(self) -> None:
        device = Recorder("FREQuency?", latency_s=0.5)
        conversation = Conversation(device)
        conversation.receive(b"FREQ?\nFREQ?\nFR")
        conversation.advance(0.0)
        conversation.clear()
        conversation.receive(b"FREQ?\n")
        assert conversation.advance(9.0) == ([], 9.5)
        assert conversation.advance(9.5) == ([b"FREQuency\n"], None)

    def test_an_overlong_message_is_reported_and_the_next_one_runs(self) -> None:
        device = Recorder("FREQuency?")
        conversation = Conversation(device, input_limit=32)
        conversation.receive(b"X" * 50 + b"\nFREQ?\n")
        assert conversation.advance(0.0) == ([b"FREQuency\n"], None)
        assert device.status.errors.texts() == ['-363,"Input buffer overrun"']

    @given(st.binary(max_size=60))
    @settings(max_examples=many(300))
    def test_rubbish_ends_in_the_error_queue_and_never_in_an_exception(self, data: bytes) -> None:
        device = Recorder("FREQuency", "FREQuency?", "*WAI")
        device.table = CommandTable(
            [*device.table.commands, Command("*PUD", device.note("*PUD"), (BlockData(),))]
        )
        conversation = Conversation(device)
        conversation.receive(data.replace(b"#", b"") + b"\n*WAI\n")
        conversation.advance(0.0)
        assert device.calls[-1] == ("*WAI",)
