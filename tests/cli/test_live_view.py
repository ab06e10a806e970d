"""The live look's picture in a terminal, as text."""

from __future__ import annotations

from typing import Any

import numpy as np

from benchd.cli.live_view import line_of, picture

GRID_HZ = np.linspace(1.5e9, 1.9e9, 41)


def look(shown: str = "return-loss", **more: Any) -> dict[str, Any]:
    return {
        "shown": shown, "unit": "dBm" if shown == "level" else "dB", "wanted_hz": 1.7e9,
        "frequency_hz": GRID_HZ.tolist(), **more,
    }  # fmt: skip


def sweep(values: Any, range_db: Any = None) -> dict[str, Any]:
    at = int(np.argmax(values))
    return {
        "number": 7, "values": list(values), "sweeps": 10, "range_db": range_db,
        "peak": {"frequency_hz": float(GRID_HZ[at]), "value": float(values[at])}, "trouble": "",
    }  # fmt: skip


def drawn(document: dict[str, Any], one: dict[str, Any]) -> list[str]:
    return [line.plain for line in picture(document, one, 41, 16)]


def test_the_dip_hangs_deepest_at_its_frequency() -> None:
    values = np.where(np.abs(GRID_HZ - 1.6e9) < 15e6, 18.0, 2.0)
    lines = drawn(look(), sweep(values))
    filled = [line.partition("│")[2].count("█") for line in lines[:16]]
    assert filled == sorted(filled, reverse=True)
    deep = [line.partition("│")[2] for line in lines[8:13]]
    assert {line.index("█") for line in deep} == {9}
    assert {line.count("█") for line in deep} == {3}
    # What is wanted is marked where nothing hangs, and below.
    assert all(line[20] == "┊" for line in deep)
    assert "^ 1.7 GHz" in lines[16]


def test_rows_are_labelled_with_round_values() -> None:
    lines = drawn(look(), sweep(np.full(41, 12.0)))
    labels = [line.partition("│")[0].strip() for line in lines[:16]]
    assert [label for label in labels if label] == ["0", "5", "10", "15"]
    levels = drawn(look("level"), sweep(np.linspace(-60.0, -33.0, 41)))
    labels = [line.partition("│")[0].strip() for line in levels[:16]]
    assert [label for label in labels if label] == ["-30", "-35", "-40", "-45", "-50", "-55"]


def test_the_strip_is_full_where_somebody_moves() -> None:
    moved = np.where(GRID_HZ > 1.8e9, 4.0, 0.0)
    strip = drawn(look(), sweep(np.full(41, 12.0), moved.tolist()))[-1].partition("│")[2]
    assert strip == " " * 31 + "█" * 10


def test_a_sweep_in_one_line_tells_dip_wanted_and_how_much_it_moves() -> None:
    values = 10.0 + 5.0 * np.exp(-(((GRID_HZ - 1.65e9) / 20e6) ** 2))
    moved = np.where(GRID_HZ[30] == GRID_HZ, 0.5, 0.1)
    assert line_of(look(), sweep(values, moved.tolist())) == (
        "deepest 15.0 dB at 1.65 GHz; 10.0 dB at 1.7 GHz; the last 10 differ by up to 0.50 dB "
        "(at 1.8 GHz)"
    )
    assert line_of(look("level", wanted_hz=3e9), sweep(values)) == "highest 15.0 dBm at 1.65 GHz"
