"""A workshop's range drawn from a seed: room, antennas, cables, instruments; and levels on it.

Levels follow from Friis' law in the room of `room.py`, the reflections at both ends of both
antennas, joints that never close twice alike, a bent scale, drift and noise.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from tests.gain_study.room import Room, joined, line
from tests.gain_study.wires import WireAntenna

NOISE_DBM_PER_HZ = -174.0
RBW_HZ, DWELL_S = 1e4, 2e-3
POINTS = 21
MOUNTS = ("mount_a", "mount_b")


def generator(seed: int, purpose: int) -> np.random.Generator:
    """One generator for each purpose, so that a new draw changes no other."""
    return np.random.default_rng([seed, 77, purpose])


@dataclass(frozen=True, eq=False)
class Fit:
    """What stands where: names of the antennas, the mount, and how far the far one is off it, m."""

    near: str
    far: str
    mount: str = "mount_a"
    offset_m: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass
class Place:
    """One bench. kind: of the antenna under test. noisy: levels near the analyzer's noise."""

    seed: int
    kind: str
    noisy: bool
    design_hz: float
    room: Room
    antennas: dict[str, WireAntenna]
    near_m: Any
    mounts_m: dict[str, Any]
    level_dbm: float
    noise_figure_db: float
    sizes: dict[str, float]
    phases: Any
    switched: bool
    drawn: dict[str, Any] = field(default_factory=dict)
    found: dict[Any, Any] = field(default_factory=dict, repr=False)
    """What its owner has found of it, which is the same in every bench file."""

    @cached_property
    def frequency_hz(self) -> Any:
        """The sweep: 4 % to either side of the design frequency."""
        return np.linspace(0.96, 1.04, POINTS) * self.design_hz

    @property
    def noise_dbm(self) -> float:
        """In the resolution bandwidth."""
        return NOISE_DBM_PER_HZ + self.noise_figure_db + 10.0 * float(np.log10(RBW_HZ))

    # --- what the antennas are joined to ----------------------------------------------------

    def near_gamma(self) -> Any:
        """What the near antenna sees: the source behind its cable."""
        f, s = self.frequency_hz, self.sizes
        own = line(s["near_cable_m"], f, s["near_loss_db"]) ** 2 * s["source_gamma"]
        return own * self.phases[0] + s["joint_gamma"] * self.phases[1]

    def far_gamma(self, mount: str) -> Any:
        """What the far antenna sees: the analyzer behind that mount's cable."""
        f, s = self.frequency_hz, self.sizes
        number = MOUNTS.index(mount)
        length_m = s["far_cable_m"] * (1.0 + 0.03 * number)
        own = line(length_m, f, s["far_loss_db"]) ** 2 * s["analyzer_gamma"]
        return own * self.phases[2] + s["joint_gamma"] * self.phases[3 + number]

    def mount_loss_db(self, mount: str) -> float:
        """Loss of the cable from a mount."""
        return self.sizes["far_loss_db"] + (
            self.sizes["mounts_apart_db"] if mount == "mount_b" else 0.0
        )

    # --- levels -----------------------------------------------------------------------------

    def true_db(self, fit: Fit | None, mount: str = "mount_a", *, walls: bool = True) -> Any:
        """Of the path between source and analyzer, dB; None joins the cables straight."""
        f = self.frequency_hz
        source = self.near_gamma()
        if fit is None:
            load = self.far_gamma(mount)
            zero = np.zeros(f.shape)
            way = joined(source, zero, np.ones(f.shape), zero, load)
        else:
            mount = fit.mount
            near, far = self.antennas[fit.near], self.antennas[fit.far]
            far_m = self.mounts_m[mount] + np.array(fit.offset_m)
            through = self.room.transmission(near, self.near_m, far, far_m, f, walls=walls)
            load = self.far_gamma(mount)
            way = joined(source, near.gamma(f), through, far.gamma(f), load)
        return 20.0 * np.log10(np.abs(way)) - self.sizes["near_loss_db"] - self.mount_loss_db(mount)

    def scale_error_db(self, level_dbm: Any) -> Any:
        """The analyzer's scale: smooth errors over its range."""
        swing = self.sizes["scale_db"]
        return swing * (
            np.sin(level_dbm / 9.0 + self.drawn["scale_turn"][0])
            + 0.6 * np.sin(level_dbm / 4.0 + self.drawn["scale_turn"][1])
        )

    def level_dbm_of(
        self, fit: Fit | None, at_s: float, purpose: int, mount: str = "mount_a"
    ) -> Any:
        """A reading: joints, placing, scale, drift and noise included, dBm (n)."""
        rng = generator(self.seed, 1000 + purpose)
        if fit is not None:
            moved = rng.normal(0.0, self.sizes["placing_m"], 3) + np.array(fit.offset_m)
            fit = Fit(fit.near, fit.far, fit.mount, tuple(moved))
        joints_db = rng.normal(0.0, self.sizes["joint_db"])
        level = self.level_dbm + self.true_db(fit, mount) + joints_db
        level = level + self.sizes["drift_db"] * np.sin(at_s / 1000.0 + self.drawn["drift_turn"])
        level = level + self.scale_error_db(level)
        return _with_noise(level, self.noise_dbm, int(RBW_HZ * DWELL_S), rng)

    def noise_reading_dbm(self, purpose: int) -> Any:
        """The analyzer with RF off at five frequencies, four times each."""
        rng = generator(self.seed, 5000 + purpose)
        count = 4 * int(RBW_HZ * DWELL_S)
        power = rng.exponential(1.0, (5, count)).mean(axis=1)
        return self.noise_dbm + 10.0 * np.log10(power)

    @property
    def range_m(self) -> float:
        """From the near mark to a mount."""
        return float(np.linalg.norm(self.mounts_m["mount_a"] - self.near_m))


def _with_noise(level_dbm: Any, noise_dbm: float, samples: int, rng: np.random.Generator) -> Any:
    """The mean power of carrier and noise over independent samples."""
    carrier = 10.0 ** (level_dbm / 20.0)
    sd = 10.0 ** (noise_dbm / 20.0) / np.sqrt(2.0)
    shape = (samples, np.size(level_dbm))
    seen = carrier + rng.normal(0.0, sd, shape) + 1j * rng.normal(0.0, sd, shape)
    return 10.0 * np.log10(np.mean(np.abs(seen) ** 2, axis=0))


def place(seed: int) -> Place:
    """The workshop of a seed."""
    rng = generator(seed, 0)
    design_hz = float(rng.uniform(1.2e9, 2.4e9))
    wavelength_m = 2.998e8 / design_hz
    size = np.array([rng.uniform(0.56, 0.85), rng.uniform(0.38, 0.62), rng.uniform(0.38, 0.62)])
    size *= max(1.0, wavelength_m / 0.18)
    wall_db = rng.uniform(-25.0, -15.0) + rng.uniform(-3.0, 3.0, 6)
    room = Room(
        size_m=size,
        reflection=10.0 ** (wall_db / 20.0) * np.exp(2j * np.pi * rng.random(6)),
        lining_m=rng.uniform(0.01, 0.06, 6),
        slope=float(rng.uniform(0.3, 1.5)),
        upright=bool(rng.random() < 0.7),
    )
    switched = bool(rng.random() < 0.4)
    aside_m = 0.12 * size[1] if switched else 0.0
    axis = size[1:] / 2.0 + rng.uniform(-0.02, 0.02, 2)
    kind = str(rng.choice(["dipole", "yagi of 3", "yagi of 5"], p=[0.5, 0.3, 0.2]))
    noisy = bool(rng.random() < 0.3)
    band_hz = (0.9 * design_hz, 1.1 * design_hz)
    antennas = {
        "range dipole": _dipole(rng, band_hz, wavelength_m, 0.03),
        "reference dipole": _dipole(rng, band_hz, wavelength_m, 0.03),
        "antenna": _antenna(rng, kind, band_hz, wavelength_m),
    }
    level_dbm = float(np.round(rng.uniform(-82.0, -66.0) if noisy else rng.uniform(-20.0, -5.0)))
    sizes = {
        "near_cable_m": rng.uniform(0.4, 2.0), "far_cable_m": rng.uniform(0.4, 2.0),
        "near_loss_db": rng.uniform(0.2, 1.2), "far_loss_db": rng.uniform(0.2, 1.2),
        "source_gamma": 10.0 ** (-rng.uniform(12.0, 26.0) / 20.0),
        "analyzer_gamma": 10.0 ** (-rng.uniform(12.0, 26.0) / 20.0),
        "joint_gamma": 10.0 ** (-rng.uniform(28.0, 40.0) / 20.0),
        "mounts_apart_db": rng.normal(0.0, 0.15), "joint_db": rng.uniform(0.01, 0.06),
        "scale_db": rng.uniform(0.02, 0.2), "drift_db": rng.uniform(0.01, 0.2),
        "placing_m": rng.uniform(0.0003, 0.002),
    }  # fmt: skip
    near_m = np.array([0.17 * size[0], *axis])
    mount = np.array([0.80 * size[0], *axis])
    side = np.array([0.0, aside_m, 0.0])
    return Place(
        seed=seed, kind=kind, noisy=noisy, design_hz=design_hz, room=room, antennas=antennas,
        near_m=near_m, mounts_m={"mount_a": mount - side, "mount_b": mount + side},
        level_dbm=level_dbm, noise_figure_db=float(rng.uniform(16.0, 32.0)),
        sizes={name: float(value) for name, value in sizes.items()},
        phases=np.exp(2j * np.pi * rng.random(6)), switched=switched,
        drawn={"scale_turn": 2 * np.pi * rng.random(2), "drift_turn": 2 * np.pi * rng.random()},
    )  # fmt: skip


def _dipole(
    rng: np.random.Generator, band_hz: tuple[float, float], wavelength_m: float, spread: float
) -> WireAntenna:
    length_m = wavelength_m * 0.47 * (1.0 + rng.uniform(-spread, spread))
    radius_m = length_m / 2.0 / rng.uniform(14.0, 150.0)
    if length_m / 2.0 / radius_m < 40.0:
        length_m *= 0.96
    wires = ((0.0, float(length_m), float(radius_m)),)
    return WireAntenna(wires, band_hz, loss_db=float(rng.uniform(0.0, 0.15)))


def _antenna(
    rng: np.random.Generator, kind: str, band_hz: tuple[float, float], wavelength_m: float
) -> WireAntenna:
    if kind == "dipole":
        return _dipole(rng, band_hz, wavelength_m, 0.05)
    # Lengths and places in wavelengths of a plain Yagi: driven, reflector, directors.
    rows = ((0.0, 0.455), (-0.2, 0.490), (0.2, 0.428), (0.4, 0.420), (0.6, 0.415))
    scale = wavelength_m * rng.uniform(0.98, 1.02)
    radius_m = wavelength_m * rng.uniform(0.002, 0.004)
    count = int(kind[-1])
    clamp = 0.0 if count == 3 else 0.2
    wires = tuple(
        (float((x - clamp) * scale), float(length * scale), float(radius_m))
        for x, length in rows[:count]
    )
    return WireAntenna(
        wires, band_hz, loss_db=float(rng.uniform(0.0, 0.3)),
        ahead_m=float((0.1 if count == 3 else 0.05) * wavelength_m * rng.uniform(0.5, 1.5)),
        line_ohm=float(rng.uniform(33.0, 42.0)), line_m=wavelength_m / 4.0,
    )  # fmt: skip
