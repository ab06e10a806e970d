"""How exact is the 1/f law of a trim? Dipoles by NEC2, in boxes of this file's own making.

Free space by NEC2 (G. J. Burke, A. J. Poggio, 1981; run by necpp, extended thin-wire kernel). A
box adds the echo of four side walls: an image dipole at twice the wall's distance r, whose mutual
impedance in the far field has the size 2 R G lambda/(4 pi r) (reciprocity and Friis), times the
wall's reflection. The walls are an absorber's: 8 to 22 dB at 0.8 to 2.5 GHz, 4 dB more or less.

    python -m tests.coverage_study.trim_law      # the rows of `benchd.reduce.trim.SCALING_ERRORS`
"""

from __future__ import annotations

from dataclasses import dataclass

import necpp
import numpy as np
from scipy.interpolate import RectBivariateSpline

from benchd.reduce.trim import SLENDERNESS

LIGHT_M_S = 299_792_458.0
TARGET_HZ = 1.7e9
HALF_WAVE_M = 0.47 * LIGHT_M_S / TARGET_HZ
SYSTEM_OHM = 50.0
RADIATION_OHM, DIPOLE_GAIN = 73.0, 1.64
TOO_LONG = (0.02, 0.04, 0.06)
SWEEP_HZ = np.linspace(1.32e9, 2.08e9, 381)
LENGTHS_M = np.linspace(0.87, 1.11, 49) * HALF_WAVE_M


@dataclass(frozen=True, eq=False)
class Solved:
    """Input impedance of one thickness of wire over length and frequency, ohm."""

    resistance: RectBivariateSpline
    reactance: RectBivariateSpline

    def at(self, length_m: float) -> np.ndarray:
        found: np.ndarray = (
            self.resistance(length_m, SWEEP_HZ)[0] + 1j * self.reactance(length_m, SWEEP_HZ)[0]
        )
        return found


def nec_impedance_ohm(length_m: float, radius_m: float, frequency_hz: float) -> complex:
    """A centre-fed dipole in free space; segments of about three radii, 41 at most."""
    segments = int(min(41, max(9, round(length_m / (3.0 * radius_m))))) // 2 * 2 + 1
    half = length_m / 2.0
    context = necpp.nec_create()
    try:
        necpp.nec_wire(context, 1, segments, 0, 0, -half, 0, 0, half, radius_m, 1, 1)
        necpp.nec_geometry_complete(context, 0)
        necpp.nec_ek_card(context, 0)
        necpp.nec_fr_card(context, 0, 1, frequency_hz / 1e6, 0)
        necpp.nec_ex_card(context, 0, 1, segments // 2 + 1, 0, 1, 0, 0, 0, 0, 0)
        necpp.nec_rp_card(context, 0, 1, 1, 0, 5, 0, 0, 90, 0, 0, 0, 0, 0)
        return complex(necpp.nec_impedance_real(context, 0), necpp.nec_impedance_imag(context, 0))
    finally:
        necpp.nec_delete(context)


def solve(slenderness: float) -> Solved:
    """One thickness: the radius stays, as it does while a person cuts."""
    radius_m = HALF_WAVE_M / 2.0 / slenderness
    lengths = np.linspace(0.86, 1.12, 9) * HALF_WAVE_M
    grid_hz = np.linspace(1.3e9, 2.1e9, 21)
    table = np.array([[nec_impedance_ohm(one, radius_m, f) for f in grid_hz] for one in lengths])
    return Solved(
        RectBivariateSpline(lengths, grid_hz, table.real),
        RectBivariateSpline(lengths, grid_hz, table.imag),
    )


def echo_ohm(rng: np.random.Generator) -> np.ndarray:
    """What the four side walls of one drawn box add to the impedance, over SWEEP_HZ.

    Drawn at 0.868, 1.2, 1.7 or 2.4 GHz and scaled to the target: only distances in wavelengths
    matter.
    """
    meant_ghz = float(rng.choice([0.868, 1.2, 1.7, 2.4]))
    across_m = rng.uniform(0.18, 0.3, 2)
    distances_m = np.repeat(across_m, 2)
    distances_m[1::2] += rng.uniform(-0.05, 0.05, 2)
    distances_m *= meant_ghz * 1e9 / TARGET_HZ
    wall_db = np.interp(meant_ghz, [0.8, 1.0, 1.4, 1.7, 2.0, 2.5], [8, 10, 14, 16.4, 18.5, 22])
    size = 10.0 ** (-(wall_db + rng.uniform(-4.0, 4.0)) / 20.0)
    wavelength_m = LIGHT_M_S / SWEEP_HZ
    total = np.zeros(SWEEP_HZ.size, dtype=complex)
    for distance_m, turn in zip(distances_m, rng.uniform(-1.0, 1.0, 4), strict=True):
        way_m = 2.0 * distance_m
        mutual = 2j * RADIATION_OHM * DIPOLE_GAIN * wavelength_m / (4.0 * np.pi * way_m)
        total -= size * np.exp(1j * turn) * mutual * np.exp(-2j * np.pi * way_m / wavelength_m)
    return total


def dip_hz(impedance_ohm: np.ndarray) -> float:
    """The minimum of the reflection in a 50 ohm system, between the points by a parabola."""
    squared = np.abs((impedance_ohm - SYSTEM_OHM) / (impedance_ohm + SYSTEM_OHM)) ** 2
    here = int(np.clip(np.argmin(squared), 1, squared.size - 2))
    low, mid, high = squared[here - 1 : here + 2]
    step = float(SWEEP_HZ[1] - SWEEP_HZ[0])
    return float(SWEEP_HZ[here]) + 0.5 * step * (low - high) / (low - 2.0 * mid + high)


def ratios(slenderness: float, boxes: int, seed: int) -> np.ndarray:
    """Change that is needed over the law's, for dipoles that are too long in drawn boxes."""
    rng = np.random.default_rng(seed)
    solved = solve(slenderness)
    free = np.array([solved.at(length) for length in LENGTHS_M])
    found = []
    for _ in range(boxes):
        dips = np.array([dip_hz(one) for one in free + echo_ohm(rng)])
        crossing = np.flatnonzero(np.diff(np.sign(dips - TARGET_HZ)))
        if crossing.size != 1:
            continue  # two lengths meet the target: no law tells which
        k = int(crossing[0])
        share = (dips[k] - TARGET_HZ) / (dips[k] - dips[k + 1])
        right_m = LENGTHS_M[k] + share * (LENGTHS_M[k + 1] - LENGTHS_M[k])
        for too_long in TOO_LONG:
            length_m = right_m * (1.0 + too_long)
            if length_m <= LENGTHS_M[-1]:
                law = 1.0 - np.interp(length_m, LENGTHS_M, dips) / TARGET_HZ
                found.append((1.0 - right_m / length_m) / law)
    return np.array(found)


def main() -> None:
    """Print one row per slenderness: 95 % of the errors of the law lie within it."""
    for slenderness in SLENDERNESS:
        error = np.abs(ratios(slenderness, 1000, 3) - 1.0)
        print(f"{slenderness:5.0f}  {float(np.quantile(error, 0.95)) / 0.95:.2f}")


if __name__ == "__main__":
    main()
