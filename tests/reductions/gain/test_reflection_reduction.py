"""Return loss from stored captures: baselines in time, drift, qualification, walls."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from benchd.errors import NormalisationRefused
from benchd.known.level_drift import change_db, drift_db
from benchd.known.qualification_results import newest, newest_curve
from benchd.known.reflection import coupler_over_frequency, reflection_knowledge, wall_echo
from benchd.recipe import load_recipe, resolve
from benchd.reduce.budget_inputs import ASSUMED_TERM
from benchd.worksheet import ReduceStep
from tests.reductions.captures import NIGHT, Notebook, changed, contributions, one, terms_of

HOUR = 3600.0
AT = 1.7e9
GRID = np.round(np.linspace(1.45e9, 1.95e9, 101))
OPTIONS: dict[str, Any] = {
    "design_frequency_hz": AT,
    "bandwidth_level_db": 10.0,
    "vswr_limit": None,
    "at_hz": [AT],
    "antenna": "dipole r3",
}
BASELINE = {"open": "open", "short": "short"}
QUICK_LOOK = """
recipe: quick-look
title: Return loss of one antenna
sweeps:
  main: {centre: 1.7 GHz, span: 500 MHz, points: 101, level: -10 dBm,
         resolution_bandwidth: 10 kHz, detector: rms, dwell: 2 ms}
steps:
  - repeat:
      over: {standard: [open, short]}
      steps:
        - hands: {ask: "Fit the $standard to the port cable and close the lid."}
        - capture: {name: $standard, role: $standard, route: middle, sweep: main,
                    position: $standard}
  - hands: {ask: "Fit the antenna and close the lid."}
  - capture: {name: antenna, role: test, route: middle, position: antenna, antenna: dipole r3,
              sweep: main}
  - reduce:
      kind: reflection
      test: antenna
      baseline: {open: open, short: short}
      design_frequency: 1.7 GHz
"""


def dipole_db() -> Any:
    """A series resonator at 1.68 GHz of 70 ohm, Q 8."""
    impedance = 70.0 * (1 + 8j * (GRID / 1.68e9 - 1.68e9 / GRID))
    return 20 * np.log10(np.abs((impedance - 50) / (impedance + 50)))


def return_loss_db() -> float:
    return -float(np.interp(AT, GRID, dipole_db()))


def standards(notebook: Notebook, level_dbm: float, at_s: float, tail: str = "") -> None:
    for role in ("open", "short"):
        notebook.capture(role + tail, role, level_dbm, at_s=at_s, route="middle",
                         position=role, grid_hz=GRID)  # fmt: skip


def antenna(notebook: Notebook, level_dbm: float, at_s: float) -> Any:
    return notebook.capture("test", "test", level_dbm + dipole_db(), at_s=at_s, route="middle",
                            position="antenna", antenna="dipole r3", grid_hz=GRID)  # fmt: skip


def test_a_night_between_two_baselines_is_normalised_along_a_straight_line(
    notebook: Notebook,
) -> None:
    """-20.0 dBm at the opening, -19.2 dBm ten hours later: -19.4 dBm after 7.5 hours."""
    standards(notebook, -20.0, 0.0)
    antenna(notebook, -19.4, 7.5 * HOUR)
    standards(notebook, -19.2, 10 * HOUR, " after")
    closing = {"closing_open": "open after", "closing_short": "short after"}
    results = notebook.reduce("reflection", {"test": "test"}, baseline={**BASELINE, **closing},
                              **OPTIONS)  # fmt: skip
    result = one(results, "return_loss")
    assert_allclose(result.value, return_loss_db(), atol=1e-6)
    assert_allclose(terms_of(result)["drift"].size, 0.4, rtol=1e-9)
    assert len(result.captures) == 5


def test_a_capture_outside_of_the_bracket_is_refused(notebook: Notebook) -> None:
    standards(notebook, -20.0, 0.0)
    standards(notebook, -20.0, HOUR, " after")
    antenna(notebook, -20.0, 2 * HOUR)
    closing = {"closing_open": "open after", "closing_short": "short after"}
    with pytest.raises(NormalisationRefused, match="does not lie between the opening and the clo"):
        notebook.reduce("reflection", {"test": "test"}, baseline={**BASELINE, **closing}, **OPTIONS)


@pytest.mark.parametrize(("age_h", "flags"), [(9.5, ()), (9.7, ("baseline-old",))])
def test_a_baseline_near_its_greatest_age_is_flagged(
    notebook: Notebook, age_h: float, flags: tuple[str, ...]
) -> None:
    """From 80 % of it on."""
    standards(notebook, -20.0, 0.0)
    antenna(notebook, -20.0, age_h * HOUR)
    results = notebook.reduce("reflection", {"test": "test"}, baseline=BASELINE,
                              max_age_s=12 * HOUR, **OPTIONS)  # fmt: skip
    assert one(results, "return_loss").flags == flags


def test_the_workshop_states_enough_to_assume_nothing(notebook: Notebook) -> None:
    standards(notebook, -20.0, 0.0)
    antenna(notebook, -20.0, 60.0)
    results = notebook.reduce("reflection", {"test": "test"}, baseline=BASELINE, **OPTIONS)
    assert {result.quantity for result in results} >= {"return_loss", "bandwidth", "trim_per_arm"}
    assert [r.quantity for r in results if ASSUMED_TERM in r.flags] == []


def test_a_drift_that_is_not_stated_is_assumed(notebook: Notebook) -> None:
    instruments = dict(notebook.bench.instruments)
    instruments["generator"] = changed(instruments["generator"], drift=None)
    notebook.with_bench(instruments=instruments)
    standards(notebook, -20.0, 0.0)
    antenna(notebook, -20.0, 60.0)
    results = notebook.reduce("reflection", {"test": "test"}, baseline=BASELINE, **OPTIONS)
    assert terms_of(one(results, "return_loss"))["drift"].assumed


@pytest.mark.parametrize(
    ("age_s", "kelvin", "expected_db"),
    [
        (900.0, None, 0.02),  # a quarter of the hour: half of the change
        (3600.0, None, 0.04),
        (3 * 3600.0, None, 0.12),  # goes on evenly
        (900.0, 2.0, 0.03),  # 0.015 dB/K over 2 K
        (900.0, 0.0, 0.003),  # no thermometer tells 0.2 K
    ],
)
def test_drift_grows_with_age_or_follows_the_thermometer(
    notebook: Notebook, age_s: float, kelvin: float | None, expected_db: float
) -> None:
    analyzer: Any = notebook.bench.instruments["analyzer"]
    assert_allclose(change_db(analyzer.drift, age_s, kelvin), expected_db, rtol=1e-12)


def test_captures_that_tell_their_temperature_drift_by_it(notebook: Notebook) -> None:
    """Source 0.008 and analyzer 0.015 dB/K, both in one room: 0.023 dB/K over 3 K."""
    first, second = (
        notebook.capture(f"c{t}", "open", -20.0, at_s=9 * HOUR * n, route="middle", position="open",
                         readings={"temperature_c": t})
        for n, t in enumerate((20.0, 23.0))
    )  # fmt: skip
    found = drift_db(notebook.bench, "middle", first, second)
    assert found is not None
    assert_allclose(found.value, 0.069, rtol=1e-12)


def qualify(notebook: Notebook, **values: float) -> Any:
    """Qualification results of yesterday evening, on captures of the middle route."""
    made = notebook.capture("load", "load", -50.0, at_s=-7200.0, route="middle", position="load",
                            grid_hz=GRID)  # fmt: skip
    for quantity, value in values.items():
        over = dict.fromkeys((1400000000.0, 1700000000.0, 2000000000.0), value)
        notebook.qualified(quantity, over, made, at_s=-3600.0, step=quantity)
    return made


def test_what_was_measured_of_this_bench_goes_before_what_was_stated(notebook: Notebook) -> None:
    """Directivity 40 instead of 33 dB, source match 24 instead of 19, connectors 0.11 dB; each
    with the nine degrees of freedom of its qualification."""
    qualify(notebook, effective_directivity=40.0, effective_source_match=24.0,
            repeatability_spread=0.11)  # fmt: skip
    standards(notebook, -20.0, 0.0)
    antenna(notebook, -20.0, 60.0)
    results = notebook.reduce("reflection", {"test": "test"}, baseline=BASELINE, **OPTIONS)
    terms = terms_of(one(results, "return_loss"))
    sizes = {name: terms[name].size for name in ("directivity", "source match", "connector")}
    assert_allclose(sizes["directivity"], 0.01, rtol=1e-9)
    assert_allclose(sizes["source match"], 10 ** (-24 / 20), rtol=1e-9)
    assert_allclose(sizes["connector"], 0.11, rtol=1e-9)
    assert {terms[name].degrees_of_freedom for name in sizes} == {9.0}


def test_a_part_described_anew_since_makes_its_qualification_old(notebook: Notebook) -> None:
    """The bench file is then the newer word: it may be another coupler."""
    qualify(notebook, effective_directivity=40.0)
    fixtures = dict(notebook.bench.fixtures)
    fixtures["coupler"] = changed(fixtures["coupler"], note="a new one")
    notebook.with_bench(fixtures=fixtures)
    test = antenna(notebook, -20.0, 60.0)
    assert newest(notebook.store, "effective_directivity", test) is None
    known = reflection_knowledge(notebook.bench, test, {}, notebook.store)
    assert known.directivity_db.value == 33.0


def test_a_qualification_after_the_capture_does_not_change_its_results(notebook: Notebook) -> None:
    """Reducing again must give the same numbers."""
    made = qualify(notebook)
    notebook.qualified("effective_directivity", {1.4e9: 40.0, 2e9: 40.0}, made, at_s=HOUR)
    assert newest(notebook.store, "effective_directivity", antenna(notebook, -20.0, 60.0)) is None


def test_the_newest_qualification_counts_and_is_read_over_the_band(notebook: Notebook) -> None:
    """Least directivity over 1.45 to 1.95 GHz; between 1.4 and 2 GHz a straight line."""
    made = qualify(notebook)
    notebook.qualified("effective_directivity", {1.4e9: 20.0, 2e9: 20.0}, made, at_s=-50.0)
    notebook.qualified("effective_directivity", {1.4e9: 34.0, 2e9: 40.0}, made, at_s=-40.0,
                       step="again")  # fmt: skip
    test = antenna(notebook, -20.0, 60.0)
    least = newest(notebook.store, "effective_directivity", test)
    curve = newest_curve(notebook.store, "effective_directivity", test)
    assert least is not None
    assert curve is not None
    assert_allclose([least.value, curve.at(AT).value], [34.5, 37.0], rtol=1e-12)


def test_a_qualification_of_another_band_says_nothing_here(notebook: Notebook) -> None:
    made = qualify(notebook)
    notebook.qualified("effective_directivity", {0.5e9: 40.0, 1.2e9: 40.0}, made, at_s=-50.0)
    assert newest(notebook.store, "effective_directivity", antenna(notebook, -20.0, 60.0)) is None


def test_values_hold_as_mounted_unless_the_recipe_wants_free_space(notebook: Notebook) -> None:
    """Echo -27 dB: 0.0447; it enters with 1 - gamma^2 (u-shaped)."""
    standards(notebook, -20.0, 0.0)
    antenna(notebook, -20.0, 60.0)
    mounted = notebook.reduce("reflection", {"test": "test"}, baseline=BASELINE, **OPTIONS)
    free = notebook.reduce("reflection", {"test": "test"}, baseline=BASELINE, free_space=True,
                           **OPTIONS)  # fmt: skip
    here, there = one(mounted, "return_loss"), one(free, "return_loss")
    assert here.note == "As mounted in this box."
    assert there.note == "In free space: the walls of the box are in the uncertainty."
    assert here.value == there.value
    assert "box walls" not in contributions(here)
    gamma = 10 ** (-return_loss_db() / 20)
    expected = 20 / math.log(10) * 10 ** (-27 / 20) * (1 - gamma**2) / gamma / math.sqrt(2)
    assert_allclose(contributions(there)["box walls"], expected, rtol=1e-3)
    assert here.expanded_uncertainty is not None
    assert there.expanded_uncertainty is not None
    assert there.expanded_uncertainty > 1.5 * here.expanded_uncertainty
    shifts = [one(some, "resonance_frequency").expanded_uncertainty for some in (mounted, free)]
    assert shifts[1] > 1.3 * shifts[0]


def test_a_wall_echo_is_estimated_from_the_reflectivity_and_flagged(notebook: Notebook) -> None:
    """-12 dB walls at 0.2 m: 4 x 0.2512 x 1.6406 x lambda/(4 pi 0.4 m) = 0.0578."""
    assert notebook.bench.box is not None
    notebook.with_bench(box=changed(notebook.bench.box, echo_db=None))
    found = wall_echo(notebook.bench, "dipole r3", AT, AT)
    assert found.assumed
    wavelength = 299_792_458.0 / AT
    expected = 4 * 10 ** (-12 / 20) * 10 ** (2 * 2.15 / 20) * wavelength / (4 * math.pi * 0.4)
    assert_allclose(found.value, expected, rtol=1e-9)


def test_noise_of_the_captures_is_found_whatever_they_are(notebook: Notebook) -> None:
    """Scatter of test and standards: 0.3 dB, over the mean of two standards, after 9 repeats."""
    for role in ("open", "short"):
        notebook.capture(role, role, -20.0, route="middle", position=role, grid_hz=GRID,
                         scatter_db=0.6, average=9)  # fmt: skip
    test = notebook.capture("test", "test", -40.0, route="middle", position="antenna", grid_hz=GRID,
                            antenna="dipole r3", at_s=1.0, scatter_db=0.9, average=9)  # fmt: skip
    baselines = {c.step: notebook.store.capture(c.id) for c in notebook.store.captures()
                 if c.step != "test"}  # fmt: skip
    known = reflection_knowledge(notebook.bench, test, baselines)
    assert known.noise_sd_db is not None
    assert_allclose(known.noise_sd_db.value, math.hypot(0.3, 0.2 / math.sqrt(2)), rtol=1e-9)
    assert known.dynamic_range_db is not None
    assert_allclose(known.dynamic_range_db.value, 88.0, rtol=1e-9)
    assert (known.frequency_error.value, known.frequency_error.assumed) == (2e-6, False)


@pytest.mark.parametrize("closing", [False, True])
def test_noise_in_the_baseline_makes_no_reflection_smaller(
    notebook: Notebook, closing: bool
) -> None:
    """An rms detector adds the noise's power, -108 dBm, to a baseline of -98 dBm as to the antenna:
    0.41 dB on the baseline. The reflection is what it is without noise, by subtraction in watts."""

    def read_dbm(carrier_dbm: Any) -> Any:
        return 10 * np.log10(10 ** (np.asarray(carrier_dbm) / 10) + 10 ** (-108.0 / 10))

    baseline = BASELINE
    standards(notebook, float(read_dbm(-98.0)), 0.0)
    notebook.capture("test", "test", read_dbm(-98.0 + dipole_db()), at_s=60.0, route="middle",
                     position="antenna", antenna="dipole r3", grid_hz=GRID)  # fmt: skip
    if closing:
        standards(notebook, float(read_dbm(-98.0)), 120.0, " after")
        baseline = BASELINE | {"closing_open": "open after", "closing_short": "short after"}
    found = notebook.reduce("reflection", {"test": "test"}, baseline=baseline, **OPTIONS)
    assert_allclose(one(found, "return_loss").value, return_loss_db(), atol=0.01)
    edges = [GRID[np.flatnonzero(dipole_db() <= -10.0)[end]] for end in (0, -1)]
    read = [one(found, f"bandwidth_{side}_edge").value for side in ("low", "high")]
    assert_allclose(read, edges, atol=2e6)


def test_a_peak_detector_has_no_law_and_is_left_alone(notebook: Notebook) -> None:
    standards(notebook, -20.0, 0.0)
    test = notebook.capture("test", "test", -40.0, route="middle", position="antenna", grid_hz=GRID,
                            antenna="dipole r3", at_s=1.0, detector="peak")  # fmt: skip
    known = reflection_knowledge(notebook.bench, test, {})
    assert known.dynamic_range_db is None
    assert test.taken_at == NIGHT + timedelta(seconds=1)


@pytest.mark.parametrize(("dip", "expected_hz"), [("deepest", 1.80e9), ("nearest", 1.66e9)])
def test_a_recipe_says_which_of_two_dips_is_meant(
    notebook: Notebook, dip: str, expected_hz: float
) -> None:
    """Two modes, 14 dB deep at 1.66 GHz and 26 dB at 1.80 GHz; the design frequency is 1.7 GHz.
    Resonance, band edges and their notes follow, from the words of the recipe on."""
    impedance = sum(
        ohm / (1 + 1j * 60.0 * (GRID / f0 - f0 / GRID))
        for f0, ohm in ((1.66e9, 34.0), (1.8e9, 46.0))
    )
    standards(notebook, -20.0, 0.0)
    two_db = 20 * np.log10(np.abs((impedance - 50) / (impedance + 50)))
    notebook.capture("antenna", "test", -20.0 + two_db, at_s=60.0, route="middle",
                     position="antenna", antenna="dipole r3", grid_hz=GRID)  # fmt: skip
    text = QUICK_LOOK.replace("kind: reflection", f"kind: reflection\n      dip: {dip}")
    sheet = resolve(load_recipe(text, file="quick-look.yaml"), notebook.bench, {})
    step = next(step for step in sheet.steps if isinstance(step, ReduceStep))
    results = notebook.reduce_as(step.settings.model_copy(update={"test": "antenna"}))
    assert one(results, "resonance_count").value == 2.0
    named = one(results, "resonance_frequency")
    assert named.low < expected_hz < named.high
    other = one(results, "further_resonance_frequency")
    assert other.low < 3.46e9 - expected_hz < other.high
    band = one(results, "bandwidth")
    assert band.band_hz[0] < expected_hz < band.band_hz[1]
    assert f"Around the dip at {named.value / 1e9:.4f} GHz." in band.note


def test_a_leak_qualified_at_few_frequencies_is_known_by_how_it_swings_between_them(
    notebook: Notebook,
) -> None:
    """30 and 40 dB at 1.6 and 1.9 GHz behind 8 ns of cable (a ripple of 62.5 MHz): at 1.601 GHz
    it is 30 dB, at 1.7 GHz the root mean square of both, 32.6 dB, by 2 x 2 degrees of freedom."""
    fixtures = dict(notebook.bench.fixtures)
    fixtures["port_cable"] = changed(fixtures["port_cable"], delay_s=8e-9)
    notebook.with_bench(fixtures=fixtures)
    made = notebook.capture("load", "load", -50.0, at_s=-7200.0, route="middle", position="load",
                            grid_hz=GRID)  # fmt: skip
    notebook.qualified("effective_directivity", {1.6e9: 30.0, 1.9e9: 40.0}, made, at_s=-50.0)
    test = antenna(notebook, -20.0, 60.0)
    known_at = coupler_over_frequency(
        reflection_knowledge(notebook.bench, test, {}, notebook.store),
        notebook.bench, test, notebook.store,
    )  # fmt: skip
    near, between = known_at(1.601e9), known_at(1.7e9)
    assert_allclose(near.directivity_db.value, 30.0, atol=0.1)
    assert near.leak_band_hz is None
    assert_allclose(between.directivity_db.value, -10 * math.log10((1e-3 + 1e-4) / 2), atol=1e-9)
    assert between.directivity_db.degrees_of_freedom == 4.0
    assert between.leak_band_hz == (1.6e9, 1.9e9)


def test_a_bench_file_that_says_how_an_antenna_is_coupled_makes_its_resonance_surer(
    notebook: Notebook,
) -> None:
    """70 ohm in series: undercoupled, unloaded Q 8."""
    standards(notebook, -20.0, 0.0)
    antenna(notebook, -20.0, 60.0)
    widths = []
    for coupling in (None, "under"):
        antennas = dict(notebook.bench.antennas)
        antennas["dipole r3"] = changed(antennas["dipole r3"], coupling=coupling)
        notebook.with_bench(antennas=antennas)
        results = notebook.reduce("reflection", {"test": "test"}, baseline=BASELINE, **OPTIONS)
        found = one(results, "resonance_frequency")
        assert found.low < 1.68e9 < found.high
        widths.append(found.high - found.low)
    assert widths[1] < 0.85 * widths[0]
    assert_allclose(one(results, "unloaded_q").value, 8.0, rtol=0.03)
