"""The TCP servers, with bare sockets and pyvisa as clients that know nothing of the server."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest
import pyvisa

from tests.patience import PATIENCE_S


@pytest.fixture
def visa() -> Iterator[pyvisa.ResourceManager]:
    manager = pyvisa.ResourceManager("@py")
    yield manager
    manager.close()


def open_visa(manager: pyvisa.ResourceManager, resource: str) -> Any:
    session: Any = manager.open_resource(
        resource, read_termination="\n", write_termination="\n", timeout=1000 * PATIENCE_S
    )
    return session


def test_pyvisa_drives_every_instrument(workshop: Any, visa: Any) -> None:
    identities = {}
    for name, resource in workshop.resources.items():
        session = open_visa(visa, resource)
        identities[name] = session.query("*IDN?")
        session.close()
    assert identities == {
        "generator": "Workshop,Source-6G,0001,1.0",
        "analyzer": "Workshop,Analyzer-6G,0002,1.0",
        "switch": "Workshop,Switch-3x4,0003,1.0",
        "lid": "Workshop,Lid-Contact,0004,1.0",
    }


def test_pyvisa_reads_a_trace_as_text(workshop: Any, visa: Any) -> None:
    session = open_visa(visa, workshop.resources["analyzer"])
    session.write("FREQ:CENT 1.7E9;SPAN 1E8;:SWE:POIN 51;:INIT;*WAI")
    text = session.query_ascii_values("TRAC? TRACE1", container=np.array)
    assert (text.shape, bool(np.isfinite(text).all())) == ((51,), True)
    session.close()


@pytest.mark.parametrize(("border", "big"), [("NORM", True), ("SWAP", False)])
@pytest.mark.parametrize(("bits", "datatype"), [(32, "f"), (64, "d")])
def test_pyvisa_reads_a_trace_as_a_block(
    workshop: Any, visa: Any, border: str, big: bool, bits: int, datatype: str
) -> None:
    session = open_visa(visa, workshop.resources["analyzer"])
    session.write("FREQ:CENT 1.7E9;SPAN 1E8;:SWE:POIN 501;:INIT;*WAI")
    text = session.query_ascii_values("TRAC?", container=np.array)
    session.write(f"FORM REAL,{bits};:FORM:BORD {border}")
    values = session.query_binary_values(
        "TRAC?", datatype=datatype, is_big_endian=big, container=np.array
    )
    # The text has seven digits.
    np.testing.assert_allclose(values, text, rtol=1e-6)
    session.close()


def test_pipelined_messages_are_answered_in_order(workshop: Any) -> None:
    client = workshop.open("generator")
    levels = [-30.0 + 0.25 * step for step in range(100)]
    client.socket.sendall(
        b"".join(b"POW %.2f;*OPC?;:POW?\n" % level for level in levels) + b"*IDN?\n"
    )
    replies = [client.read() for _ in range(101)]
    assert replies[-1] == "Workshop,Source-6G,0001,1.0"
    assert [float(reply.split(";")[1]) for reply in replies[:-1]] == levels


def test_a_message_may_arrive_in_single_bytes(workshop: Any) -> None:
    client = workshop.open("generator")
    for byte in b"FREQ 1.7GHZ;FREQ?\n":
        client.socket.sendall(bytes([byte]))
    assert float(client.read()) == 1.7e9


def test_two_clients_share_the_instrument_but_not_their_replies(workshop: Any) -> None:
    one, two = workshop.open("generator"), workshop.open("generator")
    one.write("POW -12;:POW?")
    assert one.read() == "-1.20000000000E+01"
    one.write("FREQ?")
    assert two.query("POW?") == "-1.20000000000E+01"
    assert float(one.read()) == 1e9
    two.write("NONSENSE")
    assert two.query("*IDN?") == "Workshop,Source-6G,0001,1.0"
    assert one.errors() == ['-113,"Undefined header;NONSENSE"']


def test_a_client_that_vanishes_mid_message_disturbs_nobody(workshop: Any) -> None:
    gone = workshop.open("generator")
    gone.socket.sendall(b"POW 1")
    gone.close()
    client = workshop.open("generator")
    assert client.query("*IDN?") == "Workshop,Source-6G,0001,1.0"


def test_nagle_is_off_on_the_server_too(workshop: Any) -> None:
    # Two replies to two messages written without reading in between: with Nagle's algorithm on
    # the second would wait for an acknowledgement. Order and completeness are what is checked.
    client = workshop.open("generator")
    client.write("*IDN?")
    client.write("*OPC?")
    assert [client.read(), client.read()] == ["Workshop,Source-6G,0001,1.0", "1"]


def test_a_message_beyond_the_input_buffer_is_reported_and_dropped(
    odd_workshop: Any,
) -> None:
    client = odd_workshop.open("generator")
    client.socket.sendall(b"POW -10" + b" " * 1000 + b";OUTP ON\n*IDN?\n")
    assert client.read() == "Workshop,Source-6G,0001,1.0"
    assert client.errors() == ['-363,"Input buffer overrun"']
    assert client.query("OUTP?") == "0"


def test_more_than_the_buffer_in_short_messages_is_taken_piece_by_piece(
    odd_workshop: Any,
) -> None:
    client = odd_workshop.open("generator")
    client.socket.sendall(b"*OPC?\n" * 5000)
    assert [client.read() for _ in range(5000)] == ["1"] * 5000
    assert client.errors() == []


def test_a_client_that_reads_late_gets_everything(odd_workshop: Any) -> None:
    client = odd_workshop.open("analyzer", timeout_s=60)
    client.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 65536)
    client.write("FREQ:CENT 1.7E9;SPAN 1E8;:SWE:POIN 100001;:FORM REAL,64;:INIT;*WAI")
    for _ in range(12):
        client.write("TRAC?")
    client.write("*IDN?")
    for _ in range(12):
        assert client.read_bytes(8) == b"#6800008"
        assert len(client.read_bytes(800009)) == 800009
    assert client.read() == "Workshop,Analyzer-6G,0002,1.0"


def test_settling_takes_simulated_time_at_every_pace(simulator: Callable[..., Any]) -> None:
    running = simulator("workshop", "--time-scale", "0.01")
    client = running.open("switch")
    before_s = running.control.do("state")["time_s"]
    for channel in (101, 102) * 10:
        assert client.query(f"ROUT:CLOS (@{channel});*OPC?") == "1"
    elapsed_s = running.control.do("state")["time_s"] - before_s
    # Twenty times 15 ms at least; real time must not be the measure, so no upper limit.
    assert elapsed_s >= 0.3


def test_as_fast_as_possible_still_counts_the_time_waited_for(workshop: Any) -> None:
    client = workshop.open("analyzer")
    before_s = workshop.control.do("state")["time_s"]
    client.query("FREQ:SPAN 0;:SWE:POIN 1;TIME 100;:INIT;*OPC?")
    elapsed_s = workshop.control.do("state")["time_s"] - before_s
    assert elapsed_s >= 100.0


def test_a_stepped_sweep_shows_the_antenna(workshop: Any) -> None:
    """The whole chain: switch, source, world and analyzer, against the world's own truth."""
    switch, source = workshop.open("switch"), workshop.open("generator")
    analyzer = workshop.open("analyzer")
    source.query("POW 0;:OUTP ON;*OPC?")
    analyzer.write("FREQ:SPAN 0;:SWE:POIN 1;TIME 0.01;:BAND 1E3;:DET RMS")
    grid_hz = np.linspace(1.5e9, 1.9e9, 81)
    levels = {}
    for channel in (201, 202, 204):
        assert switch.query(f"ROUT:CLOS (@101,{channel},301);*OPC?") == "1"
        levels[channel] = []
        for frequency in grid_hz:
            source.query(f"FREQ {frequency:.0f};*OPC?")
            analyzer.write(f"FREQ:CENT {frequency:.0f};:INIT:IMM;*WAI;:TRAC:DATA? TRACE1")
            levels[channel].append(float(analyzer.read()))
    baseline = (np.array(levels[201]) + np.array(levels[202])) / 2
    return_loss_db = baseline - np.array(levels[204])
    truth = workshop.control.do("truth")["truth"]["antennas"]["dipole r3"]
    found_hz = grid_hz[int(np.argmax(return_loss_db))]
    # Directivity of 33 dB moves the minimum of a 15 dB return loss by at most some grid steps.
    assert found_hz == pytest.approx(truth["resonance_hz"], abs=25e6)
    state = workshop.control.do("state")["instruments"]["analyzer"]
    assert (state["damage"], state["overloads"]) == (0, 0)
