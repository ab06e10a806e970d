"""Instruments with their own dialect are driven by what a bench file says, without Python."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from ruamel.yaml import YAML

from drivers.analyzer import AnalyzerStatus, ScpiAnalyzer
from drivers.errors import Refused
from drivers.link import Link
from drivers.player import Player
from drivers.source import ScpiSource
from drivers.switch import ScpiSwitch
from simulators.world import world_path
from tests.drivers.dialects import BENCHES

POINTS = 101


@dataclass
class Bench:
    player: Player
    source: ScpiSource
    analyzer: ScpiAnalyzer
    switch: ScpiSwitch


@pytest.fixture(scope="module", params=sorted(BENCHES))
def bench(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Bench]:
    file = _world_in_dialect(request.param, tmp_path_factory.mktemp("world"))
    arguments = [sys.executable, "-m", "simulators.cli", str(file), "--time-scale=0"]
    words = BENCHES[request.param]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            addresses = json.loads(process.stdout.readline())["instruments"]
            links = {name: Link.open(name, addresses[name]) for name in words}
            yield Bench(
                Player(links),
                ScpiSource("generator", *words["generator"]),
                ScpiAnalyzer("analyzer", *words["analyzer"]),
                ScpiSwitch("switch", *words["switch"]),
            )
            for link in links.values():
                link.close()
        finally:
            process.terminate()


def _world_in_dialect(dialect: str, folder: Path) -> Path:
    yaml = YAML(typ="safe")
    world = yaml.load(world_path("workshop").read_text(encoding="utf-8"))
    for instrument in world["instruments"]:
        instrument["dialect"] = dialect
    file = folder / f"{dialect}.yaml"
    with file.open("w", encoding="utf-8") as out:
        yaml.dump(world, out)
    return file


def test_a_source_is_set_and_asked(bench: Bench) -> None:
    source = bench.source
    settings = (source.set_level(-12.5), source.set_frequency_settled(1.7e9), *source.rf_off())
    bench.player.run(source.confirm(settings))
    assert bench.player.perform(
        (source.level_query(), source.frequency_query(), source.rf_query())
    ) == [-12.5, 1.7e9, False]
    for batch in (source.free_run(1.5e9, 1.9e9, POINTS, 0.005), source.free_run_stop()):
        bench.player.run(source.confirm(batch))


def test_an_objection_is_understood(bench: Bench) -> None:
    with pytest.raises(Refused) as caught:
        bench.player.run(bench.source.confirm((bench.source.set_frequency(99e9),)))
    assert caught.value.code == -222


def test_a_switch_is_closed_and_asked(bench: Bench) -> None:
    bench.player.run(bench.switch.confirm(bench.switch.close([101, 204, 301])))
    assert bench.player.perform((bench.switch.closed_query([101, 102, 204]),)) == [
        (True, False, True)
    ]


def test_points_and_a_sweep_see_the_same_tone(bench: Bench) -> None:
    """As on the plain bench: 1 dB covers noise and filter scalloping at this level."""
    player, source, analyzer = bench.player, bench.source, bench.analyzer
    receiver: dict[str, Any] = {
        "resolution_bandwidth_hz": 100e3,
        "video_bandwidth_hz": None,
        "reference_level_dbm": 0.0,
        "attenuation_db": 10.0,
    }
    player.run(bench.switch.confirm(bench.switch.close([101, 201, 301])))
    player.run(source.confirm((source.set_level(0.0), source.set_frequency_settled(1.7e9))))
    player.run(source.confirm(source.rf_on()))
    player.run(
        analyzer.confirm(analyzer.prepare_point_mode(detector="rms", dwell_s=0.01, **receiver))
    )
    (tuned, level_dbm, again_dbm) = player.perform(
        (analyzer.set_centre_settled(1.7e9), analyzer.trigger_point(), analyzer.point(1.7e9))
    )
    assert tuned is True
    assert_allclose(again_dbm, level_dbm, atol=0.5)
    player.run(
        analyzer.confirm(
            analyzer.prepare_sweep(
                start_hz=1.69e9,
                stop_hz=1.71e9,
                points=POINTS,
                detector="peak",
                sweep_time_s=0.5,
                **receiver,
            )
        )
    )
    done, trace, status, width_hz, time_s = player.perform(
        (
            analyzer.single_sweep(10.0),
            analyzer.fetch_trace(POINTS),
            analyzer.status(),
            analyzer.resolution_bandwidth_query(),
            analyzer.sweep_time_query(),
        )
    )
    player.run(source.confirm((*source.rf_off(), source.rf_query())))
    assert (done, width_hz, time_s) == (True, 100e3, 0.5)
    assert status == AnalyzerStatus(overload=False, uncalibrated=False)
    assert_allclose(trace.max(), level_dbm, atol=1.0)
    assert abs(int(np.argmax(trace)) - POINTS // 2) <= 1


def test_the_other_settings_are_accepted(bench: Bench) -> None:
    analyzer = bench.analyzer
    for batch in (
        analyzer.prepare_sweep(
            start_hz=1.5e9,
            stop_hz=1.9e9,
            points=POINTS,
            resolution_bandwidth_hz=30e3,
            video_bandwidth_hz=30e3,
            detector="log-average",
            max_hold=True,
        ),
        analyzer.continuous(True),
        analyzer.continuous(False),
        analyzer.abort(),
        analyzer.tracking_on(-20.0),
        analyzer.tracking_off(),
    ):
        bench.player.run(analyzer.confirm(batch))
