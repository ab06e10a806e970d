"""The virtual workshop as the instruments and a person's hands know it."""

import json
import threading
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from simulators.world import World, world_path
from simulators.world.files import WorldFileError, read_world

FREQUENCY_HZ = np.linspace(1.5e9, 1.9e9, 41)
MIDDLE = {"open": 201, "short": 202, "load": 203, "antenna": 204}


def workshop(seed: int | None = None) -> World:
    return World.load(world_path("workshop"), seed=seed)


def by_hand() -> World:
    return World.load(world_path("by-hand"))


def level_db(world: World, *channels: int, elapsed_s: float = 0.0) -> np.ndarray:
    for channel in channels:
        world.close_channel(channel)
    return 20 * np.log10(np.abs(world.transfer(FREQUENCY_HZ, elapsed_s)))


def return_loss_db(world: World) -> np.ndarray:
    """What a bench would make of it: mean of open and short in dB, minus the antenna."""
    shown = {name: level_db(world, 101, port, 301) for name, port in MIDDLE.items()}
    return (shown["open"] + shown["short"]) / 2 - shown["antenna"]


def true_return_loss_db(world: World, name: str) -> np.ndarray:
    one = world.truth()["antennas"][name]
    return np.interp(FREQUENCY_HZ, one["frequency_hz"], one["in_box"]["return_loss_db"])


# --- the demonstration bench ------------------------------------------------------------------


def test_measured_return_loss_is_the_true_one_within_the_couplers_errors() -> None:
    world = workshop()
    truth = world.truth()["fixtures"]
    leak_db = min(np.interp(FREQUENCY_HZ, truth["frequency_hz"], truth["port_directivity_db"]))
    match_db = min(np.interp(FREQUENCY_HZ, truth["frequency_hz"], truth["port_source_match_db"]))
    true = 10 ** (-true_return_loss_db(world, "dipole r3") / 20)
    shown = 10 ** (-return_loss_db(world) / 20)
    # Directivity adds; source match acts on the wave twice; the normalisation keeps 0.1 dB.
    bound = 10 ** (-leak_db / 20) + 1.3 * 10 ** (-match_db / 20) * true**2 + 0.03 * true + 0.003
    assert (np.abs(shown - true) < bound).all()


def test_long_dipole_shows_its_dip_two_per_cent_below_the_design_frequency() -> None:
    dip_hz = FREQUENCY_HZ[np.argmax(return_loss_db(workshop()))]
    assert 1.64e9 <= dip_hz <= 1.67e9


def test_load_on_the_port_shows_at_least_the_return_loss_of_a_bench_load() -> None:
    world = workshop()
    through = (level_db(world, 101, 201, 301) + level_db(world, 202)) / 2
    assert (through - level_db(world, 203) > 27.0).all()


def test_open_and_short_differ_by_the_ripple_of_the_source_match() -> None:
    world = workshop()
    apart = np.ptp(level_db(world, 101, 201, 301) - level_db(world, 202))
    assert 0.5 < apart < 5.0


def test_yagi_beats_the_reference_dipole_by_what_the_box_allows() -> None:
    world = workshop()
    truth = world.truth()["antennas"]
    gain_db = level_db(world, 102, 303) - level_db(world, 302)
    inner = (FREQUENCY_HZ > 1.62e9) & (FREQUENCY_HZ < 1.78e9)
    true = [
        np.interp(FREQUENCY_HZ, truth[name]["frequency_hz"], truth[name]["realised_gain_dbi"])
        for name in ("yagi r2", "reference dipole")
    ]
    error_db = (gain_db - (true[0] - true[1]))[inner]
    # Three times the box's standard deviation at one position, 1.3 dB at 1.7 GHz.
    assert np.abs(error_db).max() < 3.9
    assert np.abs(error_db).max() > 0.1  # a box that does no harm would be no box


def test_reference_dipole_has_the_gain_of_a_dipole() -> None:
    one = workshop().truth()["antennas"]["reference dipole"]
    at_design = one["frequency_hz"].index(1.7e9)
    # 2.15 dBi (Balanis, chapter 4) less 0.1 dB of feed and the mismatch of 72 on 50 ohm.
    assert_allclose(one["gain_dbi"][at_design], 2.15 - 0.1, atol=0.05)
    assert_allclose(one["realised_gain_dbi"][at_design], 2.05 - 0.12, atol=0.06)


def test_thru_shows_the_loss_of_the_two_cables() -> None:
    world = by_hand()
    world.connect("range")
    world.place("mount_a", "thru")
    fixtures = world.truth()["fixtures"]
    losses = fixtures["cables_loss_db"]
    expected = sum(
        np.interp(FREQUENCY_HZ, fixtures["frequency_hz"], losses[name])
        for name in ("source_cable", "range_cable", "far_cable")
    )
    shown = 20 * np.log10(np.abs(world.transfer(FREQUENCY_HZ, 0.0)))
    assert_allclose(shown, -expected, atol=0.2)  # source and analyzer match, 20 dB each: 0.09


# --- seeds, placings, time --------------------------------------------------------------------


def test_one_seed_gives_one_world() -> None:
    one, other = workshop(7), workshop(7)
    assert one.truth() == other.truth()
    assert_allclose(level_db(one, 101, 204, 301), level_db(other, 101, 204, 301), rtol=0, atol=0)


def test_another_seed_gives_other_parts_but_the_same_antennas() -> None:
    one, other = workshop(7).truth(), workshop(8).truth()
    assert one["fixtures"] != other["fixtures"]
    assert one["antennas"] == other["antennas"]


def test_placing_again_changes_little_but_something() -> None:
    world = workshop()
    first = return_loss_db(world)
    world.place("middle", "dipole r3")
    change_db = np.abs(return_loss_db(world) - first)
    assert 0 < change_db.max() < 0.5


def test_switching_to_and_fro_repeats_within_its_repeatability() -> None:
    world = workshop()
    first = level_db(world, 101, 201, 301)
    level_db(world, 202)
    again = level_db(world, 201)
    limit_db = 6 * world.model.switch.repeatability_db
    assert 0 < np.abs(again - first).max() < limit_db


def test_levels_drift_slowly_with_temperature() -> None:
    world = workshop()
    level_db(world, 101, 201, 301)
    hours = np.array([level_db(world, elapsed_s=float(t))[0] for t in range(0, 7200, 60)])
    assert 0.005 < np.ptp(hours) < 0.1
    assert np.abs(np.diff(hours)).max() < 0.005


def test_one_frequency_at_a_time_gives_the_same_as_all_at_once() -> None:
    world = workshop()
    whole = 10 ** (level_db(world, 101, 204, 301) / 20)
    single = [abs(world.transfer(np.array([one]), 0.0)[0]) for one in FREQUENCY_HZ]
    assert_allclose(single, whole, rtol=1e-12)


@pytest.mark.parametrize("ports", [(101, 204, 301), (102, 204, 302)], ids=["reflected", "through"])
@pytest.mark.parametrize("lid_is_open", [False, True], ids=["closed", "open"])
def test_the_level_of_one_frequency_is_that_of_the_whole_curve(
    ports: tuple[int, ...], lid_is_open: bool
) -> None:
    """Stepped sweeps ask for single numbers, all others for arrays: two ways, one world."""
    world = workshop()
    world.place("middle", "dipole r3")
    world.place("mount_a", "reference dipole")
    world.set_lid(lid_is_open)
    beside_hz = np.array([1.0e9, 2.5e9, 1.7000123e9])
    for elapsed_s in (0.0, 1234.5):
        transfer_db = level_db(world, *ports, elapsed_s=elapsed_s)
        leaving_dbm = world.source_level_dbm(FREQUENCY_HZ, -10.0, elapsed_s)
        beside_db = 20 * np.log10(np.abs(world.transfer(beside_hz, elapsed_s)))
        beside_dbm = world.source_level_dbm(beside_hz, -10.0, elapsed_s) + beside_db
        for grid_hz, expected_dbm in (
            (FREQUENCY_HZ, leaving_dbm + transfer_db),
            (beside_hz, beside_dbm),
        ):
            single = [world.arriving_at_dbm(one, -10.0, elapsed_s) for one in grid_hz.tolist()]
            assert_allclose(single, expected_dbm, rtol=0, atol=1e-9)


def test_source_stays_within_its_flatness_and_moves_with_its_setting() -> None:
    world = workshop()
    off_db = world.source_level_dbm(FREQUENCY_HZ, -10.0, 0.0) + 10.0
    assert np.abs(off_db).max() <= world.model.source.flatness_db
    assert_allclose(world.source_level_dbm(FREQUENCY_HZ, 0.0, 0.0), off_db, atol=1e-12)


# --- what goes wrong on a bench ---------------------------------------------------------------


@pytest.mark.parametrize("cable", ["source_cable", "sense_cable"])
def test_a_pulled_cable_lets_next_to_nothing_through(cable: str) -> None:
    world = workshop()
    before = level_db(world, 101, 201, 301)
    world.pull(cable)
    assert (before - level_db(world) > 60).all()
    world.plug(cable)
    assert_allclose(level_db(world), before, atol=1e-12)


def test_with_the_port_cable_pulled_the_antenna_looks_like_an_open() -> None:
    world = workshop()
    world.pull("port_cable")
    assert (np.abs(return_loss_db(world)) < 2.5).all()


def test_no_closed_channel_lets_nothing_through() -> None:
    assert (20 * np.log10(np.abs(workshop().transfer(FREQUENCY_HZ, 0.0))) < -150).all()


def test_the_wrong_feed_is_heard_only_through_the_switchs_isolation() -> None:
    world = workshop()
    right = level_db(world, 102, 302)
    assert (right - level_db(world, 101, 203) > 60).all()


def test_open_lid_lets_a_walking_person_be_seen_and_ambient_in() -> None:
    world = workshop()
    level_db(world, 102, 302)
    shut = [level_db(world, elapsed_s=t)[20] for t in np.arange(0, 1, 0.02)]
    quiet = world.ambient(1.7e9, 3e9)
    world.set_lid(True)
    ajar = [level_db(world, elapsed_s=t)[20] for t in np.arange(0, 1, 0.02)]
    loud = world.ambient(1.7e9, 3e9)
    assert np.ptp(shut) < 0.001
    # The radar formula r sqrt(sigma/4pi)/(r1 r2) at 1.0 to 1.8 m: 0.3 to 2 dB peak to peak.
    assert 0.3 < np.ptp(ajar) < 2.0
    seam_db = world.model.box.seam_shielding_db
    assert [one[0] for one in loud] == [one[0] for one in quiet]
    assert_allclose([a[1] - b[1] for a, b in zip(loud, quiet, strict=True)], seam_db)


def test_ambient_needs_an_antenna_on_the_analyzer() -> None:
    world = workshop()
    world.set_lid(True)
    level_db(world, 101, 203, 301)
    assert world.ambient(1.7e9, 4e9) == []


@pytest.mark.parametrize(
    ("act", "message"),
    [
        (lambda w: w.place("shelf", "open"), "no position 'shelf'; there are middle"),
        (lambda w: w.place("middle", "kettle"), "no item 'kettle'; there are range dipole"),
        (lambda w: w.place("middle", "thru"), "place it on a mount"),
        (lambda w: w.pull("rope"), "no cable 'rope'; there are source_cable"),
        (lambda w: w.close_channel(105), "no channel 105; there are 101"),
        (lambda w: w.connect("range"), "this bench has a switch"),
    ],
)
def test_what_is_not_there_is_refused_by_name(act, message: str) -> None:
    world = workshop()
    before = world.state()
    with pytest.raises(ValueError, match=message):
        act(world)
    assert world.state() == before


def test_bench_without_a_switch_has_no_channels_and_one_mount() -> None:
    world = by_hand()
    assert world.closed_channels() == ()
    with pytest.raises(ValueError, match="this bench has no switch"):
        world.close_channel(101)
    with pytest.raises(ValueError, match="no position 'mount_b'"):
        world.place("mount_b", "open")


def test_bench_without_a_switch_is_measured_by_placing() -> None:
    world = by_hand()
    shown = {}
    for item in ("open", "short", "dipole r3"):
        world.place("middle", item)
        shown[item] = 20 * np.log10(np.abs(world.transfer(FREQUENCY_HZ, 0.0)))
    loss_db = (shown["open"] + shown["short"]) / 2 - shown["dipole r3"]
    assert_allclose(FREQUENCY_HZ[np.argmax(loss_db)], 1.65e9, atol=0.02e9)


def test_many_threads_may_use_one_world() -> None:
    world = workshop()
    failures: list[BaseException] = []

    def work(channel: int) -> None:
        try:
            for _ in range(50):
                world.close_channel(channel)
                assert np.isfinite(np.abs(world.transfer(FREQUENCY_HZ, 0.0))).all()
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=work, args=(one,)) for one in (101, 201, 202, 301, 203)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert world.closed_channels()[0] == 101


# --- files and truth --------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["workshop", "by-hand"])
def test_truth_is_json_and_agrees_with_itself(name: str) -> None:
    truth = json.loads(json.dumps(World.load(world_path(name)).truth()))
    for one in truth["antennas"].values():
        assert one["frequency_hz"] == [1.5e9 + 5e6 * number for number in range(81)]
        size = np.hypot(one["reflection_real"], one["reflection_imag"])
        assert_allclose(-20 * np.log10(size), one["return_loss_db"], atol=1e-9)
        mismatch_db = 10 * np.log10(1 - size**2)
        realised = np.array(one["realised_gain_dbi"])
        assert_allclose(np.array(one["gain_dbi"]) + mismatch_db, realised, atol=0.01)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("name: [", "not YAML 1.2"),
        ("name: x\nlayout: none\n", "layout: Input should be 'switched' or 'by-hand'"),
        ("- 1\n", "should be a valid dictionary"),
    ],
)
def test_a_bad_world_file_says_what_is_wrong(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "odd.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(WorldFileError, match=message) as caught:
        read_world(path)
    assert "odd.yaml" in str(caught.value)


def test_an_unknown_world_name_lists_the_shipped_ones() -> None:
    with pytest.raises(WorldFileError, match=r"by-hand, .*workshop"):
        world_path("moon")


def test_names_in_a_world_file_must_agree(tmp_path: Path) -> None:
    text = world_path("workshop").read_text(encoding="utf-8")
    path = tmp_path / "odd.yaml"
    path.write_text(text.replace("middle: dipole r3", "middle: dipole r9"), encoding="utf-8")
    with pytest.raises(WorldFileError, match="no item 'dipole r9'"):
        read_world(path)
