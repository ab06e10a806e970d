"""Image sources and walls: geometry, limits that are known exactly, and the lining's numbers."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from simulators.physics.box import Box, Layer, Lining, field_coupling_ohm
from simulators.physics.wires import SPEED_OF_LIGHT_M_PER_S, Wire, WireSet, mutual_impedance_ohm
from simulators.world.antennas import box_of
from simulators.world.files import read_world, world_path

SIZE_M = (0.6, 0.4, 0.4)
NEAR_M, FAR_M = (0.1, 0.2, 0.2), (0.5, 0.2, 0.2)
BARE_METAL = Lining((), 0.0, 0.0)
LINED = box_of(read_world(world_path("workshop")).box, lid_open=False)


def test_there_are_63_rays_up_to_the_third_order() -> None:
    # The octahedral number of lattice points with |x| + |y| + |z| <= 3: 1 + 6 + 18 + 38.
    counts = [len(ray.bounces) for ray in Box(SIZE_M, BARE_METAL).paths(NEAR_M, FAR_M, 3)]
    assert [counts.count(order) for order in range(4)] == [1, 6, 18, 38]


def test_side_wall_ray_has_the_length_of_its_image() -> None:
    rays = Box(SIZE_M, BARE_METAL).paths(NEAR_M, FAR_M, 1)
    lengths = sorted(round(ray.length_m, 6) for ray in rays)
    side = round(float(np.hypot(0.4, 0.4)), 6)
    assert lengths == [0.4, side, side, side, side, 0.6, 0.6]


@pytest.mark.parametrize("end_m", [FAR_M, (0.47, 0.13, 0.304)])
def test_a_ray_backwards_is_the_same_ray(end_m: tuple[float, float, float]) -> None:
    """No ray here goes through an edge, where the last digit decides which wall it meets first."""
    frequency_hz = np.array([1.2e9, 1.7e9, 3e9])
    there = LINED.factors(LINED.paths(NEAR_M, end_m), frequency_hz).sum(axis=0)
    back = LINED.factors(LINED.paths(end_m, NEAR_M), frequency_hz).sum(axis=0)
    assert_allclose(there, back, rtol=1e-9)


def test_a_metal_wall_acts_as_an_image_current_of_opposite_sign() -> None:
    """A z dipole before a metal wall y = 0: the image is a dipole carrying minus the current."""
    frequency_hz, height_m = np.array([1.7e9]), 20.0
    box = Box((100.0, 100.0, 100.0), BARE_METAL)
    place = (50.0, height_m, 50.0)
    (ray,) = [one for one in box.paths(place, place, 1) if one.length_m < 50]
    dipole = WireSet((Wire(0.083, 0.0005),))
    image = WireSet((Wire(0.083, 0.0005, 0.0, 2 * height_m),))
    currents = dipole.solve(frequency_hz)
    exact = -mutual_impedance_ohm(dipole, currents, image, image.solve(frequency_hz))
    field = dipole.far_field_v(currents, np.array([np.pi / 2]), np.array([0.0]))[:, 0]
    k = 2 * np.pi * frequency_hz / SPEED_OF_LIGHT_M_PER_S
    ours = field_coupling_ohm(field, field, box.factors([ray], frequency_hz)[0], k)
    assert_allclose(ours, exact, rtol=0.002)


def test_a_metal_floor_acts_as_an_image_current_of_the_same_sign() -> None:
    """Two z dipoles over a metal floor z = 0, the ray between them bouncing once (TM)."""
    frequency_hz, height_m, apart_m = np.array([1.7e9]), 15.0, 20.0
    box = Box((100.0, 100.0, 100.0), BARE_METAL)
    start, end = (40.0, 50.0, height_m), (40.0 + apart_m, 50.0, height_m)
    (ray,) = [one for one in box.paths(start, end, 1) if [b[0] for b in one.bounces] == [(2, 0)]]
    dipole = WireSet((Wire(0.083, 0.0005),))
    image = WireSet((Wire(0.083, 0.0005, apart_m, 0.0, -2 * height_m),))
    currents = dipole.solve(frequency_hz)
    exact = mutual_impedance_ohm(dipole, currents, image, image.solve(frequency_hz))
    theta = np.arccos([ray.departure[2], -ray.arrival[2]])
    fields = dipole.far_field_v(currents, theta, np.array([0.0, np.pi]))
    k = 2 * np.pi * frequency_hz / SPEED_OF_LIGHT_M_PER_S
    factor = box.factors([ray], frequency_hz)[0]
    ours = field_coupling_ohm(fields[:, 0], fields[:, 1], factor, k)
    # A ray leaves out the radial induction field: (1 + 2 cot^2 theta) / kr is 0.0043 here.
    assert_allclose(ours, exact, rtol=0.006)


def test_bare_metal_reflects_everything_at_every_angle() -> None:
    te, tm = BARE_METAL.reflection(np.array([1e9, 6e9]), 0.3)
    assert_allclose([te, tm], -np.ones((2, 2)), atol=1e-12)


def test_straight_onto_the_wall_both_polarisations_are_alike() -> None:
    te, tm = LINED.lining.reflection(np.linspace(0.4e9, 6e9, 20), 1.0)
    assert_allclose(te, tm, rtol=1e-12)


def test_lossless_dielectric_on_metal_reflects_everything() -> None:
    te, tm = Lining((Layer(0.03, 2.0, 0.0),), 0.0, 0.0).reflection(np.array([1.7e9]), 0.6)
    assert_allclose(np.abs([te, tm]), 1.0, rtol=1e-12)


def test_dielectric_slab_without_metal_vanishes_at_the_polarising_angle() -> None:
    """Brewster's angle, tan = sqrt(eps): a slab so lossy and thick that the metal is not seen."""
    eps = 4.0
    thick = Lining((Layer(3.0, eps - 1, 0.1),), 0.0, 0.0)
    cosine = 1 / np.sqrt(1 + eps)
    te, tm = thick.reflection(np.array([1.7e9]), float(cosine))
    assert abs(tm[0]) < 0.01 < 0.5 < abs(te[0])


def test_workshop_lining_reflects_as_stated() -> None:
    # Design figures of this project's measurement notes, normal incidence.
    frequency_hz = np.array([1, 1.4, 1.7, 2, 2.5, 3]) * 1e9
    te, _ = LINED.lining.reflection(frequency_hz, 1.0)
    assert_allclose(20 * np.log10(np.abs(te)), [-10, -14, -16.4, -18.5, -22, -25], atol=0.3)


def test_workshop_side_wall_arrives_as_far_below_the_direct_ray_as_stated() -> None:
    # Design figures: 9.7, 13.8 and 20 dB at 1, 1.7 and 3 GHz, 0.4 m range in 0.6 x 0.4 x 0.4 m.
    frequency_hz = np.array([1e9, 1.7e9, 3e9])
    rays = LINED.paths(NEAR_M, FAR_M, 1)
    factors = np.abs(LINED.factors(rays, frequency_hz))
    (side,) = [i for i, ray in enumerate(rays) if [b[0] for b in ray.bounces] == [(1, 1)]]
    assert_allclose(20 * np.log10(factors[0] / factors[side]), [9.7, 13.8, 20.0], atol=0.5)


def test_an_open_lid_takes_its_rays_away() -> None:
    shut = LINED.paths(NEAR_M, FAR_M)
    ajar = box_of(read_world(world_path("workshop")).box, lid_open=True).paths(NEAR_M, FAR_M)
    lid = (1, 1)
    kept = [ray for ray in shut if all(wall != lid for wall, _, _ in ray.bounces)]
    assert [ray.length_m for ray in ajar] == [ray.length_m for ray in kept]
    assert len(ajar) < len(shut)
