"""Antennas of the foreign benches: circuits with none, one or two dips, and wires by NEC2.

Nothing here is shared with the simulators or with benchd: circuits are written as impedances,
wires are solved by necpp (NEC2, G. J. Burke, A. J. Poggio, 1981).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import necpp
import numpy as np
from scipy.interpolate import CubicSpline
from scipy.signal import argrelmin

Z0_OHM = 50.0
SEGMENTS = 21
FINE_POINTS = 8001

Reflection = Callable[[Any], Any]


@dataclass(frozen=True)
class Antenna:
    """An antenna at its port.

    gamma: frequency in Hz, shape (n,) -> complex reflection on 50 ohm.
    sweep_hz: where its owner looks. points: how many. coupling: as its owner may know it.
    """

    kind: str
    gamma: Reflection
    sweep_hz: tuple[float, float]
    points: int
    coupling: str | None = None

    @property
    def grid_hz(self) -> Any:
        """The frequencies of the sweep."""
        return np.round(np.linspace(*self.sweep_hz, self.points))

    @property
    def fine_hz(self) -> Any:
        """Frequencies close enough to read the truth from."""
        return np.linspace(*self.sweep_hz, FINE_POINTS)

    def dips(self) -> list[tuple[float, float]]:
        """Every local minimum of the reflection inside the sweep: (Hz, return loss in dB), the
        deepest first."""
        size = np.abs(self.gamma(self.fine_hz))
        found = argrelmin(size, order=3)[0]
        pairs = [(float(self.fine_hz[at]), float(-20.0 * np.log10(size[at]))) for at in found]
        return sorted(pairs, key=lambda pair: -pair[1])


def on_line(impedance_ohm: Any) -> Any:
    """Reflection of an impedance on 50 ohm."""
    return (impedance_ohm - Z0_OHM) / (impedance_ohm + Z0_OHM)


def detuning(frequency_hz: Any, at_hz: float) -> Any:
    """f/f0 - f0/f."""
    return frequency_hz / at_hz - at_hz / frequency_hz


def resonator(rng: np.random.Generator) -> Antenna:
    """One resonant circuit, series or parallel, with a little stray reactance."""
    at_hz = rng.uniform(0.5e9, 2.4e9)
    ohm, q, stray_ohm = rng.uniform(28.0, 90.0), rng.uniform(4.0, 15.0), rng.uniform(-6.0, 6.0)
    parallel = rng.random() < 0.5

    def gamma(f: Any) -> Any:
        turn = 1.0 + 1j * q * detuning(f, at_hz)
        return on_line((ohm / turn if parallel else ohm * turn) + 1j * stray_ohm * f / at_hz)

    return _centred(rng, "resonator", gamma, at_hz, rng.uniform(0.2, 0.4))


def matched(rng: np.random.Generator) -> Antenna:
    """One resonant circuit brought close to the system's impedance, so that its dip comes near to
    what a coupler's leak lets anybody see."""
    at_hz = rng.uniform(0.5e9, 2.4e9)
    ohm, q = Z0_OHM * np.exp(rng.normal(0.0, 0.12)), rng.uniform(4.0, 30.0)
    stray_ohm = rng.uniform(-5.0, 5.0)
    parallel = rng.random() < 0.5

    def gamma(f: Any) -> Any:
        turn = 1.0 + 1j * q * detuning(f, at_hz)
        return on_line((ohm / turn if parallel else ohm * turn) + 1j * stray_ohm * f / at_hz)

    return _centred(rng, "matched", gamma, at_hz, min(0.4, rng.uniform(1.5, 3.0) / q))


def patch(rng: np.random.Generator) -> Antenna:
    """A patch: one parallel circuit of high Q behind the reactance of its probe."""
    at_hz, q = rng.uniform(0.8e9, 2.5e9), rng.uniform(30.0, 120.0)
    ohm, probe_ohm = rng.uniform(38.0, 85.0), rng.uniform(2.0, 22.0)

    def gamma(f: Any) -> Any:
        return on_line(ohm / (1.0 + 1j * q * detuning(f, at_hz)) + 1j * probe_ohm * f / at_hz)

    return _centred(rng, "patch", gamma, at_hz, rng.uniform(5.0, 10.0) / q)


def dual(rng: np.random.Generator) -> Antenna:
    """Two modes of one patch or two arms on one feed: two dips of nearly the same depth."""
    at_hz = rng.uniform(0.8e9, 2.4e9)
    apart = rng.uniform(0.025, 0.09)
    first_hz, second_hz = at_hz * (1.0 - apart / 2.0), at_hz * (1.0 + apart / 2.0)
    q = rng.uniform(1.2, 3.0, 2) / apart
    ohm = rng.uniform(42.0, 62.0) * np.exp(rng.normal(0.0, 0.04, 2))
    probe_ohm = rng.uniform(-5.0, 5.0)

    def gamma(f: Any) -> Any:
        modes = [
            one / (1.0 + 1j * sharp * detuning(f, where))
            for one, sharp, where in zip(ohm, q, (first_hz, second_hz), strict=True)
        ]
        return on_line(sum(modes) + 1j * probe_ohm * f / at_hz)

    return _centred(rng, "two dips", gamma, at_hz, rng.uniform(4.0, 7.0) * apart)


def without_dip(rng: np.random.Generator) -> Antenna:
    """Nothing that resonates inside the sweep: too short, too long, or a wrong impedance."""
    at_hz = rng.uniform(0.5e9, 2.4e9)
    span = rng.uniform(0.15, 0.4)
    case = rng.integers(3)
    ohm = rng.uniform(0.5, 4.0)
    reach = rng.uniform(60.0, 300.0) * rng.choice([-1.0, 1.0])
    high_ohm = rng.uniform(600.0, 1500.0)
    q = rng.uniform(3.0, 10.0)
    far_hz = at_hz * rng.choice([0.45, 1.9])

    def gamma(f: Any) -> Any:
        if case == 0:
            return on_line(ohm * (f / at_hz) ** 2 + 1j * reach * f / at_hz)
        if case == 1:
            return on_line(high_ohm * np.ones_like(f) + 0j)
        return on_line(40.0 * (1.0 + 1j * q * detuning(f, far_hz)))

    return _centred(rng, "no dip", gamma, at_hz, span)


def dipole(rng: np.random.Generator) -> Antenna:
    """A dipole in free space, thin or thick, 0.4 to 2.5 GHz, some plainly fed, some through a
    quarter wave of another impedance."""
    at_hz = float(np.exp(rng.uniform(np.log(0.4e9), np.log(2.5e9))))
    wave_m = 2.998e8 / at_hz
    half_m = 0.235 * wave_m
    radius_m = half_m / float(np.exp(rng.uniform(np.log(14.0), np.log(300.0))))
    line = rng.random() < 0.3
    line_ohm = rng.uniform(54.0, 64.0)
    impedance_at = _wires([(0.0, half_m, radius_m)], at_hz)

    def gamma(f: Any) -> Any:
        seen = impedance_at(f)
        return on_line(_through_line(seen, line_ohm, f / at_hz) if line else seen)

    centre_hz = _deepest_near(gamma, at_hz)
    kind = "thick dipole" if half_m / radius_m < 50.0 else "thin dipole"
    found = _centred(rng, kind, gamma, centre_hz, rng.uniform(0.2, 0.45))
    # Plainly fed, every half-wave dipole has more than 50 ohm; half of the owners say so.
    return replace(found, coupling=None if line or rng.random() < 0.5 else "under")


def yagi(rng: np.random.Generator) -> Antenna:
    """Three elements, each cut a little off, matched through a quarter wave."""
    at_hz = float(np.exp(rng.uniform(np.log(0.4e9), np.log(2.5e9))))
    wave_m = 2.998e8 / at_hz
    radius_m = wave_m * rng.uniform(0.0012, 0.005)
    halves = wave_m * np.array([0.2455, 0.2330, 0.2180]) * (1.0 + rng.normal(0.0, 0.006, 3))
    along = wave_m * np.array([-rng.uniform(0.14, 0.22), 0.0, rng.uniform(0.10, 0.2)])
    wires = [(x, h, radius_m) for x, h in zip(along, halves, strict=True)]
    line_ohm = rng.uniform(33.0, 42.0)
    impedance_at = _wires(wires, at_hz, driven=1)

    def gamma(f: Any) -> Any:
        return on_line(_through_line(impedance_at(f), line_ohm, f / at_hz))

    centre_hz = _deepest_near(gamma, at_hz)
    return _centred(rng, "yagi", gamma, centre_hz, rng.uniform(0.15, 0.3))


KINDS: dict[str, Callable[[np.random.Generator], Antenna]] = {
    "resonator": resonator,
    "patch": patch,
    "two dips": dual,
    "no dip": without_dip,
    "dipole": dipole,
    "yagi": yagi,
}


def _centred(
    rng: np.random.Generator, kind: str, gamma: Reflection, at_hz: float, span: float
) -> Antenna:
    """An owner sweeps about where the antenna is expected, a seventh of the span off."""
    centre_hz = at_hz * (1.0 + span * rng.uniform(-0.15, 0.15))
    ends = (centre_hz * (1.0 - span / 2.0), centre_hz * (1.0 + span / 2.0))
    return Antenna(kind, gamma, ends, int(rng.choice([101, 201, 401])))


def _deepest_near(gamma: Reflection, at_hz: float) -> float:
    fine = np.linspace(0.85, 1.15, 3001) * at_hz
    return float(fine[np.argmin(np.abs(gamma(fine)))])


def _through_line(impedance_ohm: Any, line_ohm: float, relative: Any) -> Any:
    """Through a line of a quarter wave at the relative frequency 1 (Pozar, Microwave
    Engineering, input impedance of a terminated line; from memory)."""
    tangent = np.tan(np.pi / 2.0 * relative * 0.999)
    return (
        line_ohm
        * (impedance_ohm + 1j * line_ohm * tangent)
        / (line_ohm + 1j * impedance_ohm * tangent)
    )


def _wires(
    wires: list[tuple[float, float, float]], at_hz: float, driven: int = 0
) -> Callable[[Any], Any]:
    """Feed impedance of parallel wires (place, half length, radius in m) by NEC2, as a spline."""
    grid = np.linspace(0.68, 1.32, 33) * at_hz
    found = [_nec2(wires, float(f), driven) for f in grid]
    return CubicSpline(grid, np.array(found))


def _nec2(wires: list[tuple[float, float, float]], frequency_hz: float, driven: int) -> complex:
    context = necpp.nec_create()
    try:
        for number, (x, half, radius) in enumerate(wires, start=1):
            ends = (x, 0.0, -half, x, 0.0, half)
            assert necpp.nec_wire(context, number, SEGMENTS, *ends, radius, 1, 1) == 0
        necpp.nec_geometry_complete(context, 0)
        necpp.nec_fr_card(context, 0, 1, frequency_hz / 1e6, 0)
        necpp.nec_ex_card(context, 0, driven + 1, SEGMENTS // 2 + 1, 0, 1, 0, 0, 0, 0, 0)
        necpp.nec_rp_card(context, 0, 1, 1, 0, 5, 0, 0, 90, 0, 0, 0, 0, 0)
        return complex(necpp.nec_impedance_real(context, 0), necpp.nec_impedance_imag(context, 0))
    finally:
        necpp.nec_delete(context)
