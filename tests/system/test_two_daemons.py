"""Two daemons on one bench: the second is refused, by name, and sends nothing."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from benchd.rfoff.ownership import Ownership, instrument_keys
from tests.rfoff.sources import fake_source, on_record
from tests.system.rigging import BENCH, Daemon, Simulator, ending, until
from tests.system.test_rf_off_first import benchd


def serve(folder: Path, bench: Path, addresses: dict[str, str]) -> tuple[int, str]:
    given = [part for name, place in addresses.items() for part in ("--address", f"{name}={place}")]
    done = benchd("serve", "--bench", str(bench), "--data", str(folder), "--http", "127.0.0.1:0",
                  "--broker", "none", *given)  # fmt: skip
    # However the lines are broken.
    return done.returncode, " ".join(done.stderr.split())


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "[::1]"])
def test_the_second_daemon_is_refused_and_sends_nothing(
    tmp_path: Path, simulator: Simulator, host: str
) -> None:
    first = Daemon(tmp_path, simulator, "none")
    with ending(first):
        until(
            lambda: all(
                one["state"] == "ready" for one in first.http.get("/api/instruments").json()
            ),
            "the first daemon to have met all instruments",
        )
        before = simulator.do("state")["instruments"]["generator"]["rf_history"]
        other_name = tmp_path / "other.yaml"
        other_name.write_text(BENCH.read_text().replace("bench: workshop", "bench: roof"))
        moved = {
            name: place.replace("127.0.0.1", host) for name, place in simulator.addresses.items()
        }
        # One shared instrument is enough, and it need not be the source.
        shares_the_switch = {
            name: place if name == "switch" else re.sub("::[0-9]+::", f"::{port}::", place)
            for port, (name, place) in enumerate(moved.items(), 9)
        }
        for bench, data, addresses in (
            (BENCH, tmp_path / "data2", moved),
            (other_name, tmp_path / "data", moved),
            (other_name, tmp_path / "data3", shares_the_switch),
        ):
            status, said = serve(data, bench, addresses)
            assert status == 1
            assert f"run by another benchd (process {first.popen.pid}), bench workshop" in said
            assert "Nothing was sent to the instrument" in said
        assert simulator.do("state")["instruments"]["generator"]["rf_history"] == before


def test_the_bench_of_an_owner_that_was_killed_is_free_at_once(
    tmp_path: Path, simulator: Simulator
) -> None:
    first = Daemon(tmp_path, simulator, "none")
    with ending(first):
        first.kill()
    (tmp_path / "again").mkdir()
    with ending(Daemon(tmp_path / "again", simulator, "none")):
        pass


def test_what_another_owns_is_not_even_connected_to(tmp_path: Path) -> None:
    """Not by the start itself, not by what a record or a broken bench file names."""
    claims = Ownership()
    with fake_source() as (source, server):
        assert claims.claim(instrument_keys(server.address), "workshop") is None
        on_record(tmp_path / "data", BENCH, server.address)
        bench = tmp_path / "bench.yaml"
        bench.write_text(BENCH.read_text().replace("50251", str(server.port)))
        broken = tmp_path / "broken.yaml"
        broken.write_text(bench.read_text() + "\n  : [")
        for file in (bench, broken):
            status, said = serve(tmp_path / "data", file, {})
            assert status == 1
            assert f"left to process {os.getpid()}, bench workshop, which owns it" in said
        assert server.peers == []
        assert source.rf_on
    claims.release()
