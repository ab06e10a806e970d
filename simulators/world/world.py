"""The virtual workshop: what a person and the instruments can do to it and learn from it."""

import cmath
import math
import threading
from collections import OrderedDict
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulators.physics.curves import SlowCurve
from simulators.physics.wires import SPEED_OF_LIGHT_M_PER_S
from simulators.world.files import read_world
from simulators.world.model import CABLES, ITEMS, POSITIONS, WorldModel
from simulators.world.parts import CHANNELS, Parts, named_generator
from simulators.world.surroundings import ambient_tones, echo_distances_m
from simulators.world.truth import truth_of
from simulators.world.wiring import FINE_STEP_HZ, Curve, Placing, State, Wiring

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

LEAST_TRANSFER = 1e-15
"""Smallest ratio of waves that is told apart from nothing; it stands for nothing at all."""
_CURVES_KEPT = 24
_MOVABLE = ("near_end", "mount_a", "mount_b")
_NOT_MOVED = (0.0, 0.0, 0.0)
_FARTHEST_MOVE_M = 5.0
_SHORTEST_M = 0.01
_PATHS = {"middle": (101, 204, 301), "range": (102, 204, 302)}


class World:
    """One virtual workshop; every method may be called from any thread."""

    def __init__(self, model: WorldModel, *, seed: int | None = None) -> None:
        self.model = model
        self.seed = model.seed if seed is None else seed
        self.lock = threading.RLock()
        span = model.frequency_stop_hz - model.frequency_start_hz
        points = round(span / FINE_STEP_HZ) + 1
        grid = np.linspace(model.frequency_start_hz, model.frequency_stop_hz, points)
        self._start_hz, self._step_hz = float(grid[0]), float(grid[1] - grid[0])
        self._wiring = Wiring(model, Parts.built(model, grid, self.seed))
        self._curves: OrderedDict[State, Curve] = OrderedDict()
        self._current: Curve | None = None
        self._hands = named_generator(self.seed, "hands")
        self._switching = named_generator(self.seed, "switching")
        source = named_generator(self.seed, "source")
        self._flatness = SlowCurve.drawn(source, 0.0, 6.5e9, model.source.flatness_db, 9)
        self._swing_phase_rad = float(named_generator(self.seed, "room").uniform(0, 2 * np.pi))
        self._throw_db: dict[int, float] = {}
        self._state = State(0, 0, 0, ())
        if model.layout == "by-hand":
            self._state = State(*_PATHS["middle"], ())
        self._moved: dict[str, tuple[float, float, float]] = {}
        self._people_walk = True
        placed = dict.fromkeys(POSITIONS, "nothing") | dict(model.placed)
        for position, item in placed.items():
            self.place(position, item)

    @classmethod
    def load(cls, path: Path, *, seed: int | None = None) -> "World":
        """The world of a file. Raises WorldFileError for a file that is none."""
        return cls(read_world(path), seed=seed)

    def generator(self, purpose: int) -> np.random.Generator:
        """An independent seeded generator, the same for the same seed and purpose."""
        return named_generator(self.seed, f"purpose {purpose}")

    # --- what the switch does -----------------------------------------------------------------

    def close_channel(self, channel: int) -> None:
        """Close one throw, opening the others of its bank. ValueError if there is no such."""
        self._check_channel(channel)
        with self.lock:
            if channel not in self.closed_channels():
                sd_db = self.model.switch.repeatability_db
                self._throw_db[channel // 100] = float(self._switching.normal(0.0, sd_db))
                self._set_bank(channel // 100, channel)

    def open_channel(self, channel: int) -> None:
        """Open one throw; its bank's common is then open. ValueError if there is no such."""
        self._check_channel(channel)
        with self.lock:
            if channel in self.closed_channels():
                self._throw_db.pop(channel // 100, None)
                self._set_bank(channel // 100, 0)

    def closed_channels(self) -> tuple[int, ...]:
        """The closed throws, ascending; none on a bench without a switch."""
        with self.lock:
            if self.model.layout == "by-hand":
                return ()
            one = self._state
            return tuple(channel for channel in (one.feed, one.port, one.sense) if channel)

    def _check_channel(self, channel: int) -> None:
        if self.model.layout == "by-hand":
            raise ValueError(f"channel {channel}: this bench has no switch")
        if channel not in CHANNELS:
            raise ValueError(f"no channel {channel}; there are {', '.join(map(str, CHANNELS))}")

    def _set_bank(self, bank: int, channel: int) -> None:
        one = self._state
        self._change(
            replace(
                one,
                feed=channel if bank == 1 else one.feed,
                port=channel if bank == 2 else one.port,
                sense=channel if bank == 3 else one.sense,
            )
        )

    # --- what a person does -------------------------------------------------------------------

    def place(self, position: str, item: str) -> None:
        """Screw an item on; each placing has its own connector error and small offset.

        Raises ValueError for a position or item that does not exist or does not go together.
        """
        items = [one.name for one in self.model.antennas] + list(ITEMS)
        if position not in POSITIONS or (position == "mount_b" and self._one_mount()):
            raise ValueError(f"no position {position!r}; there are {', '.join(POSITIONS)}")
        if item not in items:
            raise ValueError(f"no item {item!r}; there are {', '.join(items)}")
        if item == "thru" and not position.startswith("mount"):
            raise ValueError("a thru joins the range cable to a mount: place it on a mount")
        with self.lock:
            placed = dict(self._state.placed)
            placed[position] = self._screwed_on(item, self._moved.get(position, _NOT_MOVED))
            self._change(replace(self._state, placed=tuple(sorted(placed.items()))))

    def _one_mount(self) -> bool:
        return self.model.box.mount_b_m is None and "mount_b" in dict(self._state.placed)

    def _screwed_on(self, item: str, moved_m: tuple[float, float, float]) -> Placing:
        connector = self.model.connector
        draws = self._hands.normal(size=6)
        offset = draws[3:] * self.model.box.placing_m
        return Placing(
            item=item,
            loss_db=float(abs(draws[0]) * connector.loss_sd_db),
            reflection=complex(draws[1], draws[2]) * connector.reflection_sd,
            offset_m=(
                float(moved_m[0] + offset[0]),
                float(moved_m[1] + offset[1]),
                float(moved_m[2] + offset[2]),
            ),
        )

    def reconnect(self, position: str) -> None:
        """Unscrew what is there and screw it on again. ValueError if there is no such place."""
        if position not in POSITIONS:
            raise ValueError(f"no position {position!r}; there are {', '.join(POSITIONS)}")
        self.place(position, self._state.placing(position).item)

    def trim(self, antenna: str, by_m: float) -> None:
        """File so much off each arm of an antenna's driven element, metres, wherever it stands.

        Raises ValueError for an antenna that does not exist, a negative length (nothing grows
        back), or more than is there.
        """
        known = [one.name for one in self.model.antennas]
        if antenna not in known:
            raise ValueError(f"no antenna {antenna!r}; there are {', '.join(known)}")
        one = self.model.antenna(antenna)
        driven, *others = one.elements
        left_m = driven.length_m - 2.0 * by_m
        if by_m < 0.0 or left_m < _SHORTEST_M:
            raise ValueError(f"cannot file {by_m} m off arms of {driven.length_m / 2.0} m")
        shorter = driven.model_copy(update={"length_m": left_m})
        filed = one.model_copy(update={"elements": (shorter, *others)})
        with self.lock:
            antennas = tuple(filed if each is one else each for each in self.model.antennas)
            self.model = self.model.model_copy(update={"antennas": antennas})
            self._wiring.rebuilt(self.model)
            self._curves.clear()
            self._change(self._state)

    def move(self, position: str, by_m: tuple[float, float, float]) -> None:
        """Put a mount beside its usual place, metres from there; its connectors stay as they are.

        Beyond a wall it stands outside the box. Raises ValueError for a position without a mount
        or a distance beyond 5 m.
        """
        if position not in _MOVABLE or (position == "mount_b" and self._one_mount()):
            raise ValueError(f"{position!r} cannot be moved; {', '.join(_MOVABLE)} can")
        if max(abs(one) for one in by_m) > _FARTHEST_MOVE_M:
            raise ValueError(f"moves go up to {_FARTHEST_MOVE_M} m in each direction, not {by_m}")
        with self.lock:
            self._moved[position] = by_m
            placed = dict(self._state.placed)
            fresh = self._screwed_on(placed[position].item, by_m)
            placed[position] = replace(placed[position], offset_m=fresh.offset_m)
            self._change(replace(self._state, placed=tuple(sorted(placed.items()))))

    def bend(self, cable: str) -> None:
        """Lay a cable in another way: a little loss and reflection, drawn anew."""
        self._check_cable(cable)
        connector = self.model.connector
        with self.lock:
            draws = self._hands.normal(size=3)
            bent = (
                cable,
                float(abs(draws[0]) * connector.flex_loss_sd_db),
                complex(draws[1], draws[2]) * connector.flex_reflection_sd,
            )
            others = tuple(one for one in self._state.flexed if one[0] != cable)
            self._change(replace(self._state, flexed=(*others, bent)))

    def set_bonded(self, is_bonded: bool) -> None:
        """Bond the cables' outer conductors to the box where they pass its wall, or unbond them."""
        with self.lock:
            self._change(replace(self._state, bonded=bool(is_bonded)))

    def set_people(self, walking: bool) -> None:
        """Somebody walks to and fro before the box, or nobody does."""
        with self.lock:
            self._people_walk = bool(walking)

    def set_lid(self, is_open: bool) -> None:
        """Open or close the lid. Closed, its wall reflects; open, waves pass through it."""
        with self.lock:
            self._change(replace(self._state, lid_open=bool(is_open)))

    def lid_is_open(self) -> bool:
        """Whether the lid stands open."""
        return self._state.lid_open

    def pull(self, cable: str) -> None:
        """Pull a cable off. ValueError if there is no such."""
        self._check_cable(cable)
        with self.lock:
            self._change(replace(self._state, pulled=self._state.pulled | {cable}))

    def plug(self, cable: str) -> None:
        """Put a cable back on. ValueError if there is no such."""
        self._check_cable(cable)
        with self.lock:
            self._change(replace(self._state, pulled=self._state.pulled - {cable}))

    def _check_cable(self, cable: str) -> None:
        if cable not in CABLES:
            raise ValueError(f"no cable {cable!r}; there are {', '.join(CABLES)}")

    def connect(self, path: str) -> None:
        """On a bench without a switch: move the cables to the middle port or to the range."""
        if self.model.layout != "by-hand":
            raise ValueError("this bench has a switch: close channels instead")
        if path not in _PATHS:
            raise ValueError(f"no path {path!r}; there are {', '.join(_PATHS)}")
        with self.lock:
            feed, port, sense = _PATHS[path]
            self._change(replace(self._state, feed=feed, port=port, sense=sense))

    def state(self) -> dict[str, Any]:
        """What stands where, JSON-able."""
        with self.lock:
            one = self._state
            answer: dict[str, Any] = {
                "closed": list(self.closed_channels()),
                "placed": {position: placing.item for position, placing in one.placed},
                "pulled": sorted(one.pulled),
                "lid_open": one.lid_open,
                "bonded": one.bonded,
                "people_walk": self._people_walk,
                "moved": {name: list(by_m) for name, by_m in self._moved.items()},
            }
            if self.model.layout == "by-hand":
                answer["path"] = "middle" if one.feed == 101 else "range"
            return answer

    def _change(self, state: State) -> None:
        self._state = state
        self._current = None

    # --- what the instruments see -------------------------------------------------------------

    def temperature_k(self, elapsed_s: float) -> float:
        """Room and warm-up temperature over that at the start, kelvin."""
        room = self.model.temperature
        turn = 2 * math.pi * elapsed_s / room.period_s + self._swing_phase_rad
        swing = room.swing_k * (math.sin(turn) - math.sin(self._swing_phase_rad))
        return swing + room.warm_up_k * (1 - math.exp(-elapsed_s / room.warm_up_s))

    def source_level_dbm(
        self, frequency_hz: FloatArray, set_level_dbm: float, elapsed_s: float
    ) -> FloatArray:
        """What really leaves the source into 50 ohm, dBm, shape of ``frequency_hz``."""
        drift_db = self.model.source.drift_db_per_k * self.temperature_k(elapsed_s)
        flatness = self._flatness(np.asarray(frequency_hz, dtype=np.float64))
        return np.asarray(set_level_dbm + drift_db + flatness)

    def arriving_at_dbm(self, frequency_hz: float, set_level_dbm: float, elapsed_s: float) -> float:
        """Level at the analyzer's input, dBm, for one frequency of the source.

        The same as ``source_level_dbm`` and ``transfer`` give, without what NumPy costs for an
        array of one: a stepped sweep asks this once a point.
        """
        warmer_k = self.temperature_k(elapsed_s)
        leaving_dbm = set_level_dbm + self.model.source.drift_db_per_k * warmer_k
        leaving_dbm += self._flatness.at(frequency_hz)
        with self.lock:
            curve = self._current or self._solved()
            change_db = sum(self._throw_db.values())
        place = min(max((frequency_hz - self._start_hz) / self._step_hz, 0.0), curve.whole.size - 1)
        below = min(int(place), curve.whole.size - 2)
        value = _between(curve.whole, below, place - below)
        if curve.echoed is not None and self._echo_is_on:
            size, detour_s = self._echo_way(elapsed_s)
            turn = cmath.exp(-2j * math.pi * frequency_hz * detour_s)
            value += _between(curve.echoed, below, place - below) * size * turn
        change_db += self.model.analyzer.drift_db_per_k * warmer_k
        transfer = abs(value) * 10 ** (change_db / 20)
        return leaving_dbm + 20 * math.log10(max(transfer, LEAST_TRANSFER))

    def harmonics(
        self, frequency_hz: float, level_dbm: float
    ) -> tuple[tuple[float, float], tuple[float, float]]:
        """Second and third harmonic of the source at its output: (frequency_hz, level_dbm)."""
        source = self.model.source
        # They grow faster than the carrier: dBc worsens 1 dB and 2 dB for each dB above 0 dBm.
        second = level_dbm + source.second_harmonic_dbc + max(0.0, level_dbm)
        third = level_dbm + source.third_harmonic_dbc + 2 * max(0.0, level_dbm)
        return (2 * frequency_hz, second), (3 * frequency_hz, third)

    def transfer(self, frequency_hz: FloatArray, elapsed_s: float) -> ComplexArray:
        """Wave at the analyzer's input per wave leaving the source, shape of ``frequency_hz``.

        All mismatches included. Beyond the world's frequencies its edge value is given.
        """
        with self.lock:
            curve = self._current or self._solved()
            throws_db = sum(self._throw_db.values())
        frequency = np.asarray(frequency_hz, dtype=np.float64)
        value = self._looked_up(curve.whole, frequency)
        if curve.echoed is not None:
            value = value + self._echo(curve.echoed, frequency, elapsed_s)
        drift_db = self.model.analyzer.drift_db_per_k * self.temperature_k(elapsed_s)
        return np.asarray(value * 10 ** ((throws_db + drift_db) / 20))

    def _solved(self) -> Curve:
        curve = self._curves.get(self._state)
        if curve is None:
            curve = self._wiring.curve(self._state)
            self._curves[self._state] = curve
            if len(self._curves) > _CURVES_KEPT:
                self._curves.popitem(last=False)
        self._current = curve
        return curve

    def _looked_up(self, curve: ComplexArray, frequency: FloatArray) -> ComplexArray:
        place = np.clip((frequency - self._start_hz) / self._step_hz, 0.0, curve.size - 1.0)
        below = np.minimum(place.astype(np.intp), curve.size - 2)
        share = place - below
        return np.asarray(curve[below] * (1 - share) + curve[below + 1] * share)

    def _echo(self, echoed: ComplexArray, frequency: FloatArray, elapsed_s: float) -> ComplexArray:
        if not self._echo_is_on:
            return np.zeros(frequency.shape, dtype=np.complex128)
        size, detour_s = self._echo_way(elapsed_s)
        turn = np.exp(-2j * np.pi * frequency * detour_s)
        return np.asarray(self._looked_up(echoed, frequency) * size * turn)

    @property
    def _echo_is_on(self) -> bool:
        return self.model.box.person is not None and self._people_walk

    def _echo_way(self, elapsed_s: float) -> tuple[float, float]:
        """Size of the echo from a person relative to the direct wave, and its detour in s."""
        person = self.model.box.person
        assert person is not None
        one_m, two_m, direct_m = echo_distances_m(self.model.box, person, elapsed_s)
        size = direct_m * math.sqrt(person.cross_section_m2 / (4 * math.pi)) / (one_m * two_m)
        return size, (one_m + two_m - direct_m) / SPEED_OF_LIGHT_M_PER_S

    def ambient(self, centre_hz: float, span_hz: float) -> list[tuple[float, float]]:
        """Outside transmitters at the analyzer's input: (frequency_hz, level_dbm) in the span."""
        with self.lock:
            tones = ambient_tones(self._wiring, self._state)
        low, high = centre_hz - span_hz / 2, centre_hz + span_hz / 2
        return [one for one in tones if low <= one[0] <= high]

    def truth(self) -> dict[str, Any]:
        """What this world is made of, JSON-able; see ``truth.py`` for its keys."""
        with self.lock:
            return {"seed": self.seed} | truth_of(self._wiring, self._state)


def _between(curve: ComplexArray, below: int, share: float) -> complex:
    """A curve's value a share of the way from one of its points to the next."""
    return complex(curve[below]) * (1 - share) + complex(curve[below + 1]) * share
