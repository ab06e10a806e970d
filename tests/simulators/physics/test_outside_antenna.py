"""Antennas beyond the walls, people, bonding and bending: what qualifications look for."""

from __future__ import annotations

import numpy as np
import pytest

from simulators.world import World, world_path
from simulators.world.files import read_world

FREQUENCY_HZ = np.linspace(1.55e9, 1.85e9, 7)


def world(**box: float) -> World:
    """The workshop without a switch, its cables on the range, its box changed as asked."""
    model = read_world(world_path("by-hand"))
    changed = model.box.model_copy(update=box)
    found = World(model.model_copy(update={"box": changed}))
    found.connect("range")
    return found


def level_db(one: World, at_s: float = 0.0) -> np.ndarray:
    return 20.0 * np.log10(np.abs(one.transfer(FREQUENCY_HZ, at_s)))


def test_before_the_open_lid_an_antenna_sees_free_space() -> None:
    """Twice the distance is 6.02 dB less (Friis), within what the antennas' nearness changes."""
    one = world(person=None)
    one.set_lid(True)
    one.move("mount_a", (-0.4, 1.0, 0.0))
    near_db = level_db(one)
    one.move("mount_a", (-0.4, 2.0, 0.0))
    np.testing.assert_allclose(near_db - level_db(one), 6.02, atol=0.15)


@pytest.mark.parametrize("shielding_db", [10.0, 30.0])
def test_the_closed_lid_holds_back_what_its_seam_says(shielding_db: float) -> None:
    """Seam alone: the detour by the gap costs at most some decibels more than the direct ray."""
    one = world(person=None, seam_shielding_db=shielding_db, panel_shielding_db=200.0)
    one.move("mount_a", (-0.4, 0.6, 0.0))
    closed_db = level_db(one)
    one.set_lid(True)
    held_db = level_db(one) - closed_db
    assert np.all(held_db > shielding_db)
    assert np.all(held_db < shielding_db + 3.0)


def test_a_person_is_seen_through_an_open_lid_and_twice_weakened_through_a_seam() -> None:
    one = world(seam_shielding_db=10.0)
    spans = []
    for is_open in (True, False):
        one.set_lid(is_open)
        levels = np.array([level_db(one, at_s) for at_s in np.linspace(0.0, 3.0, 61)])
        drift_db = one.model.analyzer.drift_db_per_k * 0.01
        spans.append(np.ptp(levels, axis=0).max() - abs(drift_db))
    one.set_people(False)
    still = np.array([level_db(one, at_s) for at_s in np.linspace(0.0, 3.0, 31)])
    assert spans[0] > 0.5
    # 10 dB out and 10 dB in again: a tenth in amplitude.
    assert spans[1] == pytest.approx(spans[0] / 10.0, rel=0.6)
    assert np.ptp(still, axis=0).max() < 0.01


def test_unbonded_cables_change_the_level_by_their_sheath_current() -> None:
    one = world(person=None, sheath_current_db=-20.0)
    bonded_db = level_db(one)
    one.set_bonded(False)
    change_db = np.abs(level_db(one) - bonded_db).max()
    assert 0.05 < change_db < 20.0 * np.log10(1.0 + 10.0 ** (-20.0 / 20.0))


def test_bending_and_reconnecting_draw_anew_within_their_size() -> None:
    one = world(person=None, placing_m=0.0)
    changes_db = []
    before_db = level_db(one)
    for _ in range(20):
        one.bend("far_cable")
        one.reconnect("mount_a")
        changes_db.append(level_db(one) - before_db)
    spread_db = np.std(changes_db, axis=0)
    assert np.all((spread_db > 0.002) & (spread_db < 0.1))


def test_outside_the_box_transmitters_are_heard_without_its_shielding() -> None:
    one = world(seam_shielding_db=40.0)
    inside = dict(one.ambient(1.8e9, 200e6))
    one.move("mount_a", (0.0, 1.0, 0.0))
    outside = dict(one.ambient(1.8e9, 200e6))
    assert outside[1.8425e9] - inside[1.8425e9] == pytest.approx(40.0, abs=1e-9)
