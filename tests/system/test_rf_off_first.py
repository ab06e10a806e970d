"""RF after a crash: off, whatever then keeps the daemon from starting; and `benchd rf-off`.

The simulator's own record says whether RF is on.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.drivers.servers import wait_until
from tests.patience import PATIENCE_S
from tests.rfoff.sources import MUTE, OFF, fake_source, on_record
from tests.system.rigging import BENCH, Daemon, Simulator, ending, until
from tests.system.test_kill import RECIPE


def benchd(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """A command of benchd that ends by itself."""
    return subprocess.run(
        [sys.executable, "-m", "benchd", *arguments],
        capture_output=True, text=True, timeout=PATIENCE_S, env={**os.environ, **environment},
    )  # fmt: skip


@pytest.fixture
def left_on(tmp_path: Path, simulator: Simulator) -> Simulator:
    """A bench whose daemon was killed while RF was on."""
    daemon = Daemon(tmp_path, simulator, "none")
    with ending(daemon):
        daemon.queue_text(RECIPE.format(on_interrupt="resume"))
        until(lambda: simulator.do("state")["rf_on"], "the sweep to radiate")
        daemon.kill()
    assert simulator.do("state")["rf_on"] is True, "kill -9 leaves the source as it was"
    return simulator


def start_again(
    tmp_path: Path, simulator: Simulator, **changed: str
) -> subprocess.CompletedProcess[str]:
    """The command line of the daemon that died, with something changed; it must fail."""
    addresses = [f"--address={name}={place}" for name, place in simulator.addresses.items()]
    options = {
        "--bench": str(tmp_path / f"patient-{BENCH.name}"), "--data": str(tmp_path / "data"),
        "--http": "127.0.0.1:0", "--broker": "none", **changed,
    }  # fmt: skip
    return benchd("serve", *(part for pair in options.items() for part in pair), *addresses)


def typing_error(tmp_path: Path) -> dict[str, str]:
    bench = tmp_path / f"patient-{BENCH.name}"
    bench.write_text(bench.read_text().replace("kind: source", "kind: sauce", 1))
    return {}


def no_yaml(tmp_path: Path) -> dict[str, str]:
    (tmp_path / f"patient-{BENCH.name}").write_bytes(b"\xff\xfe: [\n\t{")
    return {}


def no_bench_file(tmp_path: Path) -> dict[str, str]:
    (tmp_path / f"patient-{BENCH.name}").unlink()
    return {}


def another_bench_file(tmp_path: Path) -> dict[str, str]:
    (tmp_path / "typo.yaml").write_text("bench: [")
    return {"--bench": str(tmp_path / "typo.yaml"), "--data": str(tmp_path / "other")}


def data_is_a_file(tmp_path: Path) -> dict[str, str]:
    (tmp_path / "data").rename(tmp_path / "data.old")
    (tmp_path / "data").write_text("a file")
    return {}


def damaged_database(tmp_path: Path) -> dict[str, str]:
    for part in (tmp_path / "data").glob("benchd.sqlite-*"):
        part.unlink()
    (tmp_path / "data" / "benchd.sqlite").write_bytes(b"no database at all" * 1000)
    return {}


def no_recipes(tmp_path: Path) -> dict[str, str]:
    return {"--recipes": str(tmp_path / "missing")}


def bad_token_file(tmp_path: Path) -> dict[str, str]:
    return {"--token-file": str(tmp_path / "missing")}


def bad_broker(tmp_path: Path) -> dict[str, str]:
    return {"--broker": "gopher://nowhere"}


def bad_port(tmp_path: Path) -> dict[str, str]:
    return {"--http": "127.0.0.1:x"}


def wrong_option(tmp_path: Path) -> dict[str, str]:
    return {"--bensch": "x"}


@pytest.mark.parametrize(
    "spoil",
    [typing_error, no_yaml, no_bench_file, another_bench_file, data_is_a_file, damaged_database,
     no_recipes, bad_token_file, bad_broker, bad_port, wrong_option],
)  # fmt: skip
def test_a_start_that_fails_after_a_crash_leaves_rf_off_and_says_so(
    tmp_path: Path, left_on: Simulator, spoil: Callable[[Path], dict[str, str]]
) -> None:
    done = start_again(tmp_path, left_on, **spoil(tmp_path))
    assert done.returncode != 0
    assert left_on.do("state")["rf_on"] is False, done.stderr
    assert "RF is off, verified." in done.stderr


def test_a_fault_in_a_library_at_the_start_leaves_rf_off(
    tmp_path: Path, left_on: Simulator
) -> None:
    """A package that cannot be imported any more ends the start before benchd's own code."""
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "typer.py").write_text("raise RuntimeError('half an upgrade')")
    done = benchd(
        "serve", "--bench", str(tmp_path / f"patient-{BENCH.name}"), "--data",
        str(tmp_path / "data"), f"--address=generator={left_on.addresses['generator']}",
        PYTHONPATH=str(tmp_path / "broken"),
    )  # fmt: skip
    assert done.returncode != 0
    assert "half an upgrade" in done.stderr
    assert left_on.do("state")["rf_on"] is False, done.stderr
    assert "RF is off, verified." in done.stderr


def test_a_bench_file_with_an_error_that_never_ran_is_switched_off_by_its_lines(
    tmp_path: Path,
) -> None:
    with fake_source() as (source, server):
        bench = tmp_path / "new.yaml"
        bench.write_text(
            f"instruments:\n  generator:\n    kind: source\n    address: {server.address}\n  - ["
        )
        done = benchd("serve", "--bench", str(bench), "--data", str(tmp_path / "data"))
        assert source.heard[0] == OFF
    assert done.returncode == 1
    assert "RF is off, verified." in done.stderr


@pytest.mark.parametrize("kind", MUTE)
def test_a_start_that_fails_says_where_rf_is_not_verified(tmp_path: Path, kind: str) -> None:
    with fake_source(MUTE[kind]) as (source, server):
        on_record(tmp_path / "data", tmp_path / "bench.yaml", server.address)
        done = benchd("serve", "--bench", str(tmp_path / "bench.yaml"), "--data",
                      str(tmp_path / "data"))  # fmt: skip
        wait_until(lambda: not source.rf_on, PATIENCE_S)
        assert source.heard[0] == OFF
    assert done.returncode == 1
    assert "written, not verified" in done.stderr
    assert "RF is NOT verified off." in done.stderr


def test_rf_off_switches_off_what_a_daemon_that_died_left_on(
    tmp_path: Path, left_on: Simulator
) -> None:
    done = benchd("rf-off")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.endswith(": off, verified\n")
    assert left_on.do("state")["rf_on"] is False


def test_rf_off_leaves_a_living_daemon_alone_only_if_asked_to(
    tmp_path: Path, simulator: Simulator
) -> None:
    daemon = Daemon(tmp_path, simulator, "none")
    with ending(daemon):
        daemon.queue_text(RECIPE.format(on_interrupt="resume"))
        until(lambda: simulator.do("state")["rf_on"], "the sweep to radiate")
        left = benchd("rf-off", "--unless-owned")
        assert left.returncode == 0
        assert f"left to process {daemon.popen.pid}, bench workshop, which owns it" in left.stdout
        hurried = benchd("rf-off")
        assert f"(owned by process {daemon.popen.pid}, bench workshop, which will" in hurried.stdout
        assert hurried.returncode == 0


def test_rf_off_tells_by_its_exit_status_what_is_not_verified(tmp_path: Path) -> None:
    with fake_source(MUTE["silent"]) as (_, mute), fake_source() as (good, server):
        on_record(tmp_path / "data", tmp_path / "bench.yaml", mute.address, server.address)
        done = benchd("rf-off", "--data", str(tmp_path / "data"))
        assert good.heard[0] == OFF
    assert done.returncode == 1
    assert "generator0" in done.stdout
    assert "written, not verified" in done.stdout
    assert "switch it off by hand" in done.stdout
    assert f"generator1 at {server.address}: off, verified" in done.stdout


def test_a_daemon_does_not_speak_for_a_source_that_it_could_not_ask(
    tmp_path: Path, simulator: Simulator
) -> None:
    """Another bench's daemon died, and its source no longer answers: it may radiate."""
    with fake_source() as (_, gone):
        address = gone.address
    on_record(tmp_path / "data", tmp_path / "other.yaml", address)
    daemon = Daemon(tmp_path, simulator, "none")
    with ending(daemon):
        rf = daemon.http.get("/api/health").json()["rf"]
        assert rf["state"] == "off-verified"
        assert rf["message"].endswith(f"nobody knows of: generator0 at {address}.")
        assert "by hand" in rf["advice"]
        named = [Path(word.rstrip(".")) for word in rf["advice"].split() if ".json" in word]
    told = benchd("rf-off", "--data", str(tmp_path / "data"))
    assert f"generator0 at {address}: not reached" in told.stdout
    # What the advice says to do does it.
    assert named
    for file in named:
        file.unlink()
    daemon = Daemon(tmp_path, simulator, "none")
    with ending(daemon):
        rf = daemon.http.get("/api/health").json()["rf"]
        assert (rf["state"], rf["advice"]) == ("off-verified", "")
        assert address not in rf["message"]


def test_rf_off_without_any_record_says_what_to_do(tmp_path: Path) -> None:
    done = benchd("rf-off", "--data", str(tmp_path))
    assert done.returncode == 1
    assert "Name a bench file with --bench" in done.stderr
    assert benchd("rf-off", "--unless-owned").returncode == 0


@pytest.mark.parametrize("broken", [False, True])
def test_rf_off_reads_the_sources_of_a_bench_file_though_it_is_broken(
    tmp_path: Path, broken: bool
) -> None:
    with fake_source() as (source, server):
        bench = tmp_path / "bench.yaml"
        text = BENCH.read_text().replace("TCPIP::127.0.0.1::50251::SOCKET", server.address)
        bench.write_text(text + ("\n  : [" if broken else ""))
        done = benchd("rf-off", f"--bench={bench}")
        assert source.heard[0] == OFF
        assert source.heard.count("*IDN?") == 0
    assert done.returncode == 0, done.stdout + done.stderr
    assert ("cannot be loaded" in done.stderr) is broken


def test_a_broken_register_of_antennas_keeps_no_word_from_a_source(tmp_path: Path) -> None:
    with fake_source() as (source, server):
        bench = tmp_path / "bench.yaml"
        text = BENCH.read_text().replace("TCPIP::127.0.0.1::50251::SOCKET", server.address)
        bench.write_text(text.replace("range_antenna: range dipole", "range_antenna: elsewhere"))
        (tmp_path / "antennas.yaml").write_text("antennas: [")
        done = benchd("rf-off", f"--bench={bench}")
        assert source.heard[0] == OFF
    assert done.returncode == 0, done.stdout + done.stderr
    assert "cannot be loaded" not in done.stderr


def test_rf_off_loads_nothing_heavy(tmp_path: Path) -> None:
    """What it does not load can neither fail nor take time."""
    with fake_source() as (_, server):
        on_record(tmp_path / "data", tmp_path / "bench.yaml", server.address)
        script = (
            "import sys\nfrom benchd.cli import main\ntry:\n    main(['rf-off'])\n"
            "except SystemExit as end:\n    print(end.code, sorted(sys.modules))"
        )
        done = subprocess.run(
            [sys.executable, "-c", script], capture_output=True, text=True, timeout=PATIENCE_S
        )
    last = done.stdout.splitlines()[-1]
    assert last.startswith("0 ["), done.stderr
    heavy = ("typer", "pydantic", "numpy", "pyvisa", "sqlalchemy", "structlog", "ruamel", "asyncio")
    assert [name for name in heavy if f"'{name}'" in last] == []


@pytest.mark.parametrize("option", ["--nonsense", "--bench"])
def test_a_wrong_option_of_rf_off_is_refused(option: str) -> None:
    assert benchd("rf-off", option).returncode == 2


def test_the_help_of_rf_off_tells_its_options() -> None:
    shown = benchd("rf-off", "--help").stdout
    assert all(option in shown for option in ("--bench", "--data", "--unless-owned"))
