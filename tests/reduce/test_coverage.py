"""Do the stated 95 % intervals hold the truth in about 95 % of benches?

Each bench is drawn here from its own physics, written without benchd: a series circuit whose
resistance drifts with frequency, a coupler with a leak and a source match of known size and
unknown phase, a line of unknown length, scale and connector errors, noise. Fixed seeds.
"""

from dataclasses import dataclass

import numpy as np
import pytest

from benchd.reduce.bandwidth import band_results
from benchd.reduce.budget_inputs import Known, ReflectionKnowledge
from benchd.reduce.normalise import open_short_mean_db, over_baseline_db
from benchd.reduce.reflection import reflection_at
from benchd.reduce.resonance import resonance

BENCHES = 150
# Binomial: three standard deviations of 150 trials at 95 % are 5.3 %; all 150 inside happens to
# an honest interval once in 2,200, so it would mean intervals wider than they need be.
LEAST, MOST = 0.897, 0.9999
NOISE_DB, LINEARITY_DB, CONNECTOR_DB, LINE_S = 0.02, 0.1, 0.05, 2e-9


@dataclass(frozen=True)
class Antenna:
    """R (1 + slope (f/f0 - 1)) + j R Q (f/f0 - f0/f), on 50 ohm."""

    f0_hz: float
    resistance_ohm: float
    q: float
    slope: float

    def gamma(self, f: np.ndarray) -> np.ndarray:
        z = self.resistance_ohm * (1 + self.slope * (f / self.f0_hz - 1))
        z = z + 1j * self.resistance_ohm * self.q * (f / self.f0_hz - self.f0_hz / f)
        return (z - 50) / (z + 50)


def draw(rng: np.random.Generator, directivity_db: float) -> tuple[np.ndarray, np.ndarray, Antenna]:
    """Grid, normalised trace in dB, and the antenna behind it."""
    antenna = Antenna(
        1.7e9 * rng.uniform(0.95, 1.05), rng.uniform(30, 90), rng.uniform(3, 10), rng.uniform(0, 2)
    )
    f = np.linspace(1.3e9, 2.1e9, 201)
    phase = np.exp(2j * np.pi * rng.uniform(size=2))
    there_and_back = np.exp(-4j * np.pi * f * rng.uniform(0, 2 * LINE_S))
    leak = 10 ** (-directivity_db / 20) * phase[0]
    match = 0.1 * phase[1] * there_and_back

    def level_db(gamma: np.ndarray) -> np.ndarray:
        voltage = leak + there_and_back * gamma / (1 - match * gamma)
        return 20 * np.log10(np.abs(voltage)) + rng.normal(0, NOISE_DB, f.size)

    baseline = open_short_mean_db(level_db(np.ones(f.size)), level_db(-np.ones(f.size)))
    off_db = rng.uniform(-LINEARITY_DB, LINEARITY_DB) + rng.normal(0, CONNECTOR_DB)
    return f, over_baseline_db(level_db(antenna.gamma(f)) + off_db, baseline), antenna


def known(directivity_db: float) -> ReflectionKnowledge:
    """What the bench's owner would have in the file."""
    return ReflectionKnowledge(
        directivity_db=Known(directivity_db),
        source_match_db=Known(20.0),
        linearity_db=Known(LINEARITY_DB),
        connector_sd_db=Known(CONNECTOR_DB),
        joint_gamma_sd=Known(0.0),
        drift_db=Known(0.0),
        noise_sd_db=Known(NOISE_DB * np.sqrt(1.5)),
        line_delay_s=Known(LINE_S),
        frequency_error=Known(0.0),
    )


def test_resonance_intervals_hold_the_truth() -> None:
    """The truth is the minimum of the antenna's own reflection on a grid of 10 kHz."""
    rng = np.random.default_rng(41)
    held, off, wide = [], [], []
    for seed in range(BENCHES):
        directivity_db = rng.uniform(27, 40)
        f, trace, antenna = draw(rng, directivity_db)
        fine = np.linspace(f[0], f[-1], 80_001)
        truth = fine[np.argmin(np.abs(antenna.gamma(fine)))]
        found = resonance(f, trace, known(directivity_db), seed=seed)
        assert found.budget is not None, found.flags
        held.append(found.budget.low <= truth <= found.budget.high)
        off.append(found.frequency_hz - truth)
        wide.append(found.budget.expanded)
    assert LEAST <= np.mean(held) <= MOST
    # Not wider than need be either: 95 % of the errors reach about as far as the half-width.
    assert 0.8 < np.quantile(np.abs(off) / np.array(wide), 0.95) < 1.2


@pytest.mark.parametrize("directivity_db", [28.0, 38.0])
def test_return_loss_intervals_hold_the_truth(directivity_db: float) -> None:
    """At a random point of the trace: from a full reflection down to below the directivity."""
    rng = np.random.default_rng(42)
    held = []
    for seed in range(4 * BENCHES):
        f, trace, antenna = draw(rng, directivity_db)
        at = rng.choice(f, 1)
        point = reflection_at(f, trace, float(at[0]), known(directivity_db), seed=seed)
        truth = float(np.abs(antenna.gamma(at))[0])
        held.append((point.gamma_low or 0.0) <= truth <= point.gamma_high)
    assert 0.923 <= np.mean(held) <= 0.977  # three standard deviations of 600 trials


def test_return_loss_intervals_hold_the_truth_near_the_directivity() -> None:
    """Reflections of half to three times the leak, the region where k = 2 would fail."""
    rng = np.random.default_rng(43)
    directivity_db = 30.0
    leak = 10 ** (-directivity_db / 20)
    f = np.linspace(1e9, 2e9, 11)
    held, one_sided = [], []
    for seed in range(600):
        truth = leak * rng.uniform(0.5, 3.0)
        reading = abs(truth + leak * np.exp(2j * np.pi * rng.uniform()))
        off_db = rng.uniform(-LINEARITY_DB, LINEARITY_DB) + rng.normal(0, CONNECTOR_DB)
        trace = np.full(11, 20 * np.log10(reading) + off_db)
        point = reflection_at(f, trace, 1.5e9, known(directivity_db), seed=seed)
        one_sided.append(point.gamma_low is None)
        held.append((point.gamma_low or 0.0) <= truth <= point.gamma_high)
    assert 0.92 <= np.mean(held) <= 0.995  # one-sided statements are safe, not exact
    assert 0.1 < np.mean(one_sided) < 0.6


def test_band_edges_and_widths_hold_the_truth() -> None:
    """The -10 dB band; benches whose antenna never reaches it are drawn again."""
    rng = np.random.default_rng(44)
    held: dict[str, list[bool]] = {}
    while len(held.get("bandwidth", [])) < BENCHES:
        f, trace, antenna = draw(rng, 30.0)
        fine = np.linspace(f[0], f[-1], 80_001)
        inside = fine[np.abs(antenna.gamma(fine)) < 10**-0.5]
        results = band_results(f, trace, 10.0, float(f[np.argmin(trace)]), known(30.0))
        if inside.size == 0 or len(results) == 1 or "open-band" in results[0].flags:
            continue
        truths = (inside[-1] - inside[0], inside[0], inside[-1])
        for result, truth in zip(results, truths, strict=True):
            assert result.low is not None
            assert result.high is not None
            held.setdefault(result.quantity, []).append(result.low <= truth <= result.high)
    shares = {name: float(np.mean(values)) for name, values in held.items()}
    assert set(shares) == {"bandwidth", "bandwidth_low_edge", "bandwidth_high_edge"}
    assert all(LEAST <= share <= MOST for share in shares.values()), shares
