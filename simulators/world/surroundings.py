"""Influences from outside the box: the echo of a person walking by, and other transmitters."""

import math

import numpy as np

from simulators.world.model import BoxModel, PersonModel
from simulators.world.outside_antenna import is_outside
from simulators.world.wiring import State, Wiring, position_of

_MOUNTS = {302: "mount_a", 303: "mount_b"}


def person_distance_m(person: PersonModel, elapsed_s: float) -> float:
    """Distance from the range of somebody walking to and fro at an even pace."""
    stretch_m = person.farthest_m - person.nearest_m
    if stretch_m <= 0:
        return person.nearest_m
    walked = (elapsed_s * person.speed_m_per_s / stretch_m) % 2.0
    return person.nearest_m + stretch_m * (walked if walked <= 1 else 2 - walked)


def echo_distances_m(
    box: BoxModel, person: PersonModel, elapsed_s: float
) -> tuple[float, float, float]:
    """From the near end to the person, on to the far end, and straight across."""
    direct_m = math.dist(box.near_end_m, box.mount_a_m)
    leg_m = math.hypot(person_distance_m(person, elapsed_s), direct_m / 2)
    return leg_m, leg_m, direct_m


def ambient_tones(wiring: Wiring, state: State) -> list[tuple[float, float]]:
    """Every outside transmitter as it arrives at the analyzer: (frequency_hz, level_dbm).

    The antenna is taken as isotropic, since the signals come from all sides of a room; its
    mismatch, the box's shielding (once, unless the lid is open or the antenna stands outside)
    and the way to the analyzer are counted.
    """
    model, parts = wiring.model, wiring.parts
    names = {one.name for one in model.antennas}
    position = _MOUNTS.get(state.sense, "middle" if state.sense == 301 else "")
    if not position or state.placing(position).item not in names:
        return []
    if position == "middle" and (state.port != 204 or "port_cable" in state.pulled):
        return []
    antenna = wiring.antenna(state.placing(position).item)
    place_m = position_of(model, position, state.placing(position).offset_m)
    inside = not is_outside(model.box, place_m)
    shielding_db = model.box.seam_shielding_db if inside and not state.lid_open else 0.0
    accepted = 1 - np.abs(antenna.reflection()) ** 2
    tones = []
    for one in model.box.ambient:
        here = int(np.argmin(np.abs(parts.frequency_hz - one.frequency_hz)))
        kept = np.interp(one.frequency_hz, antenna.frequency_hz, accepted)
        way = _way_out(wiring, state, here)
        level_dbm = one.level_dbm - shielding_db + 10 * np.log10(kept) + 20 * np.log10(way)
        tones.append((one.frequency_hz, float(level_dbm)))
    return tones


def _way_out(wiring: Wiring, state: State, here: int) -> float:
    """Amplitude from the antenna's connector to the analyzer at one grid frequency."""
    parts = wiring.parts
    switched = wiring.model.layout == "switched"
    if state.sense == 301:
        size = abs(parts.coupler.s32[here]) * abs(parts.cables["port_cable"].s21[here])
        cable = "sense_cable"
    else:
        size, cable = 1.0, "far_cable"
    loss = 1e-5 if cable in state.pulled else abs(parts.cables[cable].s21[here])
    throw = abs(parts.throws[state.sense].s21[here]) if switched else 1.0
    return float(size * loss * throw)
