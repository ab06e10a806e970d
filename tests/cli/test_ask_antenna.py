"""On a terminal an antenna that is missing is asked for; elsewhere the refusal names them."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from tests.patience import PATIENCE_S

BENCH = Path(__file__).parents[2] / "recipes" / "benches" / "workshop.yaml"
CHECK = [sys.executable, "-m", "benchd", "check", "return-loss", "--bench", str(BENCH)]


def typed(answers: str) -> tuple[int, str, str]:
    """`benchd check` at a terminal where somebody types; what it printed there, and its output."""
    ours, theirs = pty.openpty()
    running = subprocess.Popen(
        CHECK, stdin=theirs, stderr=theirs, stdout=subprocess.PIPE, text=True
    )
    os.close(theirs)
    os.write(ours, answers.encode())
    out, _ = running.communicate(timeout=PATIENCE_S)
    shown = b""
    while True:
        try:
            part = os.read(ours, 65536)
        except OSError:  # the other end is closed, and all is read
            break
        if not part:
            break
        shown += part
    os.close(ours)
    return running.returncode, shown.decode(), out


@pytest.mark.parametrize("answer", ["3\n", "dipole r3\n", "nonsense\n17\ndipole r3\n"])
def test_the_antenna_is_asked_for_with_those_that_there_are(answer: str) -> None:
    status, shown, out = typed(answer)
    assert status == 0, shown
    assert "which one?" in shown
    for name in ("reference dipole", "range dipole", "dipole r3", "yagi r2"):
        assert name in shown
    assert "dipole r3" in out


def test_without_a_terminal_nobody_is_asked() -> None:
    done = subprocess.run(
        CHECK, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=PATIENCE_S,
        check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert "has no default and must be given: an antenna" in done.stderr
    assert "one of: reference dipole, range dipole, dipole r3, yagi r2" in done.stderr
