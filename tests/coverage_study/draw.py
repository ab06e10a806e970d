"""Draws one virtual workshop from a seed: the truth that benchd never sees.

Sizes span what a one-person workshop meets: boxes from cramped to roomy with thin to thick
linings, couplers from plain to good, an analyzer that is nearly ideal or rather bent, antennas
that miss their frequency by some per cent, levels from comfortable to close to the noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulators.world import World
from simulators.world.model import WorldModel

DESIGN_HZ = 1.7e9
SWEEP_HZ = (1.45e9, 1.95e9)
# A little wider than the sweep and than the 15 % in which the world looks for a resonance.
WORLD_HZ = (1.35e9, 2.05e9)
NOISY_SHARE = 0.3
YAGI = ((0.0, 0.0802), (-0.035, 0.0880), (0.035, 0.0747), (0.070, 0.0761), (0.106, 0.0712))
LAYERS = ((0.02, 0.885, 6.0), (0.02, 0.0, 3.25), (0.02, 0.42, 0.781))


@dataclass(frozen=True)
class Drawn:
    """One bench of the study.

    level_dbm: what the source is set to. pause_s: between baseline and antenna.
    """

    seed: int
    world: World
    level_dbm: float
    pause_s: float

    @property
    def switched(self) -> bool:
        """By switch, or by hand."""
        return self.world.model.layout == "switched"


def generator(seed: int, purpose: int) -> np.random.Generator:
    """One generator for each purpose, so that a new draw changes no other."""
    return np.random.default_rng([seed, 3, purpose])


def drawn(seed: int) -> Drawn:
    """The workshop of a seed."""
    rng = generator(seed, 0)
    switched = bool(rng.random() < 0.5)
    noisy = bool(rng.random() < NOISY_SHARE)
    model = WorldModel.model_validate(_world(rng, switched))
    level_dbm = float(np.round(rng.uniform(-70.0, -55.0) if noisy else rng.uniform(-20.0, -5.0)))
    return Drawn(seed, World(model, seed=seed), level_dbm, float(rng.uniform(60.0, 7200.0)))


def _world(rng: np.random.Generator, switched: bool) -> dict[str, object]:
    return {
        "name": "drawn",
        "layout": "switched" if switched else "by-hand",
        "frequency_start_hz": WORLD_HZ[0],
        "frequency_stop_hz": WORLD_HZ[1],
        "source": {
            "flatness_db": rng.uniform(0.1, 0.8),
            "match_db": rng.uniform(12.0, 24.0),
        },
        "analyzer": {
            "noise_figure_db": rng.uniform(16.0, 32.0),
            "response_db": rng.uniform(0.1, 1.0),
            "linearity_db": rng.uniform(0.03, 0.4),
            "match_db": rng.uniform(14.0, 26.0),
        },
        "temperature": {
            "swing_k": rng.uniform(0.0, 3.0),
            "period_s": rng.uniform(2000.0, 8000.0),
            "warm_up_k": rng.uniform(0.0, 2.0),
        },
        "cables": _cables(rng),
        "coupler": {
            "coupling_db": rng.uniform(10.0, 20.0),
            "directivity_db": rng.uniform(24.0, 40.0),
            "directivity_length_m": rng.uniform(0.02, 0.12),
            "match_db": rng.uniform(18.0, 30.0),
        },
        "switch": {
            "isolation_db": rng.uniform(75.0, 95.0),
            "match_db": rng.uniform(24.0, 36.0),
            "repeatability_db": rng.uniform(0.003, 0.03),
        },
        "connector": {
            "loss_sd_db": rng.uniform(0.005, 0.05),
            "reflection_sd": rng.uniform(0.001, 0.01),
        },
        "box": _box(rng),
        "antennas": _antennas(rng),
        "placed": {"near_end": "range dipole", "mount_a": "reference dipole"}
        | ({"mount_b": "antenna", "middle": "antenna"} if switched else {}),
        "instruments": _instruments(switched),
    }


def _cables(rng: np.random.Generator) -> dict[str, object]:
    lengths = {
        "source_cable": (0.3, 1.0),
        "range_cable": (0.5, 1.5),
        "port_cable": (0.1, 0.5),
        "sense_cable": (0.3, 1.0),
        "far_cable": (0.4, 1.5),
    }
    return {
        name: {
            "length_m": rng.uniform(*ends),
            "loss_db_per_m_at_1ghz": rng.uniform(0.3, 0.9),
            "match_db": rng.uniform(24.0, 38.0),
        }
        for name, ends in lengths.items()
    }


def _box(rng: np.random.Generator) -> dict[str, object]:
    size = [rng.uniform(0.56, 0.85), rng.uniform(0.38, 0.60), rng.uniform(0.38, 0.60)]
    thickness, loss = rng.uniform(0.8, 1.4), rng.uniform(0.7, 1.3)
    x, y, z = size
    aside = 0.08
    near = [0.1, y / 2 + rng.uniform(-0.02, 0.02), z / 2 + rng.uniform(-0.02, 0.02)]
    return {
        "size_m": size,
        "near_end_m": near,
        "middle_m": [x / 2, near[1], near[2]],
        # Both mounts at one distance from the near end.
        "mount_a_m": [x - 0.12, near[1] - aside, near[2]],
        "mount_b_m": [x - 0.12, near[1] + aside, near[2]],
        "absorber": {
            "layers": [
                {"thickness_m": t * thickness, "susceptibility": s, "loss": lossy * loss}
                for t, s, lossy in LAYERS
            ]
        },
        "placing_m": rng.uniform(0.0003, 0.002),
    }


def _antennas(rng: np.random.Generator) -> list[dict[str, object]]:
    return [
        _dipole(rng, "range dipole", (0.074, 0.080), (2e-3, 5e-3)),
        _dipole(rng, "reference dipole", (0.079, 0.083), (0.8e-3, 2e-3)),
        _yagi(rng) if rng.random() < 0.4 else _under_test(rng),
    ]


def _dipole(
    rng: np.random.Generator,
    name: str,
    length_m: tuple[float, float],
    diameter_m: tuple[float, float],
) -> dict[str, object]:
    return {
        "name": name,
        "design_frequency_hz": DESIGN_HZ,
        "elements": [{"length_m": rng.uniform(*length_m), "diameter_m": rng.uniform(*diameter_m)}],
        "feed": {"loss_db": rng.uniform(0.0, 0.15)},
    }


def _under_test(rng: np.random.Generator) -> dict[str, object]:
    """A dipole some per cent too long or short, plainly fed or through a matching section."""
    one = _dipole(rng, "antenna", (0.0760, 0.0850), (0.6e-3, 4e-3))
    feed = {
        "loss_db": rng.uniform(0.0, 0.3),
        "series_reactance_ohm": rng.uniform(-8.0, 8.0),
    }
    if rng.random() < 0.5:
        feed |= {"line_ohm": rng.uniform(52.0, 66.0), "line_length_m": rng.uniform(0.040, 0.048)}
    return one | {"feed": feed}


def _yagi(rng: np.random.Generator) -> dict[str, object]:
    """A five-element Yagi, scaled in frequency, each element cut a little off."""
    scale = rng.uniform(0.97, 1.03)
    diameter = rng.uniform(0.8e-3, 2e-3)
    return {
        "name": "antenna",
        "design_frequency_hz": DESIGN_HZ,
        "clamp_x_m": 0.035 * scale,
        "feed": {
            "line_ohm": rng.uniform(37.0, 43.0),
            "line_length_m": rng.uniform(0.043, 0.049),
            "loss_db": rng.uniform(0.0, 0.3),
        },
        "elements": [
            {
                "x_m": x * scale,
                "length_m": length * scale * (1.0 + rng.normal(0.0, 0.003)),
                "diameter_m": diameter,
            }
            for x, length in YAGI
        ],
    }


def _instruments(switched: bool) -> list[dict[str, object]]:
    limits = {"frequency_min_hz": 0.4e9, "frequency_max_hz": 6.0e9}
    found: list[dict[str, object]] = [
        {
            "name": "generator",
            "kind": "source",
            "identity": "Workshop,Source-6G,0001,1.0",
            "settle_s": 0.003,
            "limits": limits | {"level_min_dbm": -120, "level_max_dbm": 15},
        },
        {
            "name": "analyzer",
            "kind": "analyzer",
            "identity": "Workshop,Analyzer-6G,0002,1.0",
            "limits": {
                "frequency_min_hz": 9000,
                "frequency_max_hz": 6.5e9,
                "input_max_dbm": 20,
                "rbw_min_hz": 10,
                "rbw_max_hz": 3.0e6,
                "points_max": 10001,
            },
        },
    ]
    if switched:
        found.append(
            {
                "name": "switch",
                "kind": "switch",
                "identity": "Workshop,Switch-3x4,0003,1.0",
                "settle_s": 0.015,
            }
        )
    return found
