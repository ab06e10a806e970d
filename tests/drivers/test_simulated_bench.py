"""Drivers, links and player against the virtual bench, over every transport it offers.

The simulators share no code with the drivers, so each checks the other's reading of SCPI-1999,
IEEE 488.2, HiSLIP and VXI-11.
"""

from __future__ import annotations

import json
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from drivers.analyzer import ScpiAnalyzer
from drivers.errors import BadReply, DriverError, LinkLost, Refused
from drivers.exchange import Procedure
from drivers.lid import ScpiLid
from drivers.link import Link
from drivers.player import Player
from drivers.source import ScpiSource
from drivers.switch import ScpiSwitch
from drivers.visa import Transport
from tests.patience import PATIENCE_S

TRANSPORTS: tuple[Transport, ...] = ("socket", "hislip", "vxi11", "serial")
NAMES = ("generator", "analyzer", "switch", "lid")
POINTS = 101


@dataclass
class VirtualBench:
    """A running simulator process; its links are opened for each test."""

    transport: Transport
    addresses: dict[str, str]
    control: tuple[str, int]

    def order(self, **request: Any) -> dict[str, Any]:
        with socket.create_connection(self.control, timeout=PATIENCE_S) as connection:
            connection.sendall(json.dumps(request).encode() + b"\n")
            with connection.makefile("rb") as lines:
                reply: dict[str, Any] = json.loads(lines.readline())
        assert reply.pop("ok"), reply
        return reply


@pytest.fixture(scope="module", params=TRANSPORTS)
def bench(request: pytest.FixtureRequest) -> Iterator[VirtualBench]:
    choice = [f"--transport={name}={request.param}" for name in NAMES]
    arguments = [sys.executable, "-m", "simulators.cli", "workshop", "--time-scale=0", *choice]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            ready = json.loads(process.stdout.readline())
            control = ready["control"]
            yield VirtualBench(
                request.param, ready["instruments"], (control["host"], control["port"])
            )
        finally:
            process.terminate()


@pytest.fixture
def links(bench: VirtualBench) -> Iterator[dict[str, Link]]:
    opened = {name: Link.open(name, bench.addresses[name]) for name in NAMES}
    player = Player(opened)
    for driver in (ScpiSource("generator"), ScpiAnalyzer("analyzer"), ScpiSwitch("switch")):
        player.perform(driver.reset_state())
    yield opened
    for link in opened.values():
        link.close()


@pytest.fixture
def player(links: dict[str, Link]) -> Player:
    return Player(links)


def test_identities_are_read(bench: VirtualBench, links: dict[str, Link]) -> None:
    assert {name: link.identity for name, link in links.items()} == {
        "generator": "Workshop,Source-6G,0001,1.0",
        "analyzer": "Workshop,Analyzer-6G,0002,1.0",
        "switch": "Workshop,Switch-3x4,0003,1.0",
        "lid": "Workshop,Lid-Contact,0004,1.0",
    }
    assert {link.transport for link in links.values()} == {bench.transport}


def test_every_setting_is_accepted_without_an_error(player: Player) -> None:
    source, analyzer, switch = (
        ScpiSource("generator"),
        ScpiAnalyzer("analyzer"),
        ScpiSwitch("switch"),
    )
    common: dict[str, Any] = {
        "resolution_bandwidth_hz": 10e3,
        "video_bandwidth_hz": 100e3,
        "reference_level_dbm": -10.0,
        "attenuation_db": 10.0,
    }
    for detector in ("rms", "log-average", "peak", "sample"):
        point = analyzer.prepare_point_mode(detector=detector, dwell_s=0.002, **common)
        player.run(analyzer.confirm(point))
    for trace_format in ("ascii", "real32", "real64"):
        for byte_order in ("big", "little"):
            chosen = ScpiAnalyzer(
                "analyzer", options={"trace_format": trace_format, "byte_order": byte_order}
            )
            sweep = chosen.prepare_sweep(
                start_hz=1.5e9,
                stop_hz=1.9e9,
                points=POINTS,
                detector="peak",
                sweep_time_s=0.5,
                max_hold=True,
                **common,
            )
            player.run(chosen.confirm(sweep))
    for batch in (
        analyzer.continuous(True),
        analyzer.continuous(False),
        analyzer.abort(),
        analyzer.tracking_on(-20.0),
        analyzer.tracking_off(),
    ):
        player.run(analyzer.confirm(batch))
    for batch in (
        (source.set_level(-10.0), source.set_frequency(1.7e9), source.set_frequency_settled(1.6e9)),
        source.free_run(1.5e9, 1.9e9, POINTS, 0.005),
        source.free_run_stop(),
        source.rf_on(),
        source.rf_off(),
    ):
        player.run(source.confirm(batch))
    player.run(switch.confirm(switch.close([101, 204, 301])))
    player.run(switch.confirm(switch.open(301)))


def test_settings_are_read_back(player: Player) -> None:
    source, analyzer = ScpiSource("generator"), ScpiAnalyzer("analyzer")
    player.perform((source.set_level(-12.5), source.set_frequency(1_700_000_001.0)))
    player.perform(
        analyzer.prepare_sweep(
            start_hz=1.5e9,
            stop_hz=1.9e9,
            points=POINTS,
            resolution_bandwidth_hz=30e3,
            video_bandwidth_hz=None,
            detector="rms",
            sweep_time_s=0.25,
        )
    )
    values = player.perform(
        (
            source.level_query(),
            source.frequency_query(),
            analyzer.resolution_bandwidth_query(),
            analyzer.sweep_time_query(),
            ScpiLid("lid").open_query(),
        )
    )
    assert values == [-12.5, 1_700_000_001.0, 30e3, 0.25, False]


def test_rf_is_off_at_first_and_follows_its_orders(player: Player) -> None:
    source = ScpiSource("generator")
    states = []
    for batch in ((), source.rf_on(), source.rf_off()):
        states.append(player.perform((*batch, source.rf_query()))[-1])
    assert states == [False, True, False]


def test_the_switch_tells_what_is_closed(player: Player) -> None:
    switch = ScpiSwitch("switch")
    player.perform(switch.close([101, 201, 301]))
    player.perform(switch.close(204))
    assert player.perform((switch.closed_query([101, 201, 204, 301]),)) == [
        (True, False, True, True)
    ]


def test_points_and_sweep_see_the_same_tone(player: Player) -> None:
    """A strong tone read in zero span, and the largest of a sweep across it, must agree.

    1 dB covers noise, connectors and filter scalloping at this level, far above the noise.
    """
    source, analyzer, switch = (
        ScpiSource("generator"),
        ScpiAnalyzer("analyzer"),
        ScpiSwitch("switch"),
    )
    player.perform(switch.close([101, 201, 301]))
    player.perform((source.set_level(0.0), source.set_frequency_settled(1.7e9)))
    player.perform((*source.rf_on(), source.rf_query()))

    def point() -> Procedure[float]:
        yield analyzer.prepare_point_mode(
            resolution_bandwidth_hz=10e3, video_bandwidth_hz=None, detector="rms", dwell_s=0.01
        )
        yield (source.set_frequency_settled(1.7e9), analyzer.set_centre_settled(1.7e9))
        (separately,) = yield (analyzer.trigger_point(),)
        (in_one,) = yield (analyzer.point(1.7e9),)
        assert_allclose(separately, in_one, atol=0.5)
        return float(separately)

    level_dbm = player.run(point())
    trace = player.run(sweep(analyzer))
    player.perform(source.rf_off())
    assert_allclose(trace.max(), level_dbm, atol=1.0)
    assert abs(int(np.argmax(trace)) - POINTS // 2) <= 1


def sweep(analyzer: ScpiAnalyzer) -> Procedure[Any]:
    yield analyzer.prepare_sweep(
        start_hz=1.69e9,
        stop_hz=1.71e9,
        points=POINTS,
        resolution_bandwidth_hz=300e3,
        video_bandwidth_hz=None,
        detector="peak",
    )
    (trace,) = (yield (analyzer.single_sweep(10.0), analyzer.fetch_trace(POINTS)))[1:]
    return trace


def test_one_trace_is_the_same_in_every_format(player: Player) -> None:
    player.run(sweep(ScpiAnalyzer("analyzer")))
    traces = {}
    for trace_format in ("real64", "real32", "ascii"):
        for byte_order in ("big", "little"):
            analyzer = ScpiAnalyzer(
                "analyzer", options={"trace_format": trace_format, "byte_order": byte_order}
            )
            formats = analyzer._sent(f"format_{trace_format}")
            order = analyzer._sent(f"byte_order_{byte_order}")
            values = player.perform((*formats, *order, analyzer.fetch_trace(POINTS)))
            traces[trace_format, byte_order] = values[-1]
    reference = traces["real64", "big"]
    for trace in traces.values():
        # Single precision holds seven digits; text has as many as the instrument gives.
        assert_allclose(trace, reference, atol=1e-3)


def test_a_trace_in_the_wrong_byte_order_is_refused(player: Player) -> None:
    player.run(sweep(ScpiAnalyzer("analyzer")))
    player.perform(ScpiAnalyzer("analyzer")._sent("byte_order_little"))
    with pytest.raises(BadReply, match=r"levels in dBm, found .* check the byte order"):
        player.perform((ScpiAnalyzer("analyzer").fetch_trace(POINTS),))


@pytest.mark.parametrize(
    ("make", "code"),
    [
        (lambda: (ScpiSource("generator").set_frequency(99e9),), -222),
        (lambda: (ScpiSource("generator", {"set_frequency": ":NOSUCH {frequency_hz}"})
                  .set_frequency(1e9),), -113),
    ],
    ids=["out-of-range", "unknown-header"],
)  # fmt: skip
def test_an_instruments_objection_names_the_command(
    player: Player, make: Callable[[], Any], code: int
) -> None:
    source = ScpiSource("generator")
    batch = (source.set_level(-20.0), *make(), source.rf_query())
    with pytest.raises(Refused) as caught:
        player.run(source.confirm(batch))
    assert caught.value.code == code
    assert caught.value.command == batch[1].message
    player.run(source.expect_no_errors())


@pytest.mark.parametrize("mode", ["silent", "close", "half-block", "late", "garbage", "slow"])
def test_after_any_fault_the_next_answer_is_the_right_one(bench: VirtualBench, mode: str) -> None:
    if bench.transport == "serial" and mode == "close":
        mode = "silent"  # a serial line cannot be closed from afar
    source = ScpiSource("generator")
    with Link.open("generator", bench.addresses["generator"], timeout_s=10.0) as link:
        player = Player({"generator": link})
        player.perform((source.set_level(-12.5), source.level_query()))
        link.timeout_s = 0.3
        delay = {"late": 1.5, "slow": 0.01}.get(mode)
        bench.order(
            do="fault",
            instrument="generator",
            mode=mode,
            count=1,
            **({} if delay is None else {"delay_s": delay}),
        )
        outcome: Any = None
        try:
            (outcome,) = player.perform((source.frequency_query(),))
        except DriverError as error:
            outcome = type(error)
        expected = {"garbage": BadReply, "slow": outcome}.get(mode, LinkLost)
        assert outcome is expected
        bench.order(do="fault", instrument="generator", mode="none")
        link.timeout_s = 10.0
        if not link.connected:
            link.reopen(attempts=5)
        assert player.perform((source.level_query(),)) == [-12.5]


def test_an_instrument_that_vanished_is_found_again(bench: VirtualBench) -> None:
    source = ScpiSource("generator")
    with Link.open("generator", bench.addresses["generator"], timeout_s=0.3) as link:
        player = Player({"generator": link})
        bench.order(do="fault", instrument="generator", mode="stop-listening")
        with pytest.raises(LinkLost):
            player.perform((source.rf_query(),))
        with pytest.raises(LinkLost):
            link.reopen()
        bench.order(do="fault", instrument="generator", mode="none")
        link.reopen(attempts=20, first_wait_s=0.01)
        assert player.perform((source.rf_query(),)) == [False]
