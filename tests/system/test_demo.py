"""The demo as a user starts it: to its end, with its exit status, and what it leaves behind."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.patience import PATIENCE_S


def demo(*options: str) -> str:
    """What it prints. Fails if it does not end well."""
    ran = subprocess.run(
        [sys.executable, "-m", "benchd", "demo", *options],
        capture_output=True, text=True, timeout=1500, check=False,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr[-3000:]
    return ran.stdout


def test_the_demo_ends_by_itself_with_results_messages_and_plots(tmp_path: Path) -> None:
    said = demo("--out", str(tmp_path))
    for words in (
        "Resonance",
        "Trim per arm",
        "Realised gain",
        "gaps in the sequence: none",
        "benchd demo --stay tells the page's address",
    ):
        assert words in said
    plots = {path.suffix for path in (tmp_path / "plots").rglob("*.*")}
    assert plots == {".png", ".svg"}


def test_the_demo_tells_a_bad_box_from_a_good_one(tmp_path: Path) -> None:
    """Six questions each, with the requests of the recipes answered by a simulated person."""
    said = demo("--qualify", "--out", str(tmp_path))
    bad, good = said.split("virtual bench good-box")
    answers = [
        [word for line in part.splitlines() for word in ("yes", "no") if f"?  {word}" in
         " ".join(line.split("  ")) or f"   {word}   " in line]
        for part in (bad, good)
    ]  # fmt: skip
    assert answers == [["no"] * 6, ["yes"] * 6]
    assert "this box cannot support a gain claim better than" in bad


def test_what_ends_by_itself_cannot_stay(tmp_path: Path) -> None:
    ran = subprocess.run(
        [sys.executable, "-m", "benchd", "demo", "--qualify", "--stay", "--out", str(tmp_path)],
        capture_output=True, text=True, timeout=PATIENCE_S, check=False,
    )  # fmt: skip
    assert ran.returncode == 1
    assert "--qualify ends by itself; leave --stay out." in ran.stderr
    assert list(tmp_path.iterdir()) == []
