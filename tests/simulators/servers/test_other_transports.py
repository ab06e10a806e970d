"""HiSLIP, VXI-11 and serial, with pyvisa-py as a client that knows nothing of the server."""

from __future__ import annotations

import os
import socket
import struct
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
import pyvisa
from hypothesis import given
from hypothesis import strategies as st

from simulators.transports.hislip_messages import BadHeaderError, Message, MessageReader
from simulators.transports.rpc import Arguments, BadArgumentsError, RecordReader, opaque
from tests.patience import PATIENCE_S
from tests.simulators.servers.harness import Simulator, start

KINDS = ("hislip", "vxi11", "serial")
IDENTITY = "Workshop,Source-6G,0001,1.0"


@pytest.fixture(scope="module")
def on_everything() -> Iterator[dict[str, Simulator]]:
    """One simulator for each transport, all instruments on it."""
    running = {
        kind: start(
            "workshop",
            "--time-scale",
            "0",
            *(f"--transport={name}={kind}" for name in ("generator", "analyzer", "lid")),
        )
        for kind in KINDS
    }
    yield running
    for one in running.values():
        assert one.stop() == 0


@pytest.fixture(params=KINDS)
def served(request: pytest.FixtureRequest, on_everything: dict[str, Simulator]) -> Simulator:
    return on_everything[request.param]


@pytest.fixture
def visa() -> Iterator[pyvisa.ResourceManager]:
    manager = pyvisa.ResourceManager("@py")
    yield manager
    manager.close()


def open_visa(visa: Any, simulator: Simulator, name: str = "generator") -> Any:
    session = visa.open_resource(
        simulator.resources[name],
        read_termination="\n",
        write_termination="\n",
        timeout=1000 * PATIENCE_S,
    )
    session.query("*RST;*CLS;*OPC?")
    return session


def test_the_resource_strings_are_those_of_each_transport(
    on_everything: dict[str, Simulator],
) -> None:
    kinds = {kind: one.resources["generator"] for kind, one in on_everything.items()}
    assert kinds["hislip"].startswith("TCPIP::127.0.0.1::hislip0,")
    assert kinds["vxi11"].startswith("TCPIP::127.0.0.1,")
    assert kinds["serial"].startswith("ASRL/dev/")
    assert all(resource.endswith("::INSTR") for resource in kinds.values())


def test_settings_and_queries(served: Simulator, visa: Any) -> None:
    session = open_visa(visa, served)
    session.write("FREQ 1.7GHZ;:POW -12")
    assert session.query("*IDN?") == IDENTITY
    assert [float(part) for part in session.query("FREQ?;:POW?").split(";")] == [1.7e9, -12.0]
    assert session.query("SYST:ERR?") == '0,"No error"'


def test_many_queries_are_each_answered_by_their_own_reply(served: Simulator, visa: Any) -> None:
    session = open_visa(visa, served)
    levels = [-30.0 + 0.25 * step for step in range(40)]
    assert [float(session.query(f"POW {level};POW?")) for level in levels] == levels


def test_a_trace_as_a_block_full_of_newlines(served: Simulator, visa: Any) -> None:
    session = open_visa(visa, served, "analyzer")
    session.write("FREQ:CENT 1.7E9;SPAN 1E8;:SWE:POIN 2001;:INIT;*WAI")
    text = session.query_ascii_values("TRAC?", container=np.array)
    session.write("FORM REAL,64")
    session.write("TRAC?")
    # Framed reading, for the reason that any byte may be a newline.
    session.read_termination = None
    assert session.read_bytes(7) == b"#516008"
    block = session.read_bytes(16008)
    assert session.read_bytes(1) == b"\n"
    # The text has seven digits.
    np.testing.assert_allclose(np.frombuffer(block, dtype=">f8"), text, rtol=1e-6)


def test_errors_are_reported(served: Simulator, visa: Any) -> None:
    session = open_visa(visa, served)
    session.write("POW 99")
    assert session.query("SYST:ERR?").startswith('-222,"Data out of range')


@pytest.mark.parametrize("kind", ["hislip", "vxi11"])
class TestBusFunctions:
    """What a bus offers beside the bytes (IEEE 488.2-1992, chapters 5, 6 and 11)."""

    def test_the_status_byte_can_be_polled(
        self, on_everything: dict[str, Simulator], visa: Any, kind: str
    ) -> None:
        session = open_visa(visa, on_everything[kind])
        assert session.read_stb() == 0
        session.write("NONSENSE")
        session.query("*OPC?")
        assert session.read_stb() == 0x04
        session.write("*CLS")

    def test_device_clear_forgets_the_reply_that_is_waited_for(
        self, on_everything: dict[str, Simulator], visa: Any, kind: str
    ) -> None:
        session = open_visa(visa, on_everything[kind])
        fault = {"instrument": "generator", "mode": "late", "delay_s": 3600.0}
        on_everything[kind].control.do("fault", **fault)
        session.write("*IDN?")
        session.clear()
        assert session.query("*OPC?") == "1"
        assert session.query("SYST:ERR?") == '0,"No error"'

    def test_a_message_before_the_reply_was_read_interrupts(
        self, on_everything: dict[str, Simulator], visa: Any, kind: str
    ) -> None:
        session = open_visa(visa, on_everything[kind])
        session.write("*IDN?")
        assert session.query("*OPC?") == "1"
        assert session.query("SYST:ERR?") == '-410,"Query INTERRUPTED"'

    def test_two_clients_have_their_own_replies(
        self, on_everything: dict[str, Simulator], visa: Any, kind: str
    ) -> None:
        one, two = (open_visa(visa, on_everything[kind]) for _ in range(2))
        one.write("*IDN?")
        two.write("*ESE?")
        assert (one.read(), two.read()) == (IDENTITY, "0")

    def test_a_cut_connection_can_be_opened_again(
        self, on_everything: dict[str, Simulator], visa: Any, kind: str
    ) -> None:
        running = on_everything[kind]
        session = open_visa(visa, running)
        session.timeout = 1000
        running.control.do("fault", instrument="generator", mode="close")
        with pytest.raises((pyvisa.VisaIOError, OSError, RuntimeError, EOFError)):
            session.query("*IDN?")
        assert open_visa(visa, running).query("*IDN?") == IDENTITY

    def test_a_long_message_comes_in_pieces(
        self, on_everything: dict[str, Simulator], visa: Any, kind: str
    ) -> None:
        session = open_visa(visa, on_everything[kind])
        session.write("POW -10;" * 5000 + "POW -11")
        assert float(session.query("POW?")) == -11.0


def test_asking_vxi11_for_a_reply_nobody_prepared_times_out_and_is_an_error(
    on_everything: dict[str, Simulator], visa: Any
) -> None:
    session = open_visa(visa, on_everything["vxi11"])
    session.timeout = 200
    with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_TMO"):
        session.read()
    session.timeout = 10000
    assert session.query("SYST:ERR?") == '-420,"Query UNTERMINATED"'


def test_a_serial_reply_nobody_read_is_met_by_whoever_opens_the_line_next(
    on_everything: dict[str, Simulator],
) -> None:
    path = on_everything["serial"].resources["generator"][len("ASRL") : -len("::INSTR")]
    line = os.open(path, os.O_RDWR | os.O_NOCTTY)
    os.write(line, b"*IDN?\n")
    os.close(line)
    line = os.open(path, os.O_RDWR | os.O_NOCTTY)
    os.write(line, b"*OPC?\n")
    expected = f"{IDENTITY}\n1\n".encode()
    found = b""
    while len(found) < len(expected):
        found += os.read(line, 100)
    os.close(line)
    assert found == expected


def test_a_serial_instrument_switched_off_hears_nothing_until_it_is_on_again(
    on_everything: dict[str, Simulator], visa: Any
) -> None:
    running = on_everything["serial"]
    session = open_visa(visa, running)
    running.control.do("fault", instrument="generator", mode="stop-listening")
    session.write("POW -3")
    running.control.do("fault", instrument="generator", mode="none")
    assert float(session.query("POW?")) == -30.0


class TestHislipMessages:
    """IVI-6.1, section 2."""

    def test_the_layout_of_a_message(self) -> None:
        # Prologue, type 7 (DataEnd), control, parameter, 64-bit length, payload.
        message = Message(7, 1, 0xFFFFFF00, b"*IDN?\n")
        assert message.encode() == (
            b"HS\x07\x01\xff\xff\xff\x00" + b"\x00\x00\x00\x00\x00\x00\x00\x06" + b"*IDN?\n"
        )

    @given(
        st.lists(
            st.builds(
                Message,
                st.integers(0, 25),
                st.integers(0, 255),
                st.integers(0, 2**32 - 1),
                st.binary(max_size=40),
            ),
            max_size=5,
        ),
        st.integers(1, 23),
    )
    def test_messages_survive_any_cutting(self, messages: list[Message], chunk: int) -> None:
        stream = b"".join(message.encode() for message in messages)
        reader = MessageReader()
        found = [
            message
            for at in range(0, len(stream), chunk)
            for message in reader.feed(stream[at : at + chunk])
        ]
        assert found == messages

    def test_other_bytes_are_refused(self) -> None:
        with pytest.raises(BadHeaderError):
            MessageReader().feed(b"GET / HTTP/1.1\r\n\r\n")

    def test_a_payload_of_absurd_length_is_refused(self) -> None:
        with pytest.raises(BadHeaderError):
            MessageReader().feed(struct.pack("!2sBBIQ", b"HS", 7, 0, 0, 1 << 40))

    @pytest.mark.parametrize(
        ("first", "kind", "code"),
        [
            (b"GET / HTTP/1.1\r\n\r\n", 2, 1),
            (Message(7, 0, 0, b"*IDN?").encode(), 2, 3),
            (Message(0, 0, 0x01007878, b"other9").encode(), 2, 3),
            (Message(17, 0, 4711).encode(), 2, 3),
        ],
    )
    def test_a_wrong_beginning_ends_in_a_fatal_error(
        self, on_everything: dict[str, Simulator], first: bytes, kind: int, code: int
    ) -> None:
        port = int(on_everything["hislip"].resources["lid"].split(",")[1].split(":")[0])
        with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as raw:
            raw.sendall(first)
            header = raw.recv(16)
            assert struct.unpack("!2sBBIQ", header)[:3] == (b"HS", kind, code)


class TestRemoteProcedureCalls:
    """RFC 5531 and RFC 4506."""

    @given(st.binary(max_size=50))
    def test_opaque_data_are_padded_to_four_bytes(self, value: bytes) -> None:
        # RFC 4506, section 4.10.
        encoded = opaque(value)
        assert len(encoded) % 4 == 0
        assert Arguments(encoded).opaque() == value

    def test_arguments_that_break_off_are_refused(self) -> None:
        with pytest.raises(BadArgumentsError):
            Arguments(b"\x00\x00\x00\x09abc").opaque()

    def test_a_record_in_fragments_is_put_together(self) -> None:
        # RFC 5531, section 11: the highest bit marks the last fragment.
        stream = b"\x00\x00\x00\x03abc" + b"\x80\x00\x00\x02de"
        reader = RecordReader()
        assert [reader.feed(bytes([byte])) for byte in stream][-1] == [b"abcde"]

    def call(
        self,
        simulator: Simulator,
        program: int,
        version: int,
        procedure: int,
        arguments: bytes = b"",
    ) -> bytes:
        port = int(simulator.resources["lid"].split(",")[1].split(":")[0])
        body = struct.pack("!10I", 77, 0, 2, program, version, procedure, 0, 0, 0, 0) + arguments
        with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as raw:
            raw.sendall(struct.pack("!I", 0x80000000 | len(body)) + body)
            return raw.recv(4096)[4:]

    @pytest.mark.parametrize(
        ("program", "version", "procedure", "status"),
        [
            (0x0607AF, 1, 0, 0),  # the null procedure succeeds
            (100000, 2, 0, 1),  # the port mapper is not here
            (0x0607AF, 9, 0, 2),  # another version
            (0x0607AF, 1, 99, 3),  # no such procedure
            (0x0607AF, 1, 10, 4),  # create_link without arguments
        ],
    )
    def test_calls_that_cannot_be_served_are_refused_by_the_standards_status(
        self,
        on_everything: dict[str, Simulator],
        program: int,
        version: int,
        procedure: int,
        status: int,
    ) -> None:
        reply = self.call(on_everything["vxi11"], program, version, procedure)
        assert struct.unpack_from("!6I", reply) == (77, 1, 0, 0, 0, status)

    def test_a_link_to_another_device_name_is_refused(
        self, on_everything: dict[str, Simulator]
    ) -> None:
        # VXI-11 revision 1.0, B.6.1: error 3, device not accessible.
        arguments = struct.pack("!3I", 1, 0, 0) + opaque(b"inst7")
        reply = self.call(on_everything["vxi11"], 0x0607AF, 1, 10, arguments)
        assert struct.unpack_from("!7I", reply) == (77, 1, 0, 0, 0, 0, 3)

    def test_a_link_that_does_not_exist_is_refused(
        self, on_everything: dict[str, Simulator]
    ) -> None:
        # VXI-11 revision 1.0, B.6: error 4, invalid link identifier.
        arguments = struct.pack("!4I", 4711, 0, 0, 0)
        reply = self.call(on_everything["vxi11"], 0x0607AF, 1, 15, arguments)
        assert struct.unpack_from("!7I", reply) == (77, 1, 0, 0, 0, 0, 4)
