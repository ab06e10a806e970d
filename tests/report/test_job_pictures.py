"""Which pictures a job gets: what matters first, each reduction its own, levels when asked."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchd.report.plots import JobPlots, plot_job
from benchd.results import Result, ResultRecord
from benchd.sweeps import SweepAsRun
from benchd.traces import Capture, Form, Role, Trace
from tests.report.named import gather

NOW = datetime(2026, 3, 1, 21, 4, 5, tzinfo=UTC)
GRID_HZ = np.linspace(1.5e9, 1.9e9, 41)
JOB, OTHER = "job-0000000000000001", "job-0000000000000002"


def capture(name: str, role: Role, level_dbm: Any, **more: Any) -> Capture:
    traces = (
        Trace("level", Form.LEVEL_DBM, GRID_HZ, np.broadcast_to(level_dbm, GRID_HZ.shape) + 0.0),
        Trace("noise", Form.LEVEL_DBM, GRID_HZ[::20], np.full(3, -98.0)),
    )
    fields: dict[str, Any] = {
        "id": f"cap-{name}", "bench": "workshop", "job_id": JOB, "step": name, "role": role,
        "route": "middle", "position": None, "antenna": None, "traces": traces,
        "settings": SweepAsRun(
            method="stepped", start_hz=1.5e9, stop_hz=1.9e9, points=GRID_HZ.size, level_dbm=-10.0,
            resolution_bandwidth_hz=1e4,
        ), "fixtures": {},
        "instruments": {}, "taken_at": NOW, "recipe_hash": "c0ffee", "worksheet_hash": "feed",
    }  # fmt: skip
    return Capture(**{**fields, **more})


def job(curves: dict[str, Any], results: list[tuple[str, Result]], **more: Any) -> JobPlots:
    traces = [
        Trace(name, Form.RATIO_DB, GRID_HZ, np.broadcast_to(values, GRID_HZ.shape) + 0.0)
        for name, values in curves.items()
    ]
    records = [
        ResultRecord(f"res-{n}", "workshop", JOB, step, "demo", "c0ffee", "feed", {}, NOW, result)
        for n, (step, result) in enumerate(results)
    ]
    made = JobPlots("demo", "workshop", JOB, NOW, reduced=gather(traces), records=records)
    return replace(made, **more)


def stems(paths: list[Path]) -> list[str]:
    """Names of the pictures, in their order, each once."""
    return list(dict.fromkeys(path.stem for path in paths))


def texts(folder: Path, stem: str) -> list[str]:
    root = ET.parse(folder / f"{stem}.svg").getroot()
    return ["".join(node.itertext()).strip() for node in root.iter() if node.tag.endswith("}text")]


def verdict(kind: str, value: float = 0.0) -> Result:
    return Result(f"{kind}_verdict", value, "1", None, None)


def spread(name: str, value: float, **more: Any) -> Result:
    return Result(name, value, "dB", 0.1, 2.0, value - 0.1, value + 0.1, **more)


# Of each qualification: its curves, results, settings; the pictures and some of their words.
QUALIFICATIONS: dict[str, tuple[dict[str, Any], list[Result], dict[str, float], dict[str, Any]]] = {
    "coupler": (
        {"effective_directivity": 31.0, "effective_source_match": 19.0, "joint_reflection": 45.0},
        [verdict("coupler", 1.0), spread("effective_directivity", 31.0, frequency_hz=1.7e9)],
        {"least_db": 25.0},
        {"coupler": ["good enough", "effective directivity", "25 dB of directivity needed"]},
    ),
    "repeatability": (
        {"repeatability_spread": 0.05}, [verdict("repeatability")], {"limit_db": 0.1},
        {"repeatability": ["not good enough", "repeatability spread", "0.1 dB allowed"]},
    ),
    "comparison": (
        {"difference": 0.4, "difference/low": 0.1, "difference/high": 0.7},
        [verdict("comparison"), spread("difference", 0.4, frequency_hz=1.7e9)],
        {"worth_db": 0.5},
        {"comparison-difference": ["difference", "0.5 dB matters", "95 % interval"]},
    ),
    "leakage": (
        {"shielding lid": 41.0, "shielding cable entry": 22.0}, [verdict("leakage")],
        {"least_db": 20.0},
        {"leakage-shielding": ["shielding, lid", "shielding, cable entry", "20 dB needed"]},
    ),
    "stillness": (
        {"stillness_spread_closed": 0.02, "stillness_spread_open": 0.8}, [verdict("stillness")],
        {"limit_db": 0.1},
        {"stillness": ["stillness spread closed", "stillness spread open", "0.1 dB allowed"]},
    ),
    "reflectivity": (
        {"box_gain_spread": 1.2, "reflected_level end walls": -22.0,
         "reflected_level side walls": -25.0},
        [verdict("reflectivity")], {},
        {"reflectivity-what-the-box-does-to-a-gain": ["box gain spread"],
         "reflectivity-reflected-level": ["reflected level, end walls"]},
    ),
}  # fmt: skip


@pytest.mark.parametrize("kind", QUALIFICATIONS)
def test_each_qualification_draws_what_it_found_beside_its_limit(kind: str, tmp_path: Path) -> None:
    curves, results, settings, expected = QUALIFICATIONS[kind]
    drawn = plot_job(
        job(
            {f"{kind}/{name}": values for name, values in curves.items()},
            [(f"reduce {kind}", result) for result in results],
            settings={kind: settings},
        ),
        tmp_path,
    )
    assert stems(drawn) == list(expected)
    for stem, words in expected.items():
        found = texts(tmp_path, stem)
        for word in words:
            assert word in found, f"{word} in {found}"


def test_drift_is_drawn_over_time_beside_the_temperature(tmp_path: Path) -> None:
    captures = [
        capture(
            f"night-{hour}", Role.SHORT, -30.0 + 0.02 * hour,
            taken_at=NOW + timedelta(hours=hour), readings={"temperature_c": 20.0 + hour},
        )
        for hour in (3, 0, 1, 2)
    ]  # fmt: skip
    ids = tuple(one.id for one in captures)
    results = [
        replace(verdict("drift", 1.0), captures=ids),
        Result("max_age", 7200.0, "s", None, None, captures=ids),
        spread("drift", 0.06, captures=ids),
    ]
    drawn = plot_job(
        job({"drift/drift_whole_watch": 0.06}, [("drift", one) for one in results],
            captures=captures, settings={"drift": {"limit_db": 0.1}}),
        tmp_path,
    )  # fmt: skip
    assert stems(drawn) == ["drift-over-time", "drift-drift-over-the-whole-watch"]
    found = texts(tmp_path, "drift-over-time")
    for word in ("Time since the first capture, h", "0.1 dB allowed", "Temperature (dotted), °C",
                 "Greatest age of a baseline", "2 h 00 min"):  # fmt: skip
        assert word in found, found


def test_differences_of_two_revisions_stand_beside_the_line_of_none(tmp_path: Path) -> None:
    results = [
        Result("return_loss_difference", 0.4, "dB", 0.9, 2.0, -0.5, 1.3, 1.7e9, antenna="r4"),
        Result("resonance_frequency_difference", -12e6, "Hz", 3e6, 2.0, -15e6, -9e6, antenna="r4"),
        Result("largest_difference", 0.4, "dB", None, None),
    ]
    drawn = plot_job(job({}, [("revision-comparison", one) for one in results]), tmp_path)
    assert stems(drawn) == ["revision-comparison-differences"]
    found = texts(tmp_path, "revision-comparison-differences")
    for word in ("Return loss difference, 1.7 GHz", "0.40 dB ± 0.90 dB", "Resonance difference",
                 "-12.0 MHz ± 3.0 MHz", "MHz"):  # fmt: skip
        assert word in found, found
    assert not [word for word in found if word.startswith("Largest")]


def test_gains_of_three_antennas_find_their_results(tmp_path: Path) -> None:
    names = ("range dipole", "reference dipole", "yagi/r2")
    curves: dict[str, Any] = {}
    results = []
    for number, name in enumerate(names):
        gain_dbi = 2.0 + 3 * number
        curves[f"gains/{name}/realised_gain"] = gain_dbi
        curves[f"gains/{name}/realised_gain/low"] = gain_dbi - 1
        curves[f"gains/{name}/realised_gain/high"] = gain_dbi + 1
        results += [
            Result("realised_gain", gain_dbi, "dBi", 1.0, 2.0, gain_dbi - 1, gain_dbi + 1, 1.7e9,
                   antenna=name),
            Result("realised_gain_mean", gain_dbi, "dBi", 1.0, 2.0, gain_dbi - 1, gain_dbi + 1,
                   band_hz=(1.5e9, 1.9e9), antenna=name),
        ]  # fmt: skip
    drawn = plot_job(job(curves, [("reduce gains", one) for one in results]), tmp_path)
    assert stems(drawn) == ["gains-gain"]
    found = texts(tmp_path, "gains-gain")
    for number, name in enumerate(names):
        assert f"{name}: realised gain" in found
        assert f"{name}, 1.7 GHz" in found
        assert f"{2.0 + 3 * number:.1f} dBi" in found
    assert ", ".join(names) in found


def levels(**more: Any) -> JobPlots:
    """A return loss against baselines of another job, and one capture that nothing has used."""
    captures = [
        capture("test", Role.TEST, -45.0, antenna="dipole r3"),
        capture("short", Role.SHORT, -30.5, job_id=OTHER),
        capture("open", Role.OPEN, -30.0, job_id=OTHER),
        capture("spare", Role.EMPTY, -90.0, route="range"),
    ]
    result = Result("return_loss", 15.0, "dB", 1.0, 2.0, 14.0, 16.0, 1.7e9, antenna="dipole r3",
                    captures=("cap-test", "cap-open", "cap-short"))  # fmt: skip
    made = job({"dipole/return_loss": 15.0}, [("dipole", result)], captures=captures)
    return replace(made, **more)


def test_levels_are_drawn_when_asked_for_and_those_of_one_result_together(tmp_path: Path) -> None:
    assert stems(plot_job(levels(), tmp_path / "plain")) == ["dipole-return-loss"]
    drawn = stems(plot_job(levels(), tmp_path / "all", levels=True))
    assert drawn == ["dipole-return-loss", "dipole-levels", "levels-range"]
    found = texts(tmp_path / "all", "dipole-levels")
    legend = [word for word in found if word.endswith("(middle)")]
    assert legend == ["open (middle)", "short (middle)", "test (middle)"]
    assert "dipole r3" in found


def test_a_job_without_results_shows_its_levels_unasked(tmp_path: Path) -> None:
    made = levels(reduced=(), records=())
    assert stems(plot_job(made, tmp_path)) == ["levels-middle", "levels-range"]


def test_the_noise_floor_is_drawn_where_it_was_read(tmp_path: Path) -> None:
    plot_job(levels(), tmp_path, levels=True)
    found = texts(tmp_path, "dipole-levels")
    assert found.count("noise floor, RF off") == 1
    assert "-98 dBm" in found
    ticks = [float(word) for word in found if word.lstrip("-").isdigit()]
    assert min(ticks) <= -90, "the axis reaches down to the noise"


def test_of_many_captures_the_first_and_the_last_stand_out(tmp_path: Path) -> None:
    captures = [
        capture(f"{n:02d}", Role.SHORT, -30.0 - 0.1 * n, taken_at=NOW + timedelta(minutes=n))
        for n in range(12)
    ]
    plot_job(levels(reduced=(), records=(), captures=captures), tmp_path)
    found = texts(tmp_path, "levels-middle")
    assert [word for word in found if word.endswith("(middle)") or "between" in word] == [
        "10 between", "first: short (middle)", "last: short (middle)",
    ]  # fmt: skip
