"""Bench file and register are read again when they change, RF before everything."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

from benchd.rfoff.ownership import instrument_keys, owner_of
from tests.system.own_bench import bench_file, world_file
from tests.system.rigging import Daemon, Simulator, ending, until
from tests.system.test_own_bench import benchd, said
from tests.system.test_rf_off_first import benchd as program

R1 = ("antenna", "add", "quarter r1", "--arm", "84 mm", "--design-frequency", "868 MHz",
      "--largest-dimension", "170 mm")  # fmt: skip


def started(folder: Path, simulator: Simulator) -> tuple[Daemon, Path]:
    """A daemon whose bench file states the addresses itself; and the file that it reads."""
    made = bench_file(folder, simulator.addresses)
    nothing: Any = SimpleNamespace(addresses={})
    return Daemon(folder, nothing, "none", bench=made), folder / f"patient-{made.name}"


def bench_of(daemon: Daemon) -> dict[str, Any]:
    found: dict[str, Any] = daemon.http.get("/api/bench").json()
    return found


def change(file: Path, old: str, new: str) -> None:
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, new, 1))


def test_a_broken_edit_keeps_the_last_good_bench_and_is_told_with_its_line(tmp_path: Path) -> None:
    simulator = Simulator(tmp_path, str(world_file(tmp_path)))
    with ending(simulator):
        daemon, file = started(tmp_path, simulator)
        with ending(daemon):
            said(daemon, *R1)
            good = bench_of(daemon)
            register = tmp_path / "antennas.yaml"
            change(register, "arm: 84 mm", "arm: 84")
            bad = bench_of(daemon)
            assert bad["hash"] == good["hash"]
            assert "antennas.yaml:" in bad["trouble"]
            assert "found the bare number 84, expected a length" in bad["trouble"]
            assert any(
                bad["trouble"] in note for note in daemon.http.get("/api/health").json()["notes"]
            )
            done = benchd(daemon, "bench")
            assert done.returncode == 1
            assert "The bench stays as it was" in done.stderr
            assert "The bench stays as it was" in benchd(daemon, "instruments").stderr
            # Jobs run on with what was good.
            daemon.until_state(daemon.queue("return-loss-between-baselines", points="21",
                                            antenna="quarter r1"), "done")  # fmt: skip
            change(register, "arm: 84", "arm: 83 mm")
            assert bench_of(daemon)["trouble"] == ""
            (one,) = [
                a for a in daemon.http.get("/api/antennas").json() if a["name"] == "quarter r1"
            ]
            assert one["trim"]["arm_m"] == 0.083
            for broken in ("instruments: 5\n", "", "\tx"):
                kept = file.read_text()
                file.write_text(broken)
                assert file.name in bench_of(daemon)["trouble"]
                file.write_text(kept)
                assert bench_of(daemon)["trouble"] == ""
            kept = file.read_text()
            file.unlink()
            assert "cannot be read" in bench_of(daemon)["trouble"]
            file.write_text(kept.replace("bench: attic", "bench: cellar"))
            assert 'from "attic" to "cellar"' in bench_of(daemon)["trouble"]
            file.write_text(kept)
            assert bench_of(daemon)["trouble"] == ""


def test_a_job_keeps_the_antenna_that_it_was_queued_with(tmp_path: Path) -> None:
    simulator = Simulator(tmp_path, str(world_file(tmp_path)))
    with ending(simulator):
        daemon, _ = started(tmp_path, simulator)
        with ending(daemon):
            said(daemon, *R1)
            busy = daemon.queue("open-short-baseline", points="401")
            until(lambda: simulator.do("state")["rf_on"], "the sweep to radiate")
            waiting = daemon.queue(
                "return-loss-between-baselines", points="51", antenna="quarter r1"
            )
            change(tmp_path / "antennas.yaml", "arm: 84 mm", "arm: 42 mm")
            until(
                lambda: [
                    one["trim"]["arm_m"]
                    for one in daemon.http.get("/api/antennas").json()
                    if one["name"] == "quarter r1"
                ] == [0.042],
                "the register to be read again",
            )  # fmt: skip
            later = daemon.queue("return-loss-between-baselines", points="51",
                                 antenna="quarter r1")  # fmt: skip
            trims = {}
            for job in (busy, waiting, later):
                daemon.until_state(job, "done")
                for record in daemon.http.get("/api/results", params={"job": job}).json():
                    if record["result"]["quantity"] == "trim_per_arm":
                        trims[job] = record["result"]["value"]
            # A trim goes as the arm: half the arm, half the trim.
            assert abs(trims[later] / trims[waiting] - 0.5) < 0.1
            again = daemon.http.post(f"/api/jobs/{waiting}/reduce").json()
            assert trims[waiting] in [one["result"]["value"] for one in again]
        # Also over a restart.
        fresh, _ = started(tmp_path, simulator)
        with ending(fresh):
            again = fresh.http.post(f"/api/jobs/{waiting}/reduce").json()
            assert trims[waiting] in [one["result"]["value"] for one in again]


def test_a_source_at_another_address_is_met_with_off_and_the_old_one_is_left_off(
    tmp_path: Path,
) -> None:
    world = str(world_file(tmp_path))
    (tmp_path / "other").mkdir()
    first = Simulator(tmp_path, world)
    with ending(first):
        second = Simulator(tmp_path / "other", world)
        with ending(second):
            daemon, file = started(tmp_path, first)
            with ending(daemon):
                daemon.until_state(daemon.queue("open-short-baseline", points="21"), "done")
                old, new = first.addresses["generator"], second.addresses["generator"]
                busy = daemon.queue("open-short-baseline", points="401")
                until(lambda: first.do("state")["rf_on"], "the sweep to radiate")
                change(file, old, new)
                # While a job runs, its instruments stay as they are.
                assert generator(daemon)["address"] == old
                daemon.until_state(busy, "done")
                until(
                    lambda: (
                        generator(daemon)["state"] == "ready"
                        and generator(daemon)["address"] == new
                    ),
                    "the new source to be met",
                )
                assert first.do("state")["rf_on"] is False
                history = second.do("state")["instruments"]["generator"]["rf_history"]
                assert not any(is_on for _, is_on in history)
                assert owner_of(instrument_keys(old)) is None
                owner = owner_of(instrument_keys(new))
                assert owner is not None
                assert owner.pid == daemon.popen.pid
                records = [path.read_text() for path in (tmp_path / "data").glob("rf-sources.*")]
                assert all(new in text for text in records)
                assert records
                # Back again, and the daemon is killed in a sweep: the present source is on record.
                change(file, new, old)
                until(
                    lambda: (
                        generator(daemon)["address"] == old
                        and generator(daemon)["state"] == "ready"
                    ),
                    "the old source to be met",
                )
                daemon.queue("open-short-baseline", points="2001")
                until(lambda: first.do("state")["rf_on"], "the sweep to radiate")
                daemon.kill()
                done = program("rf-off", "--data", str(tmp_path / "data"))
                assert done.returncode == 0, done.stderr
                assert first.do("state")["rf_on"] is False


def test_a_source_that_does_not_confirm_off_is_not_let_go(tmp_path: Path) -> None:
    world = str(world_file(tmp_path))
    (tmp_path / "other").mkdir()
    first = Simulator(tmp_path, world)
    with ending(first):
        second = Simulator(tmp_path / "other", world)
        with ending(second):
            daemon, file = started(tmp_path, first)
            with ending(daemon):
                daemon.until_state(daemon.queue("open-short-baseline", points="21"), "done")
                old, new = first.addresses["generator"], second.addresses["generator"]
                first.do("fault", instrument="generator", mode="stop-listening", count=1)
                change(file, old, new)
                until(
                    lambda: "has not confirmed that RF is off" in bench_of(daemon)["trouble"],
                    "the change to be held up",
                )
                assert generator(daemon)["address"] == old
                assert owner_of(instrument_keys(old)) is not None
                assert daemon.http.get("/api/health").json()["rf"]["state"] == "not-verified"


def generator(daemon: Daemon) -> dict[str, Any]:
    found = daemon.http.get("/api/instruments").json()
    one: dict[str, Any] = next(each for each in found if each["name"] == "generator")
    return one
