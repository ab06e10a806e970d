"""The cables' table against the attenuation of a coaxial line by its dimensions.

Pozar, Microwave Engineering, section 2.7 (formulas and material constants from memory): conductor
loss Rs / (4 pi Z0) (1/a + 1/b) Np/m with Rs = sqrt(pi f mu0 / sigma), dielectric loss
pi f sqrt(er) tan(delta) / c Np/m. Dimensions of the semi-rigid types as in MIL-DTL-17 (from
memory).
"""

from __future__ import annotations

import math

import pytest

from benchd.bench.cable_types import TYPES, cable_type

SILVER_S_PER_M, COPPER_S_PER_M = 6.1e7, 5.8e7
PTFE_ER, PTFE_TAN_DELTA = 2.04, 2.5e-4
C, MU0 = 299_792_458.0, 4e-7 * math.pi
NEPER_DB = 20.0 / math.log(10.0)


def coaxial_db_per_m(f_hz: float, inner_m: float, outer_m: float) -> float:
    """inner_m, outer_m: diameters of the silvered centre and of the dielectric in copper."""

    def surface_ohm(sigma: float) -> float:
        return math.sqrt(math.pi * f_hz * MU0 / sigma)

    z0 = 376.730 / (2 * math.pi * math.sqrt(PTFE_ER)) * math.log(outer_m / inner_m)
    assert z0 == pytest.approx(50.0, abs=1.5)
    conductor = (surface_ohm(SILVER_S_PER_M) / inner_m + surface_ohm(COPPER_S_PER_M) / outer_m) / (
        2 * math.pi * z0
    )
    dielectric = math.pi * f_hz * math.sqrt(PTFE_ER) * PTFE_TAN_DELTA / C
    return NEPER_DB * (conductor + dielectric)


@pytest.mark.parametrize("f_hz", [0.5e9, 1e9, 1.7e9, 5e9, 10e9])
@pytest.mark.parametrize(
    ("name", "inner_mm", "outer_mm"),
    [("RG-401", 1.63, 5.31), ("RG-402", 0.92, 2.985), ("RG-405", 0.511, 1.676)],
)
def test_semi_rigid_cables_lose_what_their_dimensions_say(
    name: str, inner_mm: float, outer_mm: float, f_hz: float
) -> None:
    kind = cable_type(name)
    assert kind is not None
    physics = coaxial_db_per_m(f_hz, inner_mm * 1e-3, outer_mm * 1e-3)
    # Real surfaces are rougher than the formula's: never less than it, some tenths more.
    assert 0.95 * physics < kind.loss_db(1.0, f_hz) < 1.35 * physics


@pytest.mark.parametrize("kind", TYPES, ids=lambda one: one.name)
def test_the_law_of_frequency_fits_the_table(kind: object) -> None:
    for f_hz, loss in kind.loss_db_per_m:  # type: ignore[attr-defined]
        assert kind.loss_db(1.0, f_hz) == pytest.approx(loss, rel=0.12)  # type: ignore[attr-defined]
    rising = [kind.loss_db(1.0, f) for f in (1e8, 1e9, 6e9, 2e10)]  # type: ignore[attr-defined]
    assert rising == sorted(rising)


def test_types_are_known_by_their_usual_spellings() -> None:
    for words, name in (
        ("RG-402", "RG-402"), ("rg402/u", "RG-402"), ("RG 58 C/U", "RG-58"), ("RG58", "RG-58"),
        ("RG-174A/U", "RG-174"), ("RG 223/U", "RG-223"),
    ):  # fmt: skip
        assert getattr(cable_type(words), "name", None) == name, words
    assert [cable_type(words) for words in ("RG-59", "RG-4", "402", "RG-4020", "")] == [None] * 5


def test_a_metre_of_ptfe_takes_light_4_8_ns() -> None:
    """Velocity 0.695 of light's (common practice, no source): 1 m / (0.695 c)."""
    kind = cable_type("RG-402")
    assert kind is not None
    assert kind.delay_s(1.0) == pytest.approx(4.80e-9, rel=1e-3)
