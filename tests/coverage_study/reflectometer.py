"""A scalar reflectometer of foreign make, by its scattering parameters.

Coupler, joint, port cable, joint: each a two-port, cascaded exactly. The leak that the port sees
is the sum of the coupler's own and of what every joint sends back behind its own delay, so that
it ripples over frequency. Nothing here is shared with the simulators or with benchd.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.coverage_study.antennas import Antenna, Reflection


@dataclass(frozen=True)
class Stray:
    """A small reflection: size (linear), phase in rad, one-way delay in s."""

    size: float
    phase_rad: float
    delay_s: float

    def at(self, f: Any) -> Any:
        """Over frequency."""
        return self.size * np.exp(1j * (self.phase_rad - 4.0 * np.pi * f * self.delay_s))


@dataclass(frozen=True)
class Reflectometer:
    """What stands between the detector and the antenna's port.

    leaks: of the coupler itself. match: that the coupler shows towards the port.
    near, far: joints at the two ends of the port cable. cable_delay_s: one way.
    dynamic_db: open's level over the noise power. samples: independent, averaged in one point.
    joint_loss_db, joint_reflection: spread of a connection made anew (sd; rms).
    scale_db: half-width of the analyzer's scale error. drift_db: half-width, test to baseline.
    """

    leaks: tuple[Stray, ...]
    match: tuple[Stray, ...]
    near: Stray
    far: Stray
    cable_delay_s: float
    cable_loss_db: float
    dynamic_db: float
    samples: int
    joint_loss_db: float
    joint_reflection: float
    scale_db: float
    drift_db: float

    def seen(self, f: Any, gamma: Any) -> Any:
        """Complex reading for a reflection at the port, any shapes that broadcast with f."""
        through = 10.0 ** (-self.cable_loss_db / 20.0) * np.exp(
            -2j * np.pi * f * self.cable_delay_s
        )
        behind_far = _behind(self.far.at(f), gamma)
        behind_near = _behind(self.near.at(f), behind_far * through**2)
        match = sum(one.at(f) for one in self.match)
        return sum(one.at(f) for one in self.leaks) + behind_near / (1.0 - match * behind_near)

    def terms(self, f: Any) -> tuple[Any, Any]:
        """Effective directivity and source match at the port, complex, from open, short, match."""
        nothing, opened, shorted = (
            self.seen(f, g) for g in (0.0 * f, 1.0 + 0.0 * f, -1.0 + 0.0 * f)
        )
        # M = e0 + T G/(1 - S G) with G = +-1.
        up, down = opened - nothing, shorted - nothing
        match = (up + down) / (up - down)
        tracking = up * (1.0 - match)
        return nothing / tracking, match


def _behind(stray: Any, gamma: Any) -> Any:
    """Reflection seen through a small lossless mismatch: r + (1 - r^2) G/(1 + r G)."""
    return stray + (1.0 - stray**2) * gamma / (1.0 + stray * gamma)


def drawn_reflectometer(rng: np.random.Generator, low_level: bool, rippling: bool) -> Reflectometer:
    """One of many makes. rippling: a long port cable with poor joints makes most of the leak."""
    coupler = 10.0 ** (-rng.uniform(25.0, 42.0) / 20.0)
    shares = rng.dirichlet(np.ones(2))
    leaks = tuple(
        Stray(coupler * float(np.sqrt(share)), rng.uniform(0, 2 * np.pi), rng.uniform(0.0, 0.2e-9))
        for share in shares
    )
    match = Stray(
        10.0 ** (-rng.uniform(16.0, 30.0) / 20.0), rng.uniform(0, 2 * np.pi), rng.uniform(0, 0.2e-9)
    )
    joint_db = (26.0, 36.0) if rippling else (32.0, 48.0)
    near, far = (
        Stray(10.0 ** (-rng.uniform(*joint_db) / 20.0), rng.uniform(0, 2 * np.pi), 0.0)
        for _ in range(2)
    )
    delay_s = rng.uniform(3e-9, 9e-9) if rippling else rng.uniform(0.3e-9, 4e-9)
    return Reflectometer(
        leaks=leaks,
        match=(match,),
        near=near,
        far=far,
        cable_delay_s=delay_s,
        cable_loss_db=0.25e9 * delay_s,
        dynamic_db=rng.uniform(22.0, 38.0) if low_level else rng.uniform(50.0, 75.0),
        samples=int(rng.integers(10, 40)),
        joint_loss_db=rng.uniform(0.005, 0.04),
        joint_reflection=rng.uniform(0.0005, 0.003),
        scale_db=rng.uniform(0.05, 0.3),
        drift_db=rng.uniform(0.0, 0.08),
    )


def readings(
    rng: np.random.Generator,
    bench: Reflectometer,
    antenna: Antenna,
    again: Reflection | None = None,
) -> tuple[dict[str, Any], float]:
    """Levels over the sweep of open, short and antenna, dB over the open's; and the noise power
    as it was read with RF off.

    again: a second antenna, measured over the same open and short (`again`)."""
    f = antenna.grid_hz
    noise = 10.0 ** (-bench.dynamic_db / 20.0)
    bend_db = rng.uniform(-bench.scale_db, bench.scale_db)
    found = {}
    drift_db = rng.uniform(-bench.drift_db, bench.drift_db)
    shown = {"open": 1.0 + 0.0 * f, "short": -1.0 + 0.0 * f, "test": antenna.gamma(f)}
    if again is not None:
        shown["again"] = again(f)
    for role, gamma in shown.items():
        parts = rng.normal(size=2) * bench.joint_reflection / np.sqrt(2.0)
        carrier = bench.seen(f, gamma + complex(*parts))
        shape = (f.size, bench.samples)
        hiss = (rng.normal(size=shape) + 1j * rng.normal(size=shape)) * noise / np.sqrt(2.0)
        power = np.mean(np.abs(carrier[:, None] + hiss) ** 2, axis=1)
        level_db = 10.0 * np.log10(power) + rng.normal(0.0, bench.joint_loss_db)
        if role in ("test", "again"):
            # The scale errs between the two levels, as far as they lie apart.
            if role == "again":
                drift_db = rng.uniform(-bench.drift_db, bench.drift_db)
            level_db = level_db + drift_db + bend_db * np.tanh(-level_db / 15.0)
        found[role] = level_db
    blank = (
        rng.normal(size=(5, bench.samples)) ** 2 + rng.normal(size=(5, bench.samples)) ** 2
    ) / 2
    return found, float(-bench.dynamic_db + 10.0 * np.log10(np.mean(blank)))
