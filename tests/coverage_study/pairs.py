"""Pairs of antennas on drawn benches: does the stated difference hold the true one?

The physics is this file's own and written without the shipped simulator: an antenna is a series
resonator behind a piece of line, leak and source match are sums of echoes behind a port cable,
open, short and antenna are read through the exact reflectometer equation, and each measurement has
its own joint, drift and noise. Of each bench two pairs are drawn: one antenna measured twice, and
two that differ as revisions do.

    python -m tests.coverage_study.pairs --benches 200 --seed 1
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.budget_inputs import Known, ReflectionKnowledge
from benchd.reduce.resonance import resonance
from benchd.reduce.revision_readings import Looked, Reading, at_frequency, of_band, of_dip, of_worst
from benchd.reduce.revisions import Pair
from benchd.reduce.worst_match import worst_results
from benchd.results import Result

GRID_HZ = np.linspace(1.45e9, 1.95e9, 101)
FINE_HZ = np.linspace(1.45e9, 1.95e9, 5001)
AT_HZ = 1.7e9
BAND_HZ = (1.66e9, 1.74e9)
EFFECTIVE_HZ = (0.4e9, 6e9)
"""Band over which leak and source match have, as root mean square, the size that is stated: what
they are where the antennas are compared is larger or smaller."""

STATED_FREEDOM = 50.0
"""Of those sizes: known to 10 %, as of a bench file."""

EDGE = 10.0 ** (-10.0 / 20.0)


@dataclass(frozen=True)
class Antenna:
    """A series resonator: f0, loaded at its own resistance; `rising` is how R grows with f."""

    f0_hz: float
    q: float
    resistance: float
    rising: float
    line_s: float

    def reflection(self, f: np.ndarray) -> np.ndarray:
        """Complex, against the system's impedance."""
        detuned = f / self.f0_hz - self.f0_hz / f
        z = self.resistance * (1.0 + self.rising * (f / self.f0_hz - 1.0) + 1j * self.q * detuned)
        found: np.ndarray = (z - 1.0) / (z + 1.0) * np.exp(-4j * np.pi * f * self.line_s)
        return found


@dataclass(frozen=True)
class Bench:
    """One drawn bench; sizes in dB as its owner states them."""

    seed: int
    directivity_db: float
    match_db: float
    delay_s: float
    linearity_db: float
    noise_db: float
    connector_db: float = 0.03
    joint: float = 0.0012
    drift_db: float = 0.03

    def errors(self, f: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Leak and source match over frequency: the cable turns one against the other."""
        rng = np.random.default_rng([self.seed, 5])
        turn = np.exp(4j * np.pi * f * self.delay_s)
        leak = _echoes(rng, f, self.directivity_db) * turn
        return leak, _echoes(rng, f, self.match_db) * np.conj(turn)

    def measured_db(self, antenna: Antenna, rng: np.random.Generator) -> np.ndarray:
        """Normalised by the mean of open and short in dB; shape of GRID_HZ."""
        leak, match = self.errors(GRID_HZ)
        joint = self.joint * (rng.normal() + 1j * rng.normal())
        gamma = antenna.reflection(GRID_HZ) + joint
        shown = np.abs(leak + gamma / (1.0 - match * gamma))
        opened, shorted = np.abs(leak + 1.0 / (1.0 - match)), np.abs(leak - 1.0 / (1.0 + match))
        ratio_db = 20.0 * np.log10(shown / np.sqrt(opened * shorted))
        # The scale's error grows with the distance of the two levels, 10 dB for all of it.
        scale = np.random.default_rng([self.seed, 6]).uniform(-1.0, 1.0) * self.linearity_db / 10.0
        own_db = self.connector_db * rng.normal() + self.drift_db * rng.uniform(-1.0, 1.0)
        found: np.ndarray = ratio_db * (1.0 + scale) + own_db
        return found + rng.normal(0.0, self.noise_db, GRID_HZ.size)

    def known(self) -> ReflectionKnowledge:
        """What the owner states."""
        return ReflectionKnowledge(
            directivity_db=Known(self.directivity_db, degrees_of_freedom=STATED_FREEDOM),
            source_match_db=Known(self.match_db, degrees_of_freedom=STATED_FREEDOM),
            leak_band_hz=EFFECTIVE_HZ,
            linearity_db=Known(self.linearity_db),
            connector_sd_db=Known(self.connector_db),
            joint_gamma_sd=Known(self.joint),
            drift_db=Known(self.drift_db),
            noise_sd_db=Known(self.noise_db),
            line_delay_s=Known(self.delay_s),
        )


@dataclass(frozen=True)
class Line:
    """One difference stated on one bench, against the true one."""

    quantity: str
    changed: bool
    truth: float
    result: Result

    @property
    def holds(self) -> bool:
        """The truth lies in the interval, which may be open on one side."""
        low, high = self.ends
        return low <= self.truth <= high

    @property
    def differs(self) -> bool:
        """The interval leaves out zero."""
        low, high = self.ends
        return not low <= 0.0 <= high

    @property
    def ends(self) -> tuple[float, float]:
        """Of the interval; infinite where it is open."""
        low, high = self.result.low, self.result.high
        return -np.inf if low is None else low, np.inf if high is None else high

    @property
    def half_width(self) -> float:
        """Of the interval; infinite where it is open on one side."""
        return (self.ends[1] - self.ends[0]) / 2.0


def _echoes(rng: np.random.Generator, f: np.ndarray, size_db: float) -> np.ndarray:
    sizes = rng.normal(size=2) + 1j * rng.normal(size=2)
    delays = rng.uniform(0.0, 0.3e-9, 2)
    wide = np.linspace(*EFFECTIVE_HZ, 1500)
    rms = np.sqrt(np.mean(np.abs(sizes @ np.exp(-2j * np.pi * np.outer(delays, wide))) ** 2))
    curve = sizes @ np.exp(-2j * np.pi * np.outer(delays, f))
    found: np.ndarray = curve * 10.0 ** (-size_db / 20.0) / rms
    return found


def band_hz(f: np.ndarray, gamma: np.ndarray) -> tuple[float, float] | None:
    """Where a magnitude falls below and rises above EDGE, by straight lines; None at an end."""
    inside = np.flatnonzero(gamma < EDGE)
    if not inside.size or inside[0] == 0 or inside[-1] == f.size - 1:
        return None
    first, last = int(inside[0]), int(inside[-1])

    def crossing(k: int) -> float:
        share = (gamma[k] - EDGE) / (gamma[k] - gamma[k + 1])
        return float(f[k] + share * (f[k + 1] - f[k]))

    return crossing(first - 1), crossing(last)


def drawn(seed: int, *, changed: bool) -> Iterator[Line]:
    """Differences of two measurements on one bench: of one antenna, or of two revisions."""
    rng = np.random.default_rng(seed)
    bench = Bench(
        seed,
        directivity_db=rng.uniform(26.0, 36.0),
        match_db=rng.uniform(15.0, 24.0),
        delay_s=rng.uniform(0.5e-9, 2e-9),
        linearity_db=rng.uniform(0.1, 0.3),
        noise_db=rng.uniform(0.005, 0.05),
    )
    first = Antenna(
        rng.uniform(1.62e9, 1.78e9),
        float(np.exp(rng.uniform(np.log(4.0), np.log(30.0)))),
        float(np.exp(rng.uniform(-0.7, 0.7))),
        rng.uniform(0.0, 1.5),
        rng.uniform(0.0, 0.2e-9),
    )
    second = first
    if changed:
        second = replace(
            first,
            f0_hz=first.f0_hz + rng.normal(0.0, 15e6),
            q=first.q * float(np.exp(rng.normal(0.0, 0.05))),
            resistance=first.resistance * float(np.exp(rng.normal(0.0, 0.1))),
        )
    traces = [bench.measured_db(one, rng) for one in (first, second)]
    truths = [np.abs(one.reflection(FINE_HZ)) for one in (first, second)]
    known = bench.known()
    sides = [Looked(GRID_HZ, one, lambda at_hz: known) for one in traces]
    pair = Pair(sides[0], sides[1])

    def line(
        quantity: str, unit: str, found: list[float], true: list[float], how: list[Reading]
    ) -> Line:
        one, other = (Result(quantity, value, unit, None, None) for value in found)
        result = pair.difference(one, other, (how[0], how[1]))
        return Line(quantity, changed, true[1] - true[0], result)

    with suppress(ReductionRefused):  # both may be the leak alone
        yield line(
            "return_loss",
            "dB",
            [-float(np.interp(AT_HZ, GRID_HZ, one)) for one in traces],
            [-20.0 * float(np.log10(np.interp(AT_HZ, FINE_HZ, one))) for one in truths],
            [at_frequency("return_loss", AT_HZ)] * 2,
        )
    worst = [worst_results(GRID_HZ, one, BAND_HZ, lambda at_hz: known)[0] for one in traces]
    inside = (BAND_HZ[0] <= FINE_HZ) & (BAND_HZ[1] >= FINE_HZ)
    with suppress(ReductionRefused):
        how = of_worst("worst_return_loss", BAND_HZ)
        result = pair.difference(worst[0], worst[1], (how, how))
        ends = [-20.0 * float(np.log10(one[inside].max())) for one in truths]
        yield Line("worst_return_loss", changed, ends[1] - ends[0], result)
    dips = [resonance(GRID_HZ, one, known) for one in traces]
    if all(one.budget is not None for one in dips):
        yield line(
            "resonance_frequency",
            "Hz",
            [one.frequency_hz for one in dips],
            [float(FINE_HZ[int(np.argmin(one))]) for one in truths],
            [
                of_dip("resonance_frequency", side, dip.frequency_hz)
                for side, dip in zip(sides, dips, strict=True)
            ],
        )
    bands = [band_hz(GRID_HZ, 10.0 ** (one / 20.0)) for one in traces]
    true_bands = [band_hz(FINE_HZ, one) for one in truths]
    seen = [one for one in bands if one is not None]
    true = [one for one in true_bands if one is not None]
    if len(seen) == len(true) == 2:
        with suppress(ReductionRefused):  # a band that the leak may have made is not compared
            yield line(
                "bandwidth",
                "Hz",
                [high - low for low, high in seen],
                [high - low for low, high in true],
                [of_band("width", side, edges) for side, edges in zip(sides, seen, strict=True)],
            )


def table(draws: Callable[..., Iterator[Line]]) -> None:
    """Print a table: share held, share called different, median half-width."""
    options = argparse.ArgumentParser(description=table.__doc__)
    options.add_argument("--benches", type=int, default=200)
    options.add_argument("--seed", type=int, default=1)
    chosen = options.parse_args()
    lines: dict[tuple[str, bool], list[Line]] = defaultdict(list)
    for seed in range(chosen.seed, chosen.seed + chosen.benches):
        for changed in (False, True):
            for one in draws(seed, changed=changed):
                lines[one.quantity, changed].append(one)
    print("| difference of | pairs | drawn | held | called different | median half-width |")
    print("| --- | --- | ---: | ---: | ---: | ---: |")
    for (quantity, changed), found in sorted(lines.items()):
        held = 100.0 * float(np.mean([one.holds for one in found]))
        differ = 100.0 * float(np.mean([one.differs for one in found]))
        width = float(np.median([one.half_width for one in found]))
        shown = f"{width / 1e6:.2f} MHz" if "loss" not in quantity else f"{width:.2f} dB"
        what = "two revisions" if changed else "one antenna twice"
        name = quantity.replace("_", " ")
        print(f"| {name} | {what} | {len(found)} | {held:.1f} % | {differ:.1f} % | {shown} |")


if __name__ == "__main__":
    table(drawn)
