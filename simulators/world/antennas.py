"""Antennas and the air between them: wires solved on a coarse grid, links through the box."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simulators.physics.box import Box, Layer, Lining, Path, Wall, field_coupling_ohm
from simulators.physics.lines import (
    TwoPort,
    impedance_two_port,
    line_section,
    matched_line,
    series_impedance,
    to_reflection,
)
from simulators.physics.wires import (
    SPEED_OF_LIGHT_M_PER_S,
    Currents,
    Wire,
    WireSet,
    coupled_ohm,
)
from simulators.world.model import AntennaModel, BoxModel

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Point = tuple[float, float, float]

FORWARD = np.array([1.0, 0.0, 0.0])
BACKWARD = np.array([-1.0, 0.0, 0.0])
LID_WALL: Wall = (1, 1)


@dataclass(frozen=True)
class Antenna:
    """One solved antenna: boom along +x of its own frame, origin where the boom is clamped."""

    model: AntennaModel
    wires: WireSet
    currents: Currents
    feed: TwoPort  # from the connector to the driven element

    @property
    def frequency_hz(self) -> FloatArray:
        return self.currents.frequency_hz

    def field_v(self, directions: FloatArray) -> ComplexArray:
        """Far field per ampere in unit vectors of its own frame, (n_freq, n_direction)."""
        theta, phi = _angles(directions)
        return self.wires.far_field_v(self.currents, theta, phi)

    def reflection(self) -> ComplexArray:
        """Free-space reflection at the connector, (n_freq,)."""
        return self.feed.reflection(to_reflection(self.currents.impedance_ohm))

    def gains_db(self, direction: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Gain and realised gain (mismatch to 50 ohm included) at the connector, dBi."""
        theta, phi = _angles(direction[None, :])
        lossless_dbi = self.wires.gain_dbi(self.currents, theta, phi)[:, 0]
        load = to_reflection(self.currents.impedance_ohm)
        delivered = np.abs(self.feed.s21 / (1 - self.feed.s22 * load)) ** 2
        delivered = delivered * (1 - np.abs(load) ** 2)
        realised = lossless_dbi + 10 * np.log10(delivered)
        accepted = 1 - np.abs(self.reflection()) ** 2
        return realised - 10 * np.log10(accepted), realised


@lru_cache(maxsize=64)
def solved(model: AntennaModel, frequencies_hz: tuple[float, ...]) -> Antenna:
    """The antenna on a grid; the same model is solved only once in a process."""
    frequency = np.array(frequencies_hz)
    wires = WireSet(
        tuple(
            Wire(one.length_m, one.diameter_m / 2, one.x_m - model.clamp_x_m)
            for one in model.elements
        )
    )
    return Antenna(model, wires, wires.solve(frequency), _feed(model, frequency))


def _feed(model: AntennaModel, frequency: FloatArray) -> TwoPort:
    feed = model.feed
    loss_db = feed.loss_db * np.sqrt(frequency / model.design_frequency_hz)
    whole = matched_line(frequency, 0.0, 1.0, loss_db)
    if feed.line_ohm is not None:
        whole = whole.then(line_section(frequency, feed.line_ohm, feed.line_length_m))
    reactance = feed.series_reactance_ohm * frequency / model.design_frequency_hz
    return whole.then(series_impedance(np.asarray(1j * reactance, dtype=np.complex128)))


def box_of(model: BoxModel, *, lid_open: bool, polarised_y: bool = False) -> Box:
    """The box as the rays need it; for a y-polarised antenna with y and z exchanged."""
    lining = Lining(
        tuple(
            Layer(one.thickness_m, one.susceptibility, one.loss) for one in model.absorber.layers
        ),
        model.absorber.susceptibility_slope,
        model.absorber.loss_slope,
    )
    x, y, z = model.size_m
    lid: Wall = (2, 1) if polarised_y else LID_WALL
    size = (x, z, y) if polarised_y else (x, y, z)
    return Box(size, lining, frozenset([lid]) if lid_open else frozenset())


@dataclass(frozen=True)
class Stand:
    """An antenna standing somewhere in the box, its boom along a level unit vector."""

    antenna: Antenna
    position_m: Point
    boom: FloatArray

    def field_towards_v(self, directions: FloatArray) -> ComplexArray:
        """Far field per ampere in unit vectors of the box's frame."""
        along, aside = self.boom[:2], np.array([-self.boom[1], self.boom[0]])
        turned = np.stack(
            [directions[:, :2] @ along, directions[:, :2] @ aside, directions[:, 2]], axis=1
        )
        return self.antenna.field_v(turned)

    def wires_in_box(self) -> WireSet:
        """The wires in the box's frame, for the exact coupling along the direct ray."""
        x0, y0, z0 = self.position_m
        return WireSet(
            tuple(
                Wire(
                    wire.length_m,
                    wire.radius_m,
                    x0 + wire.x_m * float(self.boom[0]),
                    y0 + wire.x_m * float(self.boom[1]),
                    z0,
                )
                for wire in self.antenna.wires.wires
            ),
            self.antenna.wires.bases,
        )


@dataclass(frozen=True)
class Link:
    """Two antennas in a box: connector to connector, and the share of a person's echo."""

    two_port: TwoPort
    direct_share: ComplexArray  # direct ray over the sum of all rays
    sideways: ComplexArray  # both fields towards the lid over both along the direct ray


def link(
    box: Box, near: Stand, far: Stand, near_echo_ohm: ComplexArray, far_echo_ohm: ComplexArray
) -> Link:
    """The two-port between two antennas' connectors, on the antennas' grid.

    The echoes are what the walls add to each antenna's impedance (``echo_ohm``).
    """
    frequency = near.antenna.frequency_hz
    k = 2 * np.pi * frequency / SPEED_OF_LIGHT_M_PER_S
    rays = box.paths(near.position_m, far.position_m)
    near_ohm, far_ohm, direct_ohm = coupled_ohm(
        near.wires_in_box(), near.antenna.currents, far.wires_in_box(), far.antenna.currents
    )
    total_ohm = direct_ohm + _over_rays(box, rays[1:], near, far, k)
    impedance = impedance_two_port(
        near_ohm + near_echo_ohm,
        far_ohm + far_echo_ohm,
        total_ohm,
    )
    two_port = near.antenna.feed.then(impedance).then(far.antenna.feed.turned())
    lid = np.array([0.0, 1.0, 0.0])
    ahead = rays[0].departure
    near_field = near.field_towards_v(np.stack([lid, ahead]))
    far_field = far.field_towards_v(np.stack([lid, -ahead]))
    sideways = near_field[:, 0] * far_field[:, 0] / (near_field[:, 1] * far_field[:, 1])
    return Link(two_port, direct_ohm / total_ohm, sideways)


def echo_ohm(box: Box, stand: Stand) -> ComplexArray:
    """What the walls add to the antenna's own impedance, (n_freq,)."""
    k = 2 * np.pi * stand.antenna.frequency_hz / SPEED_OF_LIGHT_M_PER_S
    rays = box.paths(stand.position_m, stand.position_m)
    return _over_rays(box, rays, stand, stand, k)


def _over_rays(box: Box, rays: list[Path], near: Stand, far: Stand, k: FloatArray) -> ComplexArray:
    total = np.zeros(k.shape, dtype=np.complex128)
    if not rays:
        return total
    leaving = near.field_towards_v(np.stack([ray.departure for ray in rays]))
    arriving = far.field_towards_v(np.stack([-ray.arrival for ray in rays]))
    for number, factor in enumerate(box.factors(rays, near.antenna.frequency_hz)):
        total += field_coupling_ohm(leaving[:, number], arriving[:, number], factor, k)
    return total


def _angles(directions: FloatArray) -> tuple[FloatArray, FloatArray]:
    theta = np.arccos(np.clip(directions[:, 2], -1.0, 1.0))
    return theta, np.arctan2(directions[:, 1], directions[:, 0])
