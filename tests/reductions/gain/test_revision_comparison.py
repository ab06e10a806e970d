"""Two revisions held against each other: what cancels, what does not, and what would be seen."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import GTC
import numpy as np
import pytest
from numpy.testing import assert_allclose

from benchd.errors import ReductionRefused
from benchd.results import Result
from benchd.store import JobState
from tests.reductions.captures import Notebook, changed, one, terms_of
from tests.reductions.gain.test_gain_reduction import OPTIONS

AT = 1.7e9
COMPARE: dict[str, Any] = {
    "quantity": "realised_gain", "first": "dipole r3", "second": "yagi r2",
    "first_job": None, "second_job": None,
}  # fmt: skip


def measure(
    notebook: Notebook, antenna: str, level_dbm: float, at_s: float, mount: str = "mount_a"
) -> Result:
    """A gain against the reference dipole in a job of its own, stored."""
    notebook.new_job()
    notebook.capture("ref", "reference", -45.0, at_s=at_s, position=mount,
                     antenna="reference dipole")  # fmt: skip
    notebook.capture("test", "test", level_dbm, at_s=at_s + 60, position="mount_b",
                     antenna=antenna)  # fmt: skip
    notebook.at(at_s + 120)
    options = {**OPTIONS, "antenna": antenna}
    found = notebook.reduce("gain", {"test": "test", "reference": "ref"}, keep_as="gain", **options)
    return one(found, "realised_gain")


def compare(notebook: Notebook, at_s: float, **changes: Any) -> Result:
    """In a job of its own, started at a time."""
    notebook.at(at_s)
    notebook.store.set_state(notebook.new_job(), JobState.RUNNING)
    found = notebook.reduce("revision-comparison", {}, **{**COMPARE, **changes})
    return next(r for r in found if r.frequency_hz == AT)


def without_phase_centre(notebook: Notebook) -> None:
    antennas = dict(notebook.bench.antennas)
    antennas["yagi r2"] = changed(antennas["yagi r2"], phase_centre_m=None)
    notebook.with_bench(antennas=antennas)


def test_what_both_share_cancels_and_the_rest_adds_up_as_gtc_has_it(notebook: Notebook) -> None:
    """The oracle is GTC: each error is one uncertain number, the shared ones used in both gains."""
    without_phase_centre(notebook)
    first = measure(notebook, "dipole r3", -44.0, 0.0)
    second = measure(notebook, "yagi r2", -37.0, 1000.0)
    result = compare(notebook, 2000.0)
    assert_allclose(result.value, 7.0, atol=1e-9)
    assert (result.quantity, result.unit, result.antenna) == (
        "realised_gain_difference", "dB", "yagi r2",
    )  # fmt: skip

    shared = {"reference gain", "mismatch at reference", "reflection of reference", "linearity"}
    common = {
        name: GTC.ureal(0.0, line.contribution, line.degrees_of_freedom)
        for name, line in terms_of(first).items()
        if name in shared
    }
    gains = []
    for gain in (first, second):
        total = GTC.ureal(0.0, 0.0)
        for name, line in terms_of(gain).items():
            sign = math.copysign(1.0, line.sensitivity)
            mine = GTC.ureal(0.0, line.contribution, line.degrees_of_freedom)
            total = total + sign * common.get(name, mine)
        gains.append(total)
    # 7 dB apart on a scale of +-0.2 dB: 7/10 of it comes back.
    scale = GTC.ureal(0.0, 0.2 * 0.7 / math.sqrt(3.0))
    oracle = gains[1] - gains[0] + scale
    assert result.budget is not None
    assert_allclose(result.budget.standard, oracle.u, rtol=1e-6)
    alone = math.hypot(terms_of(first)["box"].contribution, terms_of(second)["box"].contribution)
    assert result.budget.standard > alone


def test_one_reference_on_two_mounts_shares_its_gain_but_not_its_mismatch(
    notebook: Notebook,
) -> None:
    measure(notebook, "dipole r3", -44.0, 0.0)
    measure(notebook, "yagi r2", -37.0, 1000.0, mount="mount_b")
    here = compare(notebook, 2000.0)
    assert here.budget is not None
    sources = [line.source for line in here.budget.terms if line.name == "mismatch at reference"]
    assert len(set(sources)) == 2
    gains = [line.source for line in here.budget.terms if line.name == "reference gain"]
    assert set(gains) == {"gain of reference dipole"}


def test_the_drift_of_one_night_is_not_that_of_the_next(notebook: Notebook) -> None:
    """Errors that are one within a measurement (both edges of a band, three transmissions) keep
    their source there and must not cancel between measurements."""
    from benchd.reduce.compare import compare_results
    from benchd.reduce.uncertainty import combine, term
    from benchd.reductions.shared_errors import own_errors

    lines = (term("drift", 0.3, "dB", source="drift"), term("baseline", 0.1, "dB",
             source="left-over of baseline 1"))  # fmt: skip
    budget = combine(lines, estimate=20.0)
    result = Result("return_loss", 20.0, "dB", 0.6, 2.0, frequency_hz=AT, budget=budget)
    records = []
    for number in (1, 2):
        notebook.new_job()
        records.append(notebook.result(result, at_s=float(number)))
    found = compare_results(own_errors(records[0]), own_errors(records[1]))
    assert found.budget is not None
    assert_allclose(found.budget.standard, 0.3 * math.sqrt(2.0), rtol=1e-12)


def test_no_difference_comes_with_what_would_have_been_seen(notebook: Notebook) -> None:
    """k u decides, and a further 1.645 u is needed to be seen in 95 % (in kind ISO 11843-1)."""
    without_phase_centre(notebook)
    measure(notebook, "dipole r3", -40.0, 0.0)
    measure(notebook, "yagi r2", -39.9, 1000.0)
    result = compare(notebook, 2000.0)
    assert result.budget is not None
    visible = result.budget.expanded + 1.6449 * result.budget.standard
    assert result.note.startswith(
        f"No difference seen; a difference above {visible:.2g} dB would have been seen."
    )
    assert "dipole r3 in job-" in result.note


def test_a_difference_beyond_its_uncertainty_is_one(notebook: Notebook) -> None:
    measure(notebook, "dipole r3", -44.0, 0.0)
    measure(notebook, "yagi r2", -30.0, 1000.0)
    assert compare(notebook, 2000.0).note.startswith("The two differ.")


def test_what_the_place_does_to_one_antenna_twice_cancels_but_for_its_placing(
    notebook: Notebook,
) -> None:
    """A tenth of the box's, the distance's and the port's error comes back, twice; cable, noise
    and drift of each measurement stay in full, and walls act anew on either fit: a twentieth of the
    2.7 dB that one path strays by (RSS by hand)."""
    first = measure(notebook, "dipole r3", -44.0, 0.0)
    before = notebook.job
    measure(notebook, "dipole r3", -44.0, 1000.0)
    result = compare(notebook, 2000.0, second="dipole r3", first_job=before)
    assert result.budget is not None
    alone = {name: line.contribution for name, line in terms_of(first).items()}
    place = [size for name, size in alone.items() if name.startswith(
        ("box", "range and phase centre", "finite range", "mismatch at test"))]  # fmt: skip
    shared = ("reference gain", "mismatch at reference", "reflection of reference", "linearity")
    own = [
        size for name, size in alone.items() if size not in place and not name.startswith(shared)
    ]
    walls = 0.05 * 2.7
    expected = math.sqrt(2.0) * math.hypot(*own, *(0.1 * size for size in place), walls)
    assert_allclose(result.budget.standard, expected, rtol=1e-6)
    assert result.budget.standard < 0.5 * math.hypot(*alone.values())


def test_gains_far_apart_share_nothing_of_the_place(notebook: Notebook) -> None:
    first = measure(notebook, "dipole r3", -44.0, 0.0)
    before = notebook.job
    measure(notebook, "dipole r3", -40.0, 1000.0)
    result = compare(notebook, 2000.0, second="dipole r3", first_job=before)
    assert result.budget is not None
    box = next(line for name, line in terms_of(first).items() if name.startswith("box"))
    assert result.budget.standard > math.sqrt(2.0) * box.contribution


def test_one_antenna_in_two_jobs(notebook: Notebook) -> None:
    measure(notebook, "dipole r3", -44.0, 0.0)
    before = notebook.job
    measure(notebook, "dipole r3", -43.0, 1000.0)
    result = compare(notebook, 2000.0, second="dipole r3", first_job=before)
    assert_allclose(result.value, 1.0, atol=1e-9)


def test_results_that_came_after_the_job_began_are_not_looked_at(notebook: Notebook) -> None:
    """So that reducing again gives the same comparison."""
    without_phase_centre(notebook)
    measure(notebook, "dipole r3", -44.0, 0.0)
    measure(notebook, "yagi r2", -37.0, 1000.0)
    compare(notebook, 2000.0)
    job = notebook.job
    measure(notebook, "yagi r2", -30.0, 3000.0)
    notebook.job = job
    again = notebook.reduce("revision-comparison", {}, **COMPARE)
    assert_allclose(next(r for r in again if r.frequency_hz == AT).value, 7.0, atol=1e-9)


def test_what_was_never_measured_cannot_be_compared(notebook: Notebook) -> None:
    measure(notebook, "dipole r3", -44.0, 0.0)
    with pytest.raises(ReductionRefused, match='no stored realised_gain of "yagi r2" to compare'):
        notebook.reduce("revision-comparison", {}, **COMPARE)


def test_two_analyzers_share_no_scale(notebook: Notebook, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each scale's error then counts in full, and nothing is added for the distance."""
    from tests.reductions import captures

    without_phase_centre(notebook)
    first = measure(notebook, "dipole r3", -44.0, 0.0)
    monkeypatch.setitem(captures.INSTRUMENTS, "analyzer", "Workshop,Analyzer-6G,0009")
    measure(notebook, "yagi r2", -37.0, 1000.0)
    result = compare(notebook, 2000.0)
    assert result.budget is not None
    lines = [line for line in result.budget.terms if line.name == "linearity"]
    assert len({line.source for line in lines}) == 2
    assert "scale between the two" not in terms_of(result)
    assert terms_of(first)["linearity"].source == "linearity of Workshop,Analyzer-6G,0002"


def test_dips_are_compared_where_they_lie_not_by_which_is_deeper(notebook: Notebook) -> None:
    """Two modes at 1.70 and 1.77 GHz; the second revision has both 3 MHz higher and the other one
    deeper. Deepest against deepest they would differ by 73 MHz; each dip moved by 3."""
    grid = np.round(np.linspace(1.6e9, 1.87e9, 271))

    def two_db(ohms: tuple[float, float], moved_hz: float) -> Any:
        impedance = sum(
            ohm / (1 + 1j * 60.0 * (grid / f0 - f0 / grid))
            for ohm, f0 in zip(ohms, (1.70e9 + moved_hz, 1.77e9 + moved_hz), strict=True)
        )
        return 20 * np.log10(np.abs((impedance - 50) / (impedance + 50)))

    reflections = (("dipole r3", (46.0, 40.0), 0.0), ("yagi r2", (40.0, 46.0), 3e6))
    for number, (antenna, ohms, moved_hz) in enumerate(reflections):
        notebook.new_job()
        at_s = 1000.0 * number
        for role in ("open", "short"):
            notebook.capture(role, role, -20.0, at_s=at_s, route="middle", position=role,
                             grid_hz=grid)  # fmt: skip
        notebook.capture("test", "test", -20.0 + two_db(ohms, moved_hz), at_s=at_s + 60,
                         route="middle", position="antenna", antenna=antenna,
                         grid_hz=grid)  # fmt: skip
        notebook.at(at_s + 120)
        options = {"design_frequency_hz": 1.7e9, "bandwidth_level_db": 10.0, "vswr_limit": None,
                   "at_hz": [1.7e9], "antenna": antenna}  # fmt: skip
        notebook.reduce("reflection", {"test": "test"}, keep_as="reflection",
                        baseline={"open": "open", "short": "short"}, **options)  # fmt: skip
    notebook.at(3000.0)
    notebook.store.set_state(notebook.new_job(), JobState.RUNNING)
    changes = {**COMPARE, "quantity": "resonance_frequency"}
    found = notebook.reduce("revision-comparison", {}, **changes)
    assert [result.quantity for result in found] == [
        "resonance_frequency_difference", "further_resonance_frequency_difference",
    ]  # fmt: skip
    # The one that was the deepest is not the deepest any more, and that is said.
    assert ["another-dip" in result.flags for result in found] == [True, False]
    for result in found:
        assert_allclose(result.value, 3e6, atol=1.5e6)
        assert result.low < 3e6 < result.high


def test_antennas_fitted_again_meet_the_walls_a_little_otherwise(notebook: Notebook) -> None:
    """Like dipoles differ by next to nothing at one place, but each fit is a place of its own: a
    twentieth of what one path strays by, for each of the two, and by hand for the reference's two.
    """
    table = type(notebook.bench.box.gain_spread_db)  # type: ignore[union-attr]
    box = changed(
        notebook.bench.box,
        path_spread_db=table(frequency_hz=(AT,), values=(2.0,)),
        path_spread_of=["range dipole", "dipole r3"],
        path_spread_positions=None,
    )
    notebook.with_bench(box=box)
    for at_s, mount, fits in ((0.0, "mount_a", 2), (4000.0, "mount_b", 4)):
        measure(notebook, "dipole r3", -44.0, at_s, mount)
        measure(notebook, "reference dipole", -44.0, at_s + 1000.0, mount)
        found = compare(notebook, at_s + 2000.0, second="reference dipole")
        placed = terms_of(found)["placed again"]
        assert_allclose(placed.size, 0.05 * 2.0 * math.sqrt(fits), rtol=1e-12)
        assert not placed.assumed


def test_what_was_measured_before_a_cut_is_not_compared_unless_its_job_is_named(
    notebook: Notebook,
) -> None:
    """Else the gain would be that of the uncut antenna, and the match that of the cut one."""
    without_phase_centre(notebook)
    measure(notebook, "dipole r3", -44.0, 0.0)
    before = notebook.job
    measure(notebook, "yagi r2", -37.0, 1000.0)
    session = notebook.new_job()
    look = notebook.capture("look 2", "test", -40.0, at_s=2000.0, antenna="dipole r3")
    cut = Result("removed_length", 0.5e-3, "m", 1e-4, 2.0, captures=(look.id,))
    notebook.result(replace(cut, antenna="dipole r3"), at_s=2001.0)
    with pytest.raises(ReductionRefused, match=f'"dipole r3" was cut in {session} after'):
        compare(notebook, 3000.0)
    assert f"dipole r3 in {before}" in compare(notebook, 3000.0, first_job=before).note
    measure(notebook, "dipole r3", -43.0, 4000.0)
    assert_allclose(compare(notebook, 5000.0).value, 6.0, atol=1e-9)


def test_a_look_without_a_cut_leaves_older_results_as_they_are(notebook: Notebook) -> None:
    without_phase_centre(notebook)
    measure(notebook, "dipole r3", -44.0, 0.0)
    measure(notebook, "yagi r2", -37.0, 1000.0)
    notebook.new_job()
    look = notebook.capture("look 2", "test", -40.0, at_s=2000.0, antenna="dipole r3")
    nothing = Result("removed_length", 0.0, "m", 1e-4, 2.0, captures=(look.id,))
    notebook.result(replace(nothing, antenna="dipole r3"), at_s=2001.0)
    assert_allclose(compare(notebook, 3000.0).value, 7.0, atol=1e-9)
