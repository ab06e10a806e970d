"""The bench file of a drawn range, as its owner qualified it: effective sizes, each a little off.

As in the coverage study of the simulators (docs/coverage.md) no size is the truth itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchd.bench import Bench, parse_bench
from tests.gain_study.place import MOUNTS, Fit, Place, generator
from tests.gain_study.wires import LIGHT_M_PER_S

PLACES = 8
EDGE = 0.68
"""Edge of the cube of places, in wavelengths: 12 cm at 1.7 GHz."""


@dataclass(frozen=True)
class Owner:
    """Who measures and rounds as people do."""

    place: Place

    def guess(self, purpose: int) -> np.random.Generator:
        """The qualification's own errors."""
        return generator(self.place.seed, 100 + purpose)

    def near(self, size: float, purpose: int) -> float:
        """A size as ten readings find it: 10 % off now and then."""
        return size * (1.0 + 0.1 * float(self.guess(purpose).normal()))

    @property
    def wavelength_m(self) -> float:
        """At the design frequency."""
        return LIGHT_M_PER_S / self.place.design_hz

    def _offsets(self, purpose: int) -> Any:
        half = EDGE * self.wavelength_m / 2.0
        return self.guess(purpose).uniform(-half, half, (PLACES, 3))

    def path_spread_db(self, near: str, far: str) -> Any:
        """Standard deviation over places of both ends of one path's level, shape (n,)."""
        return self._once((near, far), lambda: self._path_spread_db(near, far))

    def gain_spread_db(self) -> Any:
        """Standard deviation over places of antenna less reference, shape (n,)."""
        return self._once("difference", self._gain_spread_db)

    def _once(self, key: Any, find: Callable[[], Any]) -> Any:
        if key not in self.place.found:
            self.place.found[key] = find()
        return self.place.found[key]

    def _path_spread_db(self, near: str, far: str) -> Any:
        place, rows = self.place, []
        usual = place.near_m
        for far_off, near_off in zip(self._offsets(1), self._offsets(2), strict=True):
            place.near_m = usual + near_off
            apart_m = np.linalg.norm(place.mounts_m["mount_a"] + far_off - place.near_m)
            level = place.true_db(Fit(near, far, "mount_a", tuple(far_off)))
            rows.append(level + 20.0 * np.log10(apart_m))
            place.near_m = usual
        return np.std(rows, axis=0, ddof=1)

    def _gain_spread_db(self) -> Any:
        rows = []
        for number, offset in enumerate(self._offsets(3)):
            at = ("mount_a", "mount_a")
            if self.place.switched:
                at = MOUNTS[:: 1 if number % 2 else -1]
            levels = [
                self.place.true_db(Fit("range dipole", name, mount, self._turned(offset, mount)))
                for name, mount in zip(("reference dipole", "antenna"), at, strict=True)
            ]
            rows.append(levels[1] - levels[0])
        return np.std(rows, axis=0, ddof=1)

    def _turned(self, offset: Any, mount: str) -> tuple[float, float, float]:
        """The jig of mount B is the mirror image of that of mount A."""
        x, y, z = (float(one) for one in offset)
        return (x, -y if mount == "mount_b" else y, z)

    def match_db(self, gamma: Any, purpose: int) -> float:
        """Effective return loss, to half a decibel."""
        size = float(np.sqrt(np.mean(np.abs(gamma) ** 2)))
        return -20.0 * float(np.log10(size)) + float(self.guess(purpose).normal(0.0, 0.5))

    def linearity_db(self) -> float:
        """Half-width of a rectangle with the spread between two levels, by a step attenuator."""
        levels = np.linspace(self.place.level_dbm - 50.0, self.place.level_dbm, 60)
        error = self.place.scale_error_db(levels)
        apart = error[:, None] - error[None, :]
        return self.near(float(np.sqrt(np.mean(apart**2)) * np.sqrt(3.0)), 4)

    def drift_db(self) -> float:
        """Half-width of a rectangle: two readings at any two times of a slow swing."""
        return self.near(self.place.sizes["drift_db"] * np.sqrt(3.0), 5)

    def reference(self, name: str, purpose: int) -> str:
        """A certificate, off by a normal error of the uncertainty that it states."""
        rng, antenna = self.guess(purpose), self.place.antennas[name]
        uncertainty_db = round(float(rng.uniform(0.15, 0.5)), 2)
        error_db = rng.normal(0.0, uncertainty_db / 2.0)
        at_hz = np.linspace(0.95, 1.05, 9) * self.place.design_hz
        gain = _table(at_hz, antenna.gain_dbi(at_hz) + error_db, "dBi")
        loss_db = -20.0 * np.log10(np.abs(antenna.gamma(at_hz)))
        loss_db = loss_db * (1.0 + 0.03 * rng.normal(size=at_hz.size))
        return (
            f"{{gain: {gain}, gain_is: gain, uncertainty: {uncertainty_db} dB, "
            f"return_loss: {_table(at_hz, np.maximum(loss_db, 0.1), 'dB')}, "
            "return_loss_uncertainty: 0.8 dB}"
        )

    def stated_match(self, purpose: int) -> str:
        """What the antenna under test is known to reflect: to 0.5 dB, as an uncertain bound."""
        at_hz = np.linspace(0.95, 1.05, 9) * self.place.design_hz
        loss_db = -20.0 * np.log10(np.abs(self.place.antennas["antenna"].gamma(at_hz)))
        loss_db = loss_db + self.guess(purpose).normal(0.0, 0.5)
        return _table(at_hz, np.maximum(loss_db, 0.1), "dB")


def _table(frequency_hz: Any, values: Any, unit: str) -> str:
    pairs = zip(frequency_hz, values, strict=True)
    return "{" + ", ".join(f"{f / 1e9:.4f} GHz: {v:.3f} {unit}" for f, v in pairs) + "}"


def bench_file(place: Place, path_of: tuple[str, str]) -> str:
    """The bench file, YAML. path_of: the antennas that the spread of one path was found with."""
    owner, f = Owner(place), place.frequency_hz
    few = slice(None, None, 4)
    wide_mm = 1e3 * place.room.size_m
    joint_db = place.sizes["joint_db"]
    if place.switched:
        joint_db = float(np.hypot(joint_db, abs(place.sizes["mounts_apart_db"]) / np.sqrt(2.0)))
    range_mm = 1e3 * place.range_m + float(owner.guess(6).uniform(-3.0, 3.0))
    # Source and analyzer add: each has half of it. The swing is as fast as the pauses are long.
    drift = f"drift: {{change: {owner.drift_db() / 2.0:.4f} dB, within: 1 h}}"
    lines = [
        f"bench: range-{place.seed}",
        "title: A range drawn for the study of gains",
        "instruments:",
        "  generator: {kind: source, driver: scpi-source, address: 'TCPIP::127.0.0.1::1::SOCKET', "
        "frequency: [400 MHz, 6 GHz], level: [-120 dBm, 15 dBm], "
        f"match: {owner.match_db(place.near_gamma(), 7):.1f} dB, {drift}}}",
        "  analyzer: {kind: analyzer, driver: scpi-analyzer, "
        "address: 'TCPIP::127.0.0.1::2::SOCKET', frequency: [9 kHz, 6.5 GHz], "
        f"largest_input: 20 dBm, linearity: {owner.linearity_db():.3f} dB, "
        f"match: {owner.match_db(place.far_gamma('mount_a'), 8):.1f} dB, {drift}}}",
        *_switch(place),
        "fixtures:",
        "  range_cable: {kind: cable, loss: 0.3 dB}",
        f"  far_cable: {{kind: cable, loss: 0.2 dB, repeatability: "
        f"{owner.near(joint_db, 9):.4f} dB, "
        f"delay: {place.sizes['far_cable_m'] / (0.7 * LIGHT_M_PER_S) * 1e9:.2f} ns}}",
        "box:",
        f"  inside: [{', '.join(f'{edge:.0f} mm' for edge in wide_mm)}]",
        f"  range_length: {range_mm:.0f} mm",
        f"  range_tolerance: {5 if place.kind == 'dipole' else 10} mm",
        "  finite_range: 0.02 dB",
        "  polarisation_tolerance: 1 deg",
        f"  gain_spread: {_table(f[few], owner.gain_spread_db()[few], 'dB')}",
        "  gain_spread_of: [antenna, reference dipole]",
        f"  gain_spread_positions: {PLACES}",
        f"  path_spread: {_table(f[few], owner.path_spread_db(*path_of)[few], 'dB')}",
        f"  path_spread_of: [{path_of[0]}, {path_of[1]}]",
        f"  path_spread_positions: {PLACES}",
        "antennas:",
        *(
            f"  {name}: {{design_frequency: {place.design_hz / 1e9:.4f} GHz, largest_dimension: "
            f"{1e3 * place.antennas[name].size_m:.0f} mm, reference: {owner.reference(name, at)}}}"
            for name, at in (("range dipole", 10), ("reference dipole", 11))
        ),
        f"  antenna: {{design_frequency: {place.design_hz / 1e9:.4f} GHz, largest_dimension: "
        f"{1e3 * place.antennas['antenna'].size_m:.0f} mm, phase_centre: "
        f"{1e3 * (place.antennas['antenna'].ahead_m + owner.guess(12).normal(0, 0.003)):.0f} mm, "
        f"least_return_loss: {owner.stated_match(13)}}}",
        "routes:",
        "  range: {kind: transmission, source: generator, analyzer: analyzer, port: near_end, "
        "far_port: far_end, range_antenna: range dipole, out: [range_cable], "
        + (
            "back: [far_cable, switch.sense], positions: "
            "{mount_a: {switch: {sense: mount_a}}, mount_b: {switch: {sense: mount_b}}}}"
            if place.switched
            else "back: [far_cable]}"
        ),
    ]
    return "\n".join(lines) + "\n"


def _switch(place: Place) -> list[str]:
    if not place.switched:
        return []
    return [
        "  switch: {kind: switch, driver: scpi-switch, address: 'TCPIP::127.0.0.1::3::SOCKET', "
        "loss: 0.2 dB, repeatability: 0.002 dB, banks: {sense: {mount_a: 302, mount_b: 303}}}"
    ]


def bench_of(place: Place, path_of: tuple[str, str]) -> Bench:
    """The bench, read by benchd."""
    return parse_bench(bench_file(place, path_of), file=f"range-{place.seed}.yaml")
