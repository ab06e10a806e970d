"""Who is connected to whom: from the bench's state to one transfer curve.

The state is a value; the same state always gives the same curve, which is why it is cached.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from simulators.physics.box import Box
from simulators.physics.lines import TwoPort
from simulators.physics.special import CubicSpline
from simulators.world.antennas import Antenna, Link, Point, Stand, box_of, echo_ohm, link, solved
from simulators.world.model import WorldModel
from simulators.world.outside_antenna import Leak, free_space, is_outside, shifted
from simulators.world.parts import Parts, connector, pulled

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

FINE_STEP_HZ = 0.5e6
COARSE_STEP_HZ = 20e6
DENSE_STEP_HZ = 5e6
DENSE_SHARE = 0.16
_UNSEEN_DB = 85.0  # the echo of a person behind this much shielding is not computed
_NO_AIR = 1e-6  # transmission of the range without antennas: -120 dB


@dataclass(frozen=True)
class Placing:
    """What is screwed on at a position, and the errors of this one placing."""

    item: str
    loss_db: float = 0.0
    reflection: complex = 0.0
    offset_m: Point = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class State:
    """Everything that a transfer depends on, apart from time and frequency."""

    feed: int
    port: int
    sense: int
    placed: tuple[tuple[str, Placing], ...]
    pulled: frozenset[str] = frozenset()
    lid_open: bool = False
    bonded: bool = True
    flexed: tuple[tuple[str, float, complex], ...] = ()  # cable, loss in dB, reflection

    def placing(self, position: str) -> Placing:
        return dict(self.placed)[position]


@dataclass(frozen=True)
class Curve:
    """Transfer on the fine grid, and the part of it that a person's echo modulates."""

    whole: ComplexArray
    echoed: ComplexArray | None = None


@dataclass
class Wiring:
    """Solves states of one world; holds what it has solved."""

    model: WorldModel
    parts: Parts
    _links: dict[tuple[object, ...], Link] = field(default_factory=dict)
    _echoes: dict[tuple[object, ...], ComplexArray] = field(default_factory=dict)

    def rebuilt(self, model: WorldModel) -> None:
        """Go on with a model whose antennas were changed; what was solved with them is dropped."""
        self.model = model
        self._links.clear()

    def curve(self, state: State) -> Curve:
        """Transfer from a source wave to the analyzer's input, with every mismatch."""
        ways = []
        for sense, feed in ((301, 101), (302, 102), (303, 102)):
            closed = (state.feed == feed) + (state.sense == sense)
            if closed and not (sense == 303 and self.model.layout == "by-hand"):
                way = self._middle(state) if sense == 301 else self._range(state, sense)
                ways.append((way, 1.0 if closed == 2 else self.parts.isolation))
        if not ways:
            return Curve(np.full(self.parts.frequency_hz.shape, self.parts.isolation**2 + 0j))
        whole = sum((factor * way.whole for way, factor in ways), start=np.zeros(1) + 0j)
        main = max(ways, key=lambda one: one[1])
        return Curve(np.asarray(whole), main[0].echoed if main[1] == 1.0 else None)

    def _cable(self, state: State, name: str, own: str | None = None) -> TwoPort:
        f = self.parts.frequency_hz
        if name in state.pulled:
            return pulled(f)
        cable = self.parts.cables[own or name]
        for bent, loss_db, reflection in state.flexed:
            if bent == name:
                cable = cable.then(connector(f, loss_db, reflection))
        return cable

    def _through(self, *chain: TwoPort) -> TwoPort:
        whole = chain[0]
        for part in chain[1:]:
            whole = whole.then(part)
        return whole

    def _throws(self, channel: int) -> list[TwoPort]:
        return [self.parts.throws[channel]] if self.model.layout == "switched" else []

    def _middle(self, state: State) -> Curve:
        return Curve(self._middle_on(state, self.test_port(state)))

    def _middle_on(self, state: State, test: ComplexArray) -> ComplexArray:
        chain = self._through(
            self._cable(state, "source_cable"),
            *self._throws(101),
            self.parts.coupler.with_test_port_on(test),
            self._cable(state, "sense_cable"),
            *self._throws(301),
        )
        return chain.transfer(self.parts.source_match, self.parts.analyzer_match)

    def test_port(self, state: State) -> ComplexArray:
        """Reflection that the coupler's test port looks into."""
        fixed = {201: "open", 202: "short", 203: "load"}
        if state.port in fixed:
            own = f"port_cable {state.port}"
            cable = self.parts.cables[own]
            load = self.parts.terminations[fixed[state.port]]
            return self._through(self.parts.throws[state.port], cable).reflection(load)
        if state.port != 204:
            return self.parts.terminations["nothing"]
        way = self._through(*self._throws(204), self._cable(state, "port_cable"))
        return way.reflection(self.middle_item(state))

    def error_terms(self) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
        """Directivity, tracking and source match of the whole way at the middle port.

        What a perfect open, short and load there would show: m = D + T g / (1 - S g).
        """
        state = State(101, 204, 301, ())
        ways = []
        for load in (0.0, 1.0, -1.0):
            end = np.full(self.parts.frequency_hz.shape, load + 0j)
            way = self._through(*self._throws(204), self._cable(state, "port_cable"))
            ways.append(self._middle_on(state, way.reflection(end)))
        leak, up, down = ways[0], ways[1] - ways[0], ways[2] - ways[0]
        match = (up + down) / (up - down)
        return leak, up * (1 - match), match

    def middle_item(self, state: State) -> ComplexArray:
        """Reflection of what is screwed on at the middle port, its connector included."""
        placing = state.placing("middle")
        mated = connector(self.parts.frequency_hz, placing.loss_db, placing.reflection)
        return mated.reflection(self._reflection_of(placing, state.lid_open))

    def _reflection_of(self, placing: Placing, lid_open: bool) -> ComplexArray:
        if placing.item in self.parts.terminations:
            return self.parts.terminations[placing.item]
        if placing.item == "thru":
            return self.parts.terminations["nothing"]
        return self._fine(in_box_reflection(self.model, self.antenna(placing.item), lid_open))

    def antenna(self, name: str) -> Antenna:
        """The solved antenna of that name."""
        return antenna_of(self.model, name)

    def _range(self, state: State, sense: int) -> Curve:
        mount = "mount_a" if sense == 302 else "mount_b"
        near, far = state.placing("near_end"), state.placing(mount)
        f = self.parts.frequency_hz
        before = self._through(
            self._cable(state, "source_cable"),
            *self._throws(102),
            self._cable(state, "range_cable"),
            connector(f, near.loss_db, near.reflection),
        )
        after = self._through(
            connector(f, far.loss_db, far.reflection),
            self._cable(state, "far_cable"),
            *self._throws(sense),
        )
        source, load = self.parts.source_match, self.parts.analyzer_match
        if far.item == "thru":
            return Curve(before.then(after).transfer(source, load))
        names = {one.name for one in self.model.antennas}
        if near.item not in names or far.item not in names:
            leak = np.full(f.shape, _NO_AIR + 0j)
            ends = [self._reflection_of(one, state.lid_open) for one in (near, far)]
            air = TwoPort(ends[0], leak, leak, ends[1])
            return Curve(before.then(air).then(after).transfer(source, load))
        between = self.link(near, far, mount, state.lid_open)
        air = TwoPort(*(self._fine(one) for one in _entries(between.two_port)))
        whole = before.then(air).then(after).transfer(source, load)
        if not state.bonded:
            whole = whole * (1.0 + self.parts.sheath)
        through_db = 0.0 if state.lid_open else 2 * self.model.box.seam_shielding_db
        if self.model.box.person is None or through_db > _UNSEEN_DB:
            return Curve(whole)
        # Out through the seam, to the person and back: the shielding counts twice.
        share = self._fine(between.direct_share * between.sideways) * 10 ** (-through_db / 20)
        return Curve(whole, whole * share)

    def link(self, near: Placing, far: Placing, mount: str, lid_open: bool) -> Link:
        """The air between the near end and a mount, solved once for each placing."""
        key = (near.item, near.offset_m, far.item, far.offset_m, mount, lid_open)
        if key not in self._links:
            if len(self._links) > 32:
                self._links.clear()
            here = position_of(self.model, "near_end", near.offset_m)
            there = position_of(self.model, mount, far.offset_m)
            ahead = np.array(there) - np.array(here)
            ahead[2] = 0.0
            ahead = ahead / np.linalg.norm(ahead)
            one = Stand(self.antenna(near.item), here, ahead)
            other = Stand(self.antenna(far.item), there, -ahead)
            self._links[key] = self._linked(one, other, lid_open)
        return self._links[key]

    def _linked(self, one: Stand, other: Stand, lid_open: bool) -> Link:
        box = box_of(self.model.box, lid_open=lid_open)
        out = [is_outside(self.model.box, stand.position_m) for stand in (one, other)]
        if not any(out):
            return link(box, one, other, self._echo(box, one), self._echo(box, other))
        echoes = [
            np.zeros(stand.antenna.frequency_hz.shape, dtype=np.complex128)
            if is_out
            else self._echo(box, stand)
            for stand, is_out in zip((one, other), out, strict=True)
        ]
        moved = [replace(stand, position_m=shifted(stand.position_m)) for stand in (one, other)]
        through = link(free_space(box), moved[0], moved[1], echoes[0], echoes[1])
        if all(out):
            return through
        here, there = (other, one) if out[0] else (one, other)
        factor = Leak(self.model.box).factor(
            here.position_m, there.position_m, lid_open, one.antenna.frequency_hz
        )
        two = through.two_port
        return replace(through, two_port=replace(two, s12=two.s12 * factor, s21=two.s21 * factor))

    def _echo(self, box: Box, stand: Stand) -> ComplexArray:
        key = (box, stand.antenna.model, stand.position_m, tuple(stand.boom.tolist()))
        if key not in self._echoes:
            if len(self._echoes) > 32:
                self._echoes.clear()
            self._echoes[key] = echo_ohm(box, stand)
        return self._echoes[key]

    def _fine(self, coarse: ComplexArray) -> ComplexArray:
        return np.asarray(CubicSpline(coarse_grid(self.model), coarse)(self.parts.frequency_hz))


def coarse_grid(model: WorldModel) -> FloatArray:
    """Frequencies at which antennas are solved: dense around every design frequency."""
    start, stop = model.frequency_start_hz, model.frequency_stop_hz
    grid = np.arange(start, stop + COARSE_STEP_HZ / 2, COARSE_STEP_HZ)
    grid[-1] = stop
    near = np.zeros(grid.size - 1, dtype=np.bool_)
    for design_hz in {one.design_frequency_hz for one in model.antennas}:
        near |= np.abs(grid[:-1] - design_hz) < DENSE_SHARE * design_hz
    parts = [
        np.arange(low, high, DENSE_STEP_HZ) if dense else np.array([low])
        for low, high, dense in zip(grid[:-1], grid[1:], near, strict=True)
    ]
    return np.append(np.concatenate(parts), stop)


def antenna_of(model: WorldModel, name: str) -> Antenna:
    """The antenna of that name, solved on the coarse grid."""
    return solved(model.antenna(name), tuple(coarse_grid(model).tolist()))


def position_of(model: WorldModel, position: str, offset_m: Point = (0.0, 0.0, 0.0)) -> Point:
    """Where a position lies in the box, metres, with this placing's offset."""
    box = model.box
    places = {
        "near_end": box.near_end_m,
        "middle": box.middle_m,
        "mount_a": box.mount_a_m,
        "mount_b": box.mount_b_m or box.mount_a_m,
    }
    x, y, z = places[position]
    return (x + offset_m[0], y + offset_m[1], z + offset_m[2])


def in_box_reflection(model: WorldModel, antenna: Antenna, lid_open: bool) -> ComplexArray:
    """Reflection of an antenna at the middle port, walls included, on the coarse grid.

    It lies along y, across the range's polarisation, so that it does not shadow the range.
    """
    x, y, z = position_of(model, "middle")
    box = box_of(model.box, lid_open=lid_open, polarised_y=True)
    stand = Stand(antenna, (x, z, y), np.array([1.0, 0.0, 0.0]))
    impedance = antenna.currents.impedance_ohm + echo_ohm(box, stand)
    return antenna.feed.reflection((impedance - 50) / (impedance + 50))


def _entries(two: TwoPort) -> tuple[ComplexArray, ComplexArray, ComplexArray, ComplexArray]:
    return two.s11, two.s12, two.s21, two.s22
