"""Gain without a gain standard: two identical antennas, three antennas, or a known range antenna.

Friis: P_r - P_thru = G_1 + G_2 - FSPL, all gains realised (mismatch included), with P_thru the
level when the two cables are joined. S below is P_r - P_thru. Three antennas:
G_A = (S_AB + S_AC - S_BC + FSPL)/2 (IEEE Std 149, from memory; algebra: add and subtract the
three equations).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from benchd.reduce.budget_inputs import GainKnowledge, Known
from benchd.reduce.decibels import NEPER_DB, free_space_path_loss_db, gamma_from_return_loss
from benchd.reduce.farfield import range_flags
from benchd.reduce.gain_by_substitution import common_terms, gain_result, reflection_term
from benchd.reduce.montecarlo import settle
from benchd.reduce.uncertainty import scaled, term
from benchd.results import Result, Term

NO_PAD = Known(0.0)
THROWN_BACK = 2.2
"""How much an antenna scatters back by itself (the s of `to_and_fro`)."""
OTHER_PATHS_ERROR = frozenset({"linearity", "drift"})
"""Names of the terms whose error is the same in every transmission of a series, for any
antennas."""


@dataclass(frozen=True, slots=True)
class Transmission:
    """One transmission between two antennas over a joined pair of cables.

    received_dbm, thru_dbm: levels. pad_db: loss of a pad that was in the thru alone, positive,
    with its standard uncertainty pad_sd_db.
    gammas: reflection magnitudes of the two antennas; an assumed one flags the result.
    names: the names of the two antennas, the near one first.
    kinds: one word for each antenna, the same for antennas built alike. Paths between antennas of
        the same two kinds are affected by the walls equally, so the error of the walls is the same
        in them. So are the errors of the distance and of the short range.
    path_sd_db, noise_sd_db: values for this path, if they differ from the common ones.
    """

    frequency_hz: float
    received_dbm: float
    thru_dbm: float
    gammas: tuple[Known, Known]
    pad_db: float = 0.0
    pad_sd_db: Known = NO_PAD
    names: tuple[str, str] = ("near", "far")
    kinds: tuple[str, str] = ("near", "far")
    path_sd_db: Known | None = None
    noise_sd_db: Known | None = None

    @property
    def ratio_db(self) -> float:
        """S = P_r - P_thru, dB, with the thru's level corrected for the loss of the pad."""
        return self.received_dbm - self.thru_dbm - self.pad_db


def sum_of_gains_db(transmission_db: float, frequency_hz: float, range_m: float) -> float:
    """G_1 + G_2 in dBi, realised, from S in dB."""
    return transmission_db + free_space_path_loss_db(frequency_hz, range_m)


def three_antenna_gains_dbi(
    ab_db: float, ac_db: float, bc_db: float, frequency_hz: float, range_m: float
) -> tuple[float, float, float]:
    """Realised gains of A, B and C in dBi from the three S in dB at one range."""
    loss_db = free_space_path_loss_db(frequency_hz, range_m)
    return (
        (ab_db + ac_db - bc_db + loss_db) / 2.0,
        (ab_db + bc_db - ac_db + loss_db) / 2.0,
        (ac_db + bc_db - ab_db + loss_db) / 2.0,
    )


def transmission_terms(
    one: Transmission, knowledge: GainKnowledge, label: str = ""
) -> tuple[Term, ...]:
    """Terms of one S, dB. A term whose error is shared by several transmissions names a source.

    The near antenna's mismatch is the same in all transmissions with that antenna at the near end;
    likewise that of the far antenna. The errors of walls, distance and short range are the same
    between antennas of the same kinds.
    """
    near = gamma_from_return_loss(knowledge.near_match_db.value)
    far = gamma_from_return_loss(knowledge.port_match_db.value)
    tail = f", {label}" if label else ""
    between = " and ".join(sorted(one.kinds))
    terms = []
    for line in common_terms(knowledge, one.path_sd_db or knowledge.path_sd_db):
        if line.name in OTHER_PATHS_ERROR:
            terms.append(replace(line, source=line.source or line.name))
        elif line.name == "polarisation":
            terms.append(replace(line, name=line.name + tail))
        else:
            # The error is the same one, however its size was found.
            source = line.source or f"{line.name.partition(' (')[0]} between {between}"
            terms.append(replace(line, name=line.name + tail, source=source))
    cable, noise = knowledge.cable_sd_db, one.noise_sd_db or knowledge.noise_sd_db
    thru_noise = knowledge.reference_noise_sd_db or noise
    for name, known in ((f"cable and switch{tail}", cable), (f"noise{tail}", noise)):
        terms.append(_normal(name, known))
    terms.append(_normal("cable and switch, thru", cable, "thru cable"))
    terms.append(_normal("noise, thru", thru_noise, "thru noise"))
    terms.append(_normal("pad", one.pad_sd_db, "pad"))
    match_assumed = knowledge.near_match_db.assumed or knowledge.port_match_db.assumed
    terms.append(
        term(
            "mismatch of the thru",
            near * far,
            "1",
            "u-shaped",
            sensitivity=-NEPER_DB,
            source="thru mismatch",
            assumed=match_assumed,
        )
    )
    ends = (("near", near, knowledge.near_match_db), ("far", far, knowledge.port_match_db))
    for (end, port, match), gamma, name in zip(ends, one.gammas, one.names, strict=True):
        terms.append(
            term(
                f"mismatch at the {end} antenna{tail}",
                port * gamma.value,
                "1",
                "u-shaped",
                sensitivity=NEPER_DB,
                source=f"mismatch of {name} at the {end} end",
                assumed=match.assumed or gamma.assumed,
            )
        )
    terms.append(
        term(
            f"mismatch from antenna to antenna{tail}",
            to_and_fro(one, knowledge.range_m),
            "1",
            "u-shaped",
            sensitivity=NEPER_DB,
            assumed=any(gamma.assumed for gamma in one.gammas),
        )
    )
    return tuple(terms)


def to_and_fro(one: Transmission, range_m: float) -> float:
    """Relative amplitude of the wave that is scattered back at both ends and passes the range three
    times.

    Two antennas that scatter back with the factors s1 and s2 change their transmission by s1 s2
        (lambda / (4 pi r))^2 with a phase that depends on the distance. s is the square root of 4
        pi times the radar cross section, divided by lambda (radar equation, from memory). A matched
        dipole scatters as much as it receives. A Yagi scatters back less than its gain suggests.
        What it receives is missing beyond it, and towards the other antenna it scatters about as a
        dipole does (pairs calculated with NEC2 at 2 to 3.5 wavelengths: s is 1.7 for dipoles, 2.2
        and 2.5 for Yagis of three and five elements). The wave that is reflected by its mismatch is
        radiated with its whole gain. The two phases are unknown.
    """
    loss_db = free_space_path_loss_db(one.frequency_hz, range_m)
    gain = 10.0 ** ((one.ratio_db + loss_db) / 20.0)
    thrown = [math.hypot(THROWN_BACK, gain * min(gamma.value, 0.9)) for gamma in one.gammas]
    return min(1.0, thrown[0] * thrown[1] * float(10.0 ** (-loss_db / 10.0)))


def _normal(name: str, known: Known, source: str = "") -> Term:
    return term(
        name,
        known.value,
        "dB",
        degrees_of_freedom=known.degrees_of_freedom,
        source=source,
        assumed=known.assumed,
    )


def identical_antennas_result(
    one: Transmission, knowledge: GainKnowledge, largest_dimensions_m: tuple[float, ...] = ()
) -> Result:
    """`realised_gain` of each of two antennas taken as identical: half the sum."""
    value = sum_of_gains_db(one.ratio_db, one.frequency_hz, knowledge.range_m) / 2.0
    terms = scaled(transmission_terms(one, knowledge), 0.5)
    flags = range_flags(one.frequency_hz, knowledge.range_m, largest_dimensions_m)
    budget = settle(terms, estimate=value)
    return gain_result("realised_gain", value, budget, flags, one.frequency_hz)


def three_antennas_results(
    ab: Transmission,
    ac: Transmission,
    bc: Transmission,
    knowledge: GainKnowledge,
    names: Sequence[str],
    largest_dimensions_m: tuple[float, ...] = (),
) -> tuple[Result, Result, Result]:
    """`realised_gain` of three antennas (names in the order A, B, C), none taken as known."""
    f = ab.frequency_hz
    values = three_antenna_gains_dbi(ab.ratio_db, ac.ratio_db, bc.ratio_db, f, knowledge.range_m)
    lines = [
        transmission_terms(one, knowledge, label)
        for one, label in ((ab, "A to B"), (ac, "A to C"), (bc, "B to C"))
    ]
    flags = range_flags(f, knowledge.range_m, largest_dimensions_m)

    def result(index: int, signs: tuple[float, float, float]) -> Result:
        terms = [
            moved
            for part, sign in zip(lines, signs, strict=True)
            for moved in scaled(part, sign / 2.0)
        ]
        budget = settle(terms, estimate=values[index])
        found = gain_result("realised_gain", values[index], budget, flags, f)
        return replace(found, antenna=names[index])

    return result(0, (1, 1, -1)), result(1, (1, -1, 1)), result(2, (-1, 1, 1))


def range_antenna_result(
    one: Transmission,
    range_gain_dbi: float,
    knowledge: GainKnowledge,
    largest_dimensions_m: tuple[float, ...] = (),
    *,
    gain_is_realised: bool = True,
) -> Result:
    """`realised_gain` of the far antenna against a near one of known realised gain.

    The near antenna's gain uncertainty is `knowledge.reference_gain_expanded_db`.
    gain_is_realised: False where that gain was stated without the mismatch, which was then taken
        from the near antenna's reflection (its spread: `knowledge.reference_reflection_sd`).
    """
    total = sum_of_gains_db(one.ratio_db, one.frequency_hz, knowledge.range_m)
    value = total - range_gain_dbi
    reference = knowledge.reference_gain_expanded_db
    spread = knowledge.reference_reflection_sd or knowledge.reflection_sd
    stated = (
        () if gain_is_realised else (reflection_term("range antenna", one.gammas[0], spread, 1.0),)
    )
    terms = (
        *transmission_terms(one, knowledge),
        *stated,
        term(
            "gain of the range antenna",
            reference.value,
            "dB",
            "expanded",
            sensitivity=-1.0,
            degrees_of_freedom=reference.degrees_of_freedom,
            source=reference.source,
            assumed=reference.assumed,
        ),
    )
    flags = range_flags(one.frequency_hz, knowledge.range_m, largest_dimensions_m)
    budget = settle(terms, estimate=value)
    return gain_result("realised_gain", value, budget, flags, one.frequency_hz)
