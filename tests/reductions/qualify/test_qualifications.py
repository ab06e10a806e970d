"""From stored captures to verdicts, and from there into later budgets."""

from __future__ import annotations

import numpy as np
import pytest

from benchd.errors import BenchdError
from benchd.known.qualification_results import (
    BOX_SPREAD,
    DIRECTIVITY,
    REPEATABILITY,
    newest,
    newest_curve,
)
from benchd.known.reflection import coupler_over_frequency, reflection_knowledge
from benchd.results import Result
from tests.reductions.captures import GRID, NIGHT, Notebook, one

C = 299_792_458.0


def listed(key: str, names: list[str]) -> dict[str, str]:
    return {key if n == 0 else f"{key}_{n + 1}": name for n, name in enumerate(names)}


def first(results: tuple[Result, ...], quantity: str) -> Result:
    return next(result for result in results if result.quantity == quantity)


def joined(notebook: Notebook, sd_db: float) -> tuple[Result, ...]:
    draws = np.random.default_rng(3).normal(0.0, sd_db, 8)
    names = [f"joined {n}" for n in range(1, 9)]
    for name, draw in zip(names, draws, strict=True):
        notebook.capture(name, "test", -40.0 + draw, antenna="reference dipole")
    return notebook.reduce(
        "repeatability", listed("joined", names), keep_as="joints", at_hz=[1.7e9], limit_db=0.1
    )


def test_repeatability_is_found_by_later_budgets_with_its_freedom(notebook: Notebook) -> None:
    found = joined(notebook, 0.05)
    # Eight reconnections drawn with 0.05 dB show 0.071 dB, so 0.047 to 0.144 dB: 0.1 lies inside.
    verdict = one(found, "repeatability_verdict")
    assert (verdict.value, verdict.low, verdict.high) == (0.5, 0.0, 1.0)
    assert "Repeat more often" in verdict.note
    later = notebook.capture("later", "test", -40.0, at_s=3600.0, antenna="reference dipole")
    known = newest(notebook.store, REPEATABILITY, later)
    assert known is not None
    draws = np.random.default_rng(3).normal(0.0, 0.05, 8)
    assert known.value == pytest.approx(float(np.std(draws, ddof=1)), rel=1e-6)
    assert known.degrees_of_freedom == 7.0


def test_a_joint_far_below_its_limit_is_told_for_sure(notebook: Notebook) -> None:
    assert one(joined(notebook, 0.02), "repeatability_verdict").value == 1.0


def test_a_joint_far_above_its_limit_is_told_for_sure(notebook: Notebook) -> None:
    assert one(joined(notebook, 0.2), "repeatability_verdict").value == 0.0


def test_the_results_name_every_capture_and_the_antenna(notebook: Notebook) -> None:
    found = joined(notebook, 0.05)
    assert {len(result.captures) for result in found} == {8}
    assert {result.antenna for result in found} == {"reference dipole"}


def test_captures_taken_otherwise_are_refused(notebook: Notebook) -> None:
    names = ["joined 1", "joined 2", "joined 3"]
    for name, detector in zip(names, ("rms", "rms", "sample"), strict=True):
        notebook.capture(name, "test", -40.0, antenna="reference dipole", detector=detector)
    with pytest.raises(BenchdError, match="detector: the baseline has rms, the capture sample"):
        notebook.reduce("repeatability", listed("joined", names), at_hz=[], limit_db=0.1)


def test_walls_are_told_from_the_direct_ray_and_feed_the_gain_budget(notebook: Notebook) -> None:
    """A level that falls as 1/distance alone shows no walls, along as well as across."""
    along, across = [f"along {n}" for n in range(8)], [f"across {n}" for n in range(8)]
    for n in range(8):
        aside = 0.022 * (n - 3.5)
        for name, distance in ((along[n], 0.4 - 0.022 * n), (across[n], np.hypot(0.4, aside))):
            level = -40.0 - 20.0 * np.log10(distance / 0.4)
            notebook.capture(name, "test", level, antenna="reference dipole")
    captures = listed("along", along) | listed("across", across)
    found = notebook.reduce(
        "reflectivity", captures, keep_as="box", at_hz=[1.7e9], step_m=0.022, range_length_m=0.4,
        claim_db=2.0, needed_hz=1.6e9,
    )  # fmt: skip
    assert one(found, "reflectivity_verdict").value == 1.0
    assert one(found, "usable_from").value == GRID[0]
    later = notebook.capture("later", "test", -40.0, at_s=3600.0, antenna="reference dipole")
    curve = newest_curve(notebook.store, BOX_SPREAD, later, "box")
    assert curve is not None
    known = curve.at(1.7e9)
    assert known.value == pytest.approx(0.0, abs=1e-9)
    assert known.degrees_of_freedom == 14.0


def reflected(notebook: Notebook, directivity_db: float) -> tuple[Result, ...]:
    """Open, short and load of a coupler: d and S as two turning phasors."""
    d = 10.0 ** (-directivity_db / 20.0) * np.exp(-2j * np.pi * GRID * 1.1e-9)
    s = 0.1 * np.exp(-2j * np.pi * GRID * 2.4e-9)
    offset = np.exp(1j * (np.pi - 4.0 * np.pi * GRID * 73.4e-12))
    gammas = {"open": 1.0 + 0j, "short": -1.0 + 0j, "load": 0j, "offset short": offset}
    for name, gamma in gammas.items():
        level = -20.0 + 20.0 * np.log10(np.abs(d + gamma / (1.0 - s * gamma)))
        notebook.capture(name, "load" if name == "load" else "short", level, route="middle")
    return notebook.reduce(
        "coupler",
        {"open": "open", "short": "short", "load": "load", "offset_short": "offset short"},
        keep_as="coupler", at_hz=[1.7e9], offset_delay_s=73.4e-12, load_match_db=46.0,
        least_db=25.0,
    )  # fmt: skip


def test_a_coupler_as_stated_is_good_and_feeds_the_return_loss_budget(notebook: Notebook) -> None:
    found = reflected(notebook, 36.0)
    verdict = one(found, "coupler_verdict")
    assert verdict.value == 1.0, verdict.note
    later = notebook.capture("later", "test", -30.0, at_s=60.0, route="middle")
    known = newest(notebook.store, DIRECTIVITY, later)
    assert known is not None
    assert known.value == pytest.approx(36.0, abs=0.2)
    # The load of 46 dB beside a leak of 36 dB: 0.316 of it, u-shaped, so 0.22 standard; a joint of
    # 0.0015, the default, is 0.095 of it: 1/(2 r^2) (JCGM 100, G.4.2) is about 8.
    assert known.degrees_of_freedom == pytest.approx(0.5 / (0.316**2 / 2 + 0.095**2), rel=0.1)
    match = first(found, "effective_source_match")
    assert match.low is not None
    assert match.high is not None
    assert match.low <= 20.0 <= match.high


def test_a_source_match_that_hides_behind_the_leak_is_not_called_perfect(
    notebook: Notebook,
) -> None:
    """d and S of nearly one size in opposition show |w| near nothing: later budgets take the most
    that S may be, not the least."""
    d, turn = 10.0 ** (-20.0 / 20.0), np.exp(-2j * np.pi * (GRID - 1.7e9) * 1e-9)
    leak, match = d * turn, -0.9 * d * np.conj(turn)
    offset = np.exp(1j * (np.pi - 4.0 * np.pi * GRID * 73.4e-12))
    gammas = {"open": 1.0 + 0j, "short": -1.0 + 0j, "load": 0j, "offset short": offset}
    for name, gamma in gammas.items():
        level = -20.0 + 20.0 * np.log10(np.abs(leak + gamma / (1.0 - match * gamma)))
        notebook.capture(name, "load" if name == "load" else "short", level, route="middle")
    found = notebook.reduce(
        "coupler",
        {"open": "open", "short": "short", "load": "load", "offset_short": "offset short"},
        keep_as="coupler", at_hz=[1.7e9], offset_delay_s=73.4e-12, load_match_db=46.0,
        least_db=15.0,
    )  # fmt: skip
    result = first(found, "effective_source_match")
    assert result.low is not None
    assert result.low <= 20.9
    assert result.high is None
    assert result.value < 60.0
    later = notebook.capture("later", "test", -30.0, at_s=60.0, route="middle")
    known = newest(notebook.store, "effective_source_match", later)
    assert known is not None
    assert known.value == pytest.approx(result.low, abs=0.5)
    assert known.value <= 20.9


def test_a_load_fitted_again_feeds_the_term_of_the_connector(notebook: Notebook) -> None:
    """Six fits of +-0.002 along the leak: s = 0.002 sqrt(6/5), five degrees of freedom."""
    d = 10.0 ** (-30.0 / 20.0)
    levels = {"open": 1.0, "short": 1.0, "load": d + 0.002}
    levels |= {f"again {turn}": d + 0.002 * (-1) ** turn for turn in range(1, 6)}
    for name, size in levels.items():
        level = np.full(GRID.shape, -20.0 + 20.0 * np.log10(size))
        role = name if name in ("open", "short") else "load"
        notebook.capture(name, role, level, route="middle")
    inputs = {"open": "open", "short": "short", "load": "load", "refits": "again 1"}
    inputs |= {f"refits_{turn}": f"again {turn}" for turn in range(2, 6)}
    found = notebook.reduce(
        "coupler", inputs, keep_as="coupler", at_hz=[1.7e9], offset_delay_s=None,
        load_match_db=46.0, least_db=25.0,
    )  # fmt: skip
    sd = 0.002 * np.sqrt(6.0 / 5.0)
    assert first(found, "joint_reflection").value == pytest.approx(-20 * np.log10(np.sqrt(2) * sd))
    later = notebook.capture("later", "test", -40.0, at_s=60.0, route="middle")
    opened = notebook.capture("opened", "open", -20.0, at_s=30.0, route="middle")
    known = reflection_knowledge(notebook.bench, later, {"open": opened}, notebook.store)
    here = coupler_over_frequency(known, notebook.bench, later, notebook.store)(1.7e9)
    for joint in (known.joint_gamma_sd, here.joint_gamma_sd):
        assert joint.value == pytest.approx(sd)
        assert joint.degrees_of_freedom == 5.0
        assert not joint.assumed
    stated = reflection_knowledge(notebook.bench, later, {"open": opened}).joint_gamma_sd
    assert stated.value == pytest.approx(10 ** (-58 / 20) / np.sqrt(2))
    assert not stated.assumed


def test_a_coupler_worse_than_its_bench_file_says_so(notebook: Notebook) -> None:
    """The file states 33 dB; 28 dB are enough for the limit of 25 dB, but not as stated."""
    verdict = one(reflected(notebook, 28.0), "coupler_verdict")
    assert verdict.value == 0.0
    assert "The bench file states a directivity of 33 dB, measured are 28 dB" in verdict.note


def test_shielding_and_listening_end_in_one_verdict(notebook: Notebook) -> None:
    notebook.capture("open lid", "test", -40.0, antenna="reference dipole")
    notebook.capture("closed lid", "test", -75.0, antenna="reference dipole")
    heard = np.full(GRID.size, -95.0)
    heard[20] = -60.0
    notebook.capture("listening", "empty", heard, noise_dbm=None, rf="off")
    found = notebook.reduce(
        "leakage", {"open": "open lid", "closed": "closed lid", "ingress": "listening"},
        at_hz=[], places=["lid"], least_db=20.0, reading_dbm=-50.0, disturbance_db=0.1,
    )  # fmt: skip
    assert one(found, "shielding_min").value == pytest.approx(35.0)
    assert one(found, "ingress_level").frequency_hz == GRID[20]
    verdict = one(found, "leakage_verdict")
    assert verdict.value == 0.0
    assert "A transmitter at 1.65 GHz enters with -60 dBm" in verdict.note


def test_a_night_is_read_by_the_captures_own_times_and_temperatures(notebook: Notebook) -> None:
    names = [f"night {n}" for n in range(1, 8)]
    for n, name in enumerate(names):
        notebook.capture(
            name, "short", -20.0 - 0.02 * n, at_s=3600.0 * n, route="middle",
            readings={"temperature_c": 21.0 + 0.5 * n},
        )  # fmt: skip
    assert NIGHT.tzinfo is not None
    found = notebook.reduce(
        "drift", listed("watched", names), at_hz=[], limit_db=0.07, needed_s=4 * 3600.0
    )
    assert one(found, "max_age").value == 3 * 3600.0
    assert one(found, "temperature_coefficient").value == pytest.approx(-0.04, rel=1e-9)
    assert one(found, "drift_verdict").value == 0.0
    assert one(found, "drift").value == pytest.approx(0.08)


def test_people_and_a_question_of_two_conditions(notebook: Notebook) -> None:
    rng = np.random.default_rng(9)
    captures: dict[str, str] = {}
    for key, sd_db in (("still", 0.02), ("closed", 0.02), ("open", 0.5)):
        names = [f"{key} {n}" for n in range(6)]
        for name in names:
            level = -40.0 + rng.normal(0.0, sd_db, GRID.size)
            notebook.capture(name, "test", level, antenna="reference dipole")
        captures |= listed(key, names)
    found = notebook.reduce("stillness", captures, at_hz=[1.7e9], limit_db=0.1)
    assert one(found, "stillness_verdict").value == 1.0
    assert "measure with it closed" in one(found, "stillness_verdict").note
    question = listed("first", [f"still {n}" for n in range(6)])
    question |= listed("second", [f"closed {n}" for n in range(6)])
    answer = notebook.reduce(
        "comparison", question, at_hz=[], names=["empty", "crowded"], repeatability_db=None,
        worth_db=0.5,
    )  # fmt: skip
    assert one(answer, "comparison_verdict").value == 1.0
    assert "would have been seen" in one(answer, "comparison_verdict").note
