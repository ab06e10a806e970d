"""A rig whose sources hear but do not answer, come back late, or must not radiate at all."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchd.bench import load_bench
from benchd.engine.rig import Rig
from benchd.engine.source_record import RecordNotKept, SourceRecord
from benchd.errors import BenchdError, Cancelled
from drivers.exchange import Exchange, Reply, Series
from tests.drivers.servers import wait_until
from tests.patience import PATIENCE_S
from tests.rfoff.sources import (
    MUTE,
    OFF,
    ON,
    FakeSource,
    answers,
    endless_errors,
    fake_source,
)

BENCH = Path(__file__).resolve().parents[2] / "recipes" / "benches" / "workshop.yaml"


def rig_on(timeout_s: float, **addresses: str) -> Rig:
    """A rig of sources only."""
    bench = load_bench(BENCH)
    generator = bench.instruments["generator"]
    return Rig(
        bench.model_copy(
            update={
                "box": None,
                "instruments": {
                    name: generator.model_copy(
                        update={"address": address, "timeout_s": timeout_s, "identity": None}
                    )
                    for name, address in addresses.items()
                },
            }
        )
    )


def radiate() -> Any:
    """Switches on and then waits for an answer."""
    yield (Exchange("generator", ON, radiates=True),)
    yield (Exchange("generator", "POW?", Reply.TEXT),)


def switched_on_and_then(kind: str) -> Callable[[FakeSource, Any, str], None]:
    """Good until it is asked for its level."""

    def speaks(source: FakeSource, peer: Any, line: str) -> None:
        (MUTE[kind] if line == "POW?" else answers)(source, peer, line)

    return speaks


@pytest.mark.parametrize("kind", MUTE)
def test_a_source_that_hears_but_does_not_answer_is_off_and_told_not_verified(kind: str) -> None:
    with fake_source(MUTE[kind]) as (source, server):
        rig = rig_on(0.3, generator=server.address)
        with pytest.raises(BenchdError):
            rig.rf_off()
        wait_until(lambda: not source.rf_on, PATIENCE_S)
        assert source.heard[0] == OFF
        assert rig.rf_not_verified() == ["generator"]
        rig.close()


@pytest.mark.parametrize("kind", MUTE)
def test_a_stop_in_the_middle_of_radiating_is_obeyed_and_rf_goes_off(kind: str) -> None:
    with fake_source(switched_on_and_then(kind)) as (source, server):
        rig = rig_on(PATIENCE_S, generator=server.address)
        rig.rf_off()
        assert rig.rf_not_verified() == []
        asked = threading.Thread(
            target=lambda: (wait_until(lambda: "POW?" in source.heard, PATIENCE_S), rig.stop.set())
        )
        asked.start()
        # A half-closed one is a lost link before anybody stops; a flood may reach its limit.
        with pytest.raises(BenchdError):
            rig.measure(radiate(), ["generator"], lambda _: None)
        asked.join()
        assert not source.rf_on
        assert rig.rf_not_verified() == []
        rig.close()


def test_a_source_that_comes_back_is_off_though_another_is_still_waited_for() -> None:
    with fake_source(MUTE["silent"]) as (_, mute), socket.socket() as place:
        place.bind(("127.0.0.1", 0))
        late = f"TCPIP::127.0.0.1::{place.getsockname()[1]}::SOCKET"
        rig = rig_on(PATIENCE_S, mute=mute.address, late=late)
        failed: list[BenchdError] = []

        def try_it() -> None:
            try:
                rig.rf_off()
            except BenchdError as error:
                failed.append(error)

        trying = threading.Thread(target=try_it)
        trying.start()
        time.sleep(0.5)
        place.listen()
        connection, _ = place.accept()
        with connection, connection.makefile("r") as lines:
            assert lines.readline() == f"{OFF}\n"
            assert trying.is_alive(), "the mute one is still being waited for"
        rig.begin_closing()
        trying.join()
        assert failed
        rig.close()


def test_closing_with_a_silent_source_ends_soon_and_off_is_written() -> None:
    """Its time to answer is 5 minutes, which nobody who stops the daemon waits for."""
    with fake_source(MUTE["silent"]) as (source, server):
        rig = rig_on(PATIENCE_S, generator=server.address)
        started = time.monotonic()
        rig.close()
        assert time.monotonic() - started < PATIENCE_S / 2
        assert not source.rf_on
        assert rig.rf_not_verified() == ["generator"]


def test_an_error_queue_without_end_is_left_after_a_stop() -> None:
    with fake_source(endless_errors) as (source, server):
        rig = rig_on(PATIENCE_S, generator=server.address)
        rig.connect()
        rig.stop.set()
        with pytest.raises(Cancelled):
            rig.drain_errors(["generator"])
        rig.close()
        assert not source.rf_on


def radiate_in_a_series() -> Any:
    """As `radiate`, in one item."""
    on = Exchange("generator", ON, radiates=True)
    yield Series([(Exchange("generator", "POW -10"),), (on,)])


@pytest.mark.parametrize("radiate", [radiate, radiate_in_a_series])
def test_without_a_record_on_disk_rf_does_not_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, radiate: Callable[[], Any]
) -> None:
    (tmp_path / "file").touch()
    monkeypatch.setenv("BENCHD_STATE", str(tmp_path / "file" / "state"))
    with fake_source() as (source, server):
        rig = rig_on(PATIENCE_S, generator=server.address)
        rig.record = SourceRecord(rig.bench, rig.drivers, BENCH, tmp_path / "file" / "data")
        with pytest.raises(RecordNotKept, match="RF stays off"):
            rig.measure(radiate(), ["generator"], lambda _: None)
        assert ON not in source.heard
        rig.record = SourceRecord(rig.bench, rig.drivers, BENCH, tmp_path / "data")
        source_answers = rig.measure(iter_on(), ["generator"], lambda _: None)
        assert source_answers is None
        assert ON in source.heard
        assert list((tmp_path / "data").glob("rf-sources.*.json"))
        rig.close()


def iter_on() -> Any:
    """Switches on, and ends."""
    yield (Exchange("generator", ON, radiates=True),)


def test_a_record_is_clean_only_after_rf_was_verified_off(tmp_path: Path) -> None:
    for speaks, clean in ((answers, "true"), (MUTE["silent"], "false")):
        with fake_source(speaks) as (_, server):
            rig = rig_on(0.3, generator=server.address)
            rig.record = SourceRecord(rig.bench, rig.drivers, BENCH, tmp_path / clean)
            rig.record.keep()
            rig.close()
        (file,) = (tmp_path / clean).glob("rf-sources.*.json")
        assert f'"clean": {clean}' in file.read_text()
