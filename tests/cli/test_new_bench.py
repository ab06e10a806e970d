"""`benchd new-bench`: what is asked, what is refused, and a file that passes the check."""

from __future__ import annotations

import io
import socketserver
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from benchd.bench import load_bench
from benchd.cli import find_instruments
from benchd.rfoff.ownership import Ownership, instrument_keys

SOURCE, ANALYZER = "TCPIP::192.0.2.10::5025::SOCKET", "TCPIP::192.0.2.11::5025::SOCKET"
Run = Callable[..., Any]


@pytest.fixture
def run(benchd: Any, monkeypatch: pytest.MonkeyPatch) -> Run:
    """`benchd new-bench` with these lines typed."""

    def typed(out: Path, *lines: str, search: bool = False) -> Any:
        monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))
        options = () if search else ("--no-search",)
        return benchd("new-bench", "--out", str(out), *options)

    return typed


def by_hand(source: str = SOURCE, ask: str = "no") -> list[str]:
    """All answers for a bench without a switch, most of them by Enter."""
    return [
        "attic", "", "Europe/Berlin", source, ask, "", "", "", "", ANALYZER, "no", "", "20 dBm",
        "", "", "", "", "RG-58 C/U 1 m", "", "0.2 dB", "", "", "", "", "", "", "1.7 GHz", "84 mm",
    ]  # fmt: skip


def test_enter_takes_what_stands_in_brackets_and_the_file_passes_the_check(
    run: Run, benchd: Any, tmp_path: Path
) -> None:
    out = tmp_path / "bench.yaml"
    outcome = run(out, *by_hand())
    assert outcome.code == 0, outcome.err
    assert outcome.err.count("Why: ") == len(by_hand()) + 1  # the arm, which is skipped
    bench = load_bench(out)
    assert (bench.bench, bench.timezone) == ("attic", "Europe/Berlin")
    assert bench.fixtures["sense_cable"].loss_db.at(1e9) == 0.2
    text = out.read_text()
    assert "# RG-58, 1 m (MIL-DTL-17, from memory), without its connectors" in text
    assert "# the table ends at 1 GHz" in text
    check = benchd("check", "return-loss-by-hand", "-p", "antenna=dipole r1", "--bench", str(out))
    assert check.code == 0, check.err


def test_a_switch_a_lid_and_a_power_meter(run: Run, tmp_path: Path) -> None:
    out = tmp_path / "bench.yaml"
    outcome = run(
        out,
        "", "", "", SOURCE, "no", "", "", "",
        "power-meter", ANALYZER, "no", "", "unknown", "",
        "", "", "", "", "", "", "",
        "yes", "TCPIP::192.0.2.12::5025::SOCKET", "no", "", "", "", "", "",
        "yes", "TCPIP::192.0.2.13::5025::SOCKET", "no",
        "50 cm x 40 cm x 40 cm", "yes", "yagi r1", "yagi", "1.7 GHz", "141 mm",
    )  # fmt: skip
    assert outcome.code == 0, outcome.err
    bench = load_bench(out)
    assert {name: one.kind for name, one in bench.instruments.items()} == {
        "generator": "source", "receiver": "power-meter", "switch": "switch", "lid": "lid",
    }  # fmt: skip
    assert set(bench.routes["middle"].positions) == {"open", "short", "antenna"}
    assert bench.box.shielded is True
    assert "benchd check open-short-baseline" in outcome.out


def test_with_an_arm_the_first_look_of_a_trim_can_advise(run: Run, tmp_path: Path) -> None:
    out = tmp_path / "bench.yaml"
    outcome = run(out, *by_hand(), "0 mm", "41.2", "41.2 mm", "", "1 mm")
    assert outcome.code == 0, outcome.err
    assert outcome.err.count("Not taken: ") == 2
    trim = load_bench(out).antennas["dipole r1"].trim
    assert trim is not None
    assert (trim.arm_m, trim.arms, trim.diameter_m) == (0.0412, 2, 0.001)
    skipped = tmp_path / "skipped.yaml"
    assert run(skipped, *by_hand(), "").code == 0
    assert load_bench(skipped).antennas["dipole r1"].trim is None


def test_a_sweep_too_wide_for_the_source_costs_no_answer(
    run: Run, benchd: Any, tmp_path: Path
) -> None:
    """433.92 MHz lies so near to the lower end of this source that a usual sweep leaves it."""
    out = tmp_path / "bench.yaml"
    answers = [*by_hand()[:-4], "quarter wave r1", "monopole", "433.92 MHz", "340 mm", "165 mm", ""]
    outcome = run(out, *answers)
    assert outcome.code == 0, outcome.err
    assert "How many arms are trimmed alike\n  Why: what is taken off counts for each. One" in (
        outcome.err
    )
    trim = load_bench(out).antennas["quarter wave r1"].trim
    assert trim is not None
    assert trim.arms == 1  # the ground plane is not trimmed
    assert 'Give each recipe -p span="67 MHz", and benchd trim --span.' in outcome.out
    antenna = ("-p", "antenna=quarter wave r1", "--bench", str(out))
    wide = benchd("check", "return-loss-by-hand", *antenna)
    assert wide.code == 1
    assert "works from 400 MHz to 6 GHz: a span of 67 MHz fits" in wide.err
    assert benchd("check", "return-loss-by-hand", *antenna, "-p", "span=67 MHz").code == 0


def test_a_refused_answer_is_asked_again_with_the_reason(run: Run, tmp_path: Path) -> None:
    answers = by_hand()
    answers[3:4] = ["somewhere", "7", SOURCE]
    at = answers.index("RG-58 C/U 1 m")
    answers[at:at] = ["RG-999 1 m", "RG-58", "RG-58 1", "RG-58 -1 m"]
    outcome = run(tmp_path / "bench.yaml", "1 attic", *answers)
    assert outcome.code == 0, outcome.err
    assert outcome.err.count("Not taken: ") == 7
    assert "one is TCPIP::192.0.2.10::5025::SOCKET" in outcome.err
    assert "no such type is known" in outcome.err
    assert "without a unit" in outcome.err


@pytest.mark.parametrize("count", [0, 3, 20, 27])
def test_answers_that_end_early_write_nothing(run: Run, tmp_path: Path, count: int) -> None:
    outcome = run(tmp_path / "bench.yaml", *by_hand()[:count])
    assert outcome.code == 1
    assert "nothing was written" in outcome.err
    assert list(tmp_path.iterdir()) == []


def test_answers_that_never_fit_end_by_themselves(run: Run, tmp_path: Path) -> None:
    outcome = run(tmp_path / "bench.yaml", *["1 attic"] * 1000)
    assert outcome.code == 1
    assert "20 answers could not be taken; nothing was written." in outcome.err
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_there_is_never_overwritten(run: Run, tmp_path: Path) -> None:
    out = tmp_path / "bench.yaml"
    out.write_text("mine")
    outcome = run(out, *by_hand())
    assert outcome.code == 1
    assert "is there already" in outcome.err
    assert out.read_text() == "mine"


@pytest.fixture
def source() -> Iterator[tuple[str, list[str]]]:
    """An instrument on a real socket: its address, and all that it heard."""
    heard: list[str] = []

    class Handler(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            for line in self.rfile:
                heard.append(line.decode().strip())
                if heard[-1] == "*IDN?":
                    self.wfile.write(b"Attic,Source 3,17,1.2\n")

    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Handler) as server:
        server.daemon_threads = True
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"TCPIP::127.0.0.1::{server.server_address[1]}::SOCKET", heard
        server.shutdown()


def test_who_answers_hears_rf_off_first_and_its_identity_is_kept(
    run: Run, tmp_path: Path, source: tuple[str, list[str]]
) -> None:
    address, heard = source
    out = tmp_path / "bench.yaml"
    assert run(out, *by_hand(address, "yes")).code == 0
    assert heard[:2] == [":OUTP:STAT OFF", "*IDN?"]
    assert not [words for words in heard if words not in (":OUTP:STAT OFF", "*IDN?")]
    assert load_bench(out).instruments["generator"].identity == "Attic,Source 3"


def test_what_a_daemon_owns_is_not_asked(
    run: Run, tmp_path: Path, source: tuple[str, list[str]]
) -> None:
    address, heard = source
    owning = Ownership()
    assert owning.claim(instrument_keys(address), "roof") is None
    try:
        outcome = run(tmp_path / "bench.yaml", *by_hand(address, "yes"))
    finally:
        owning.release()
    assert outcome.code == 0
    assert "bench roof, and was not asked" in outcome.err
    assert heard == []


def test_what_is_found_is_listed_and_asked_only_if_agreed_to(
    run: Run, tmp_path: Path, source: tuple[str, list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What pyvisa finds depends on the computer, so the list itself is given here."""
    address, heard = source
    serial = "ASRL/dev/nowhere::INSTR"
    monkeypatch.setattr(find_instruments, "found_addresses", lambda: [serial, address])
    answers = by_hand()
    answers[3:5] = ["2"]  # by its number, and known already
    out = tmp_path / "bench.yaml"
    outcome = run(out, "", "yes", *answers, search=True)
    assert outcome.code == 0, outcome.err
    assert load_bench(out).instruments["generator"].address == address
    assert heard[0] == ":OUTP:STAT OFF"
    assert f"  2  {address}  Attic,Source 3,17,1.2" in outcome.err


def test_looking_for_instruments_finds_without_asking_anybody() -> None:
    assert all("::INSTR" in address for address in find_instruments.found_addresses())
