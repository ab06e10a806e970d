"""What a recipe becomes on a bench: steps, switches, levels, times, cautions, hashes."""

from __future__ import annotations

import pytest
from numpy.testing import assert_allclose

from benchd.bench import Bench
from benchd.errors import RecipeError, UnsafeError
from benchd.recipe import load_recipe, resolve
from benchd.sweeps import SweepPlan
from benchd.worksheet import (
    AcceptStep,
    CaptureStep,
    HandsStep,
    Limit,
    ReduceStep,
    SwitchSetting,
    WaitStep,
    Worksheet,
)

HEAD = "recipe: short\ntitle: Short\n"
SWEEP = "start: 1.6 GHz, stop: 1.8 GHz, points: 81, level: -10 dBm, resolution_bandwidth: 10 kHz"


def worksheet_of(bench: Bench, text: str, **arguments: str) -> Worksheet:
    return resolve(load_recipe(text, file="r.yaml"), bench, arguments)


def one_capture(sweep: str = SWEEP, route: str = "bare") -> str:
    return (
        f"{HEAD}sweeps: {{main: {{{sweep}}}}}\nsteps:\n"
        f"  - capture: {{role: open, route: {route}, sweep: main}}\n"
    )


@pytest.fixture
def worksheet(bench: Bench, recipe_text: str) -> Worksheet:
    """The recipe of conftest.py on its bench, as it stands."""
    return worksheet_of(bench, recipe_text)


def test_a_capture_step_holds_all_that_the_runner_needs(worksheet: Worksheet) -> None:
    """Compared whole, levels and hashes apart (tested elsewhere)."""
    step = worksheet.steps[6]
    assert isinstance(step, CaptureStep)
    assert step.model_dump(exclude={"levels", "fixtures", "cautions", "expected_s"}) == {
        "index": 6,
        "label": "capture far on range/mount_b",
        "line": 29,
        "bindings": {},
        "kind": "capture",
        "name": "far",
        "role": "test",
        "route": "range",
        "position": "mount_b",
        "antenna": "yagi r2",
        "sweep": SweepPlan(
            method="stepped",
            start_hz=1.6e9,
            stop_hz=1.8e9,
            points=81,
            level_dbm=-10.0,
            resolution_bandwidth_hz=1e4,
            detector="rms",
            dwell_s=0.002,
        ).model_dump(),
        "switching": (SwitchSetting(instrument="selector", channels=(303,)).model_dump(),),
        "source": "generator",
        "analyzer": "analyzer",
        "lid": "closed",
    }


def test_a_repeat_is_unrolled_with_its_variable_bound(worksheet: Worksheet) -> None:
    """The name follows from the role; equal words are not said twice."""
    captures = worksheet.steps[:2]
    assert [
        (step.name, step.role, step.position, step.bindings)
        for step in captures
        if isinstance(step, CaptureStep)
    ] == [
        ("open", "open", "open", {"standard": "open"}),
        ("short", "short", "short", {"standard": "short"}),
    ]


def test_hands_and_wait_steps_carry_their_text_and_time(worksheet: Worksheet) -> None:
    """`$antenna` inside text is written out; a person's time is not counted."""
    hands, wait = worksheet.steps[2:4]
    assert isinstance(hands, HandsStep)
    assert isinstance(wait, WaitStep)
    assert (hands.ask, hands.expected_s) == ("Fit the yagi r2 and close the lid.", 0.0)
    assert (wait.duration_s, wait.expected_s) == (10.0, 10.0)


def test_a_reflection_step_names_captures_baselines_and_si_options(worksheet: Worksheet) -> None:
    """`newest` stays open for the daemon to find."""
    step = worksheet.steps[7]
    assert isinstance(step, ReduceStep)
    assert step.settings.model_dump() == {
        "kind": "reflection",
        "name": None,
        "test": "seen",
        "baseline": {"open": "open", "short": "newest", "closing": None, "max_age_s": 43200.0},
        "design_frequency_hz": 1.7e9,
        "bandwidth_level_db": 10.0,
        "vswr_limit": None,
        "band_hz": None,
        "at_hz": [1.7e9],
        "dip": "deepest",
        "interpolate": False,
        "free_space": False,
    }


def test_a_gain_step_names_both_captures(worksheet: Worksheet) -> None:
    """A single frequency stands for a list of one."""
    step = worksheet.steps[8]
    assert isinstance(step, ReduceStep)
    assert step.settings.model_dump() == {
        "kind": "gain",
        "name": None,
        "test": ["far"],
        "reference": ["ref"],
        "thru": None,
        "method": "substitution",
        "match": "none",
        "max_age_s": None,
        "interpolate": False,
        "follow_drift": True,
        "travel_m": None,
        "at_hz": [1.7e9],
        "band_hz": {"least": 1.65e9, "most": 1.75e9},
        "range_antenna": None,
    }


def test_limits_are_in_the_unit_of_their_quantity(worksheet: Worksheet) -> None:
    """dB and dBi, as results have them."""
    step = worksheet.steps[9]
    assert isinstance(step, AcceptStep)
    assert step.limits == (
        Limit(quantity="return_loss", least=10.0, at_hz=1.7e9),
        Limit(quantity="realised_gain", least=8.0),
    )


def test_several_references_cancel_drift_and_stay_a_list(bench: Bench, recipe_text: str) -> None:
    """Reference, test, reference: one list in the order of the recipe."""
    again = (
        "  - capture: {name: ref again, role: reference, route: range, position: mount_a,\n"
        "      antenna: reference dipole, sweep: main}\n  - reduce: {kind: gain"
    )
    text = recipe_text.replace("  - reduce: {kind: gain", again).replace(
        "reference: ref,", "reference: [ref, ref again],"
    )
    step = worksheet_of(bench, text).steps[9]
    assert isinstance(step, ReduceStep)
    assert step.settings.inputs() == {"test": ("far",), "reference": ("ref", "ref again")}


def test_expected_time_is_the_sum_of_its_parts(bench: Bench) -> None:
    """By hand: 81 points x (2 ms settling + 2 ms dwell + 1 ms overhead) + 50 ms setting up; a
    switch adds 10 ms settling + 1 ms for its one channel."""
    assert_allclose(worksheet_of(bench, one_capture()).expected_s, 81 * 0.005 + 0.05, rtol=1e-12)
    switched = one_capture(route="range").replace("route: range", "route: range, position: mount_a")
    assert_allclose(worksheet_of(bench, switched).expected_s, 0.455 + 0.011, rtol=1e-12)
    averaged = one_capture(f"{SWEEP}, average: 10, dwell: 5 ms")
    assert_allclose(worksheet_of(bench, averaged).expected_s, 81 * 0.053 + 0.05, rtol=1e-12)
    refined = one_capture(f"{SWEEP}, refine: {{around: resonance, span: 20 MHz, points: 19}}")
    assert_allclose(worksheet_of(bench, refined).expected_s, 100 * 0.005 + 0.05, rtol=1e-12)
    held = one_capture(f"{SWEEP}, method: hold, for: 20 s")
    assert_allclose(worksheet_of(bench, held).expected_s, 20.05, rtol=1e-12)


def test_a_tracking_sweep_takes_the_least_time_of_its_filter(bench: Bench) -> None:
    """k span / RBW^2 with k = 2.5: 200 MHz at 100 kHz takes 0.05 s, and 50 ms to set up."""
    text = one_capture(
        SWEEP.replace("10 kHz", "100 kHz") + ", method: tracking", route="own"
    ).replace("role: open", "role: empty")
    assert_allclose(worksheet_of(bench, text).expected_s, 0.1, rtol=1e-12)


def test_same_grid_written_two_ways_is_the_same_grid(bench: Bench) -> None:
    """2.3 GHz times 10^9 is not 2300000000 in binary; worksheets must not show it."""
    ends = one_capture(SWEEP.replace("1.6 GHz", "2.2 GHz").replace("1.8 GHz", "2.4 GHz"))
    middle = ends.replace("start: 2.2 GHz, stop: 2.4 GHz", "centre: 2300 MHz, span: 0.2 GHz")
    plans = [worksheet_of(bench, text).steps[0] for text in (ends, middle)]
    assert [(plan.sweep.start_hz, plan.sweep.stop_hz) for plan in plans] == [  # type: ignore[union-attr]
        (2.2e9, 2.4e9)
    ] * 2


def test_a_level_that_could_damage_something_is_refused(bench: Bench) -> None:
    """By hand: 12 dBm set, 13 at worst; the lead loses 0.4 + 0.4 lg 1.6/lg 3 = 0.571 dB at
    1.6 GHz: 12.43 dBm at a coupler that takes 10, so 9.57 dBm set would be allowed."""
    with pytest.raises(UnsafeError) as refusal:
        worksheet_of(bench, one_capture(SWEEP.replace("-10 dBm", "12 dBm")))
    assert str(refusal.value) == (
        "r.yaml:5: capture open: up to 12.4 dBm could reach coupler.through, which takes "
        "10.0 dBm at most.\n"
        "r.yaml:5: capture open: up to 12.1 dBm could reach coupler.coupled, which takes "
        "10.0 dBm at most. Set the level to 9.57 dBm or less, or put an attenuator ahead of what "
        "is named here and state it in the bench file."
    )
    worksheet_of(bench, one_capture(SWEEP.replace("-10 dBm", "9.57 dBm")))


def test_cautions_say_what_is_radiated_and_defer_to_local_rules(worksheet: Worksheet) -> None:
    """Exposure, licence, input damage, hands, absorber dust. -10 dBm set, 1 dB too strong at
    worst, 0.571 dB lost on the way: -9.57 dBm."""
    assert [caution.split(":")[0].split(",")[0] for caution in worksheet.cautions] == [
        "RF exposure",
        "Licence",
        "Input damage",
        "Whether a program on another computer uses these instruments meanwhile cannot be known",
        "RF is switched off before you are asked; touch nothing while the daemon says it is on.",
        "RF absorber sheds conductive dust",
    ]
    assert "up to -9.6 dBm (0.11 mW) between 1.6 GHz and 1.8 GHz" in worksheet.cautions[0]
    assert "Local rules decide" in worksheet.cautions[1]


@pytest.mark.parametrize(
    ("commands", "said"),
    [
        ({}, None),
        ({"level_query": None}, "its level"),
        ({"set_frequency_settled": "F {frequency_hz:.0f};*OPC?"}, "its frequency"),
        ({"level_query": None, "frequency_query": None}, "its level and frequency"),
    ],
)
def test_settings_that_cannot_be_asked_for_are_a_caution(
    bench: Bench, recipe_text: str, commands: dict[str, str | None], said: str | None
) -> None:
    source = bench.instruments["generator"].model_copy(update={"commands": commands})
    changed = bench.model_copy(update={"instruments": {**bench.instruments, "generator": source}})
    found = [
        one for one in worksheet_of(changed, recipe_text).cautions if "cannot be asked for" in one
    ]
    if said is None:
        assert found == []
    else:
        assert len(found) == 1
        assert found[0].startswith(f"generator cannot be asked for {said}: ")


def test_what_has_no_stated_limit_is_named(bench: Bench) -> None:
    """The analyzer's limit is known here; nothing else in `own` is but the lead."""
    text = one_capture(f"{SWEEP}, method: tracking", route="own").replace("open", "empty")
    step = worksheet_of(bench, text).steps[0]
    assert step.cautions == ("Up to -9.6 dBm (0.11 mW) reaches near_end from 1.6 GHz to 1.8 GHz.",)


def test_a_table_that_ends_inside_the_band_is_a_caution(bench: Bench) -> None:
    """The lead is described from 1 to 3 GHz."""
    text = one_capture(SWEEP.replace("1.6 GHz", "0.9 GHz"))
    assert worksheet_of(bench, text).steps[0].cautions[-1] == (
        "The bench file describes lead from 1 GHz to 3 GHz only; outside, the level budget takes "
        "the value at the end of the table."
    )


def test_a_worksheet_survives_json(worksheet: Worksheet) -> None:
    """What the store keeps is what the runner gets."""
    again = Worksheet.model_validate_json(worksheet.model_dump_json())
    assert again == worksheet
    assert again.digest == worksheet.digest


def test_the_digest_is_the_same_every_time(bench: Bench, recipe_text: str) -> None:
    """From the same text, bench and arguments, in whatever order they come."""
    one = worksheet_of(bench, recipe_text, antenna="dipole r3", points="101")
    other = worksheet_of(bench, recipe_text, points="101", antenna="dipole r3")
    assert one.digest == other.digest
    assert one.digest != worksheet_of(bench, recipe_text).digest


def test_a_changed_copy_has_a_digest_of_its_own(worksheet: Worksheet) -> None:
    """Also of a worksheet whose digest is known already, or that an older benchd has written."""
    before = worksheet.digest
    titled = worksheet.model_copy(update={"title": "Another"})
    assert titled.digest not in ("", before)
    assert titled.digest == Worksheet.model_validate_json(titled.model_dump_json()).digest
    assert worksheet.model_copy().digest == before
    older = worksheet.model_dump(mode="json")
    usual = [
        name
        for name, field in type(worksheet.steps[0]).model_fields.items()
        if not field.is_required() and field.default == getattr(worksheet.steps[0], name)
    ]
    for name in set(usual) - {"kind"}:
        del older["steps"][0][name]  # as if it was written before the field was invented
    read = Worksheet.from_document(older)
    assert read.digest != worksheet.digest
    assert read.model_copy(update={"title": "Another"}).digest == titled.digest
    assert read == Worksheet.from_document(older)


def test_line_ends_do_not_change_the_recipe_hash(bench: Bench, recipe_text: str) -> None:
    """The same recipe edited on another system."""
    one = load_recipe(recipe_text)
    assert load_recipe(recipe_text.replace("\n", "\r\n")).hash == one.hash
    assert load_recipe(recipe_text + "# remark\n").hash != one.hash


def test_a_route_without_positions_needs_none(bench: Bench) -> None:
    """A person sets it up; `none` says so where a parameter must say something."""
    plain = worksheet_of(bench, one_capture()).steps[0]
    said = worksheet_of(
        bench, one_capture().replace("route: bare", "route: bare, position: none")
    ).steps[0]
    assert isinstance(plain, CaptureStep)
    assert isinstance(said, CaptureStep)
    assert (plain.position, plain.switching) == (said.position, said.switching) == (None, ())


def test_parameters_stand_in_the_worksheet_with_their_units(bench: Bench, recipe_text: str) -> None:
    """As a person would write them."""
    assert worksheet_of(bench, recipe_text, centre="1690 MHz").parameters == {
        "antenna": "yagi r2",
        "centre": "1.69 GHz",
        "points": 81,
        "shape": "rms",
    }


def test_a_loop_over_levels_changes_the_sweep(bench: Bench) -> None:
    """A sweep is filled in for each turn."""
    text = (
        f"{HEAD}sweeps: {{main: {{{SWEEP.replace('-10 dBm', '$level')}}}}}\nsteps:\n"
        "  - repeat:\n      over: {level: [-20 dBm, -10 dBm]}\n      steps:\n"
        "        - capture: {role: open, route: bare, sweep: main}\n"
    )
    steps = worksheet_of(bench, text).steps
    assert [
        (step.name, step.sweep.level_dbm) for step in steps if isinstance(step, CaptureStep)
    ] == [("open -20 dBm", -20.0), ("open -10 dBm", -10.0)]


def test_loops_nest_and_turns_are_counted(bench: Bench) -> None:
    """Outer first; `$turn` from 1; a parameter may say how often."""
    text = (
        f"{HEAD}parameters: {{often: {{kind: integer, default: 2}}}}\nsteps:\n"
        "  - repeat:\n      over: {who: [a, b]}\n      steps:\n"
        "        - repeat: {times: $often, steps: [{hands: {ask: $who $turn of $often}}]}\n"
    )
    steps = worksheet_of(bench, text).steps
    assert [step.ask for step in steps if isinstance(step, HandsStep)] == [
        "a 1 of 2",
        "a 2 of 2",
        "b 1 of 2",
        "b 2 of 2",
    ]
    assert steps[3].bindings == {"who": "b", "turn": 2}


def test_a_loop_variable_that_fails_in_its_second_turn_is_told(bench: Bench) -> None:
    """Reading the recipe alone tries the first value only; the worksheet tries all."""
    text = (
        f"{HEAD}steps:\n  - repeat:\n      over: {{pause: [1 s, 1 m]}}\n"
        "      steps: [{wait: {for: $pause}}]\n"
    )
    with pytest.raises(RecipeError, match='"m" is not a unit of time'):
        worksheet_of(bench, text)
