"""The inputs of the uncertainty budgets: what is known of the bench, with documented defaults.

Every field is a `Known`: a size, and whether it is known or assumed. The defaults are assumptions
that hold for a careful beginner's bench (common practice, no source). A result that uses one is
flagged `assumed-term`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import Literal

from benchd.results import ASSUMED_TERM as ASSUMED_TERM
from benchd.traces import FloatArray

BaselineKind = Literal["open-and-short", "open", "short"]


@dataclass(frozen=True, slots=True)
class Known:
    """A size, and how it is known.

    value: in the unit and with the meaning of the field that holds it.
    assumed: True for a default or a guess; the result is then flagged.
    degrees_of_freedom: those of a size that was measured here; infinity for a stated limit.
    source: name of the error, if several measurements share it (JCGM 100, F.1.2.3).
    how: where the size comes from, for the name of its line in a budget; may be empty.
    """

    value: float
    assumed: bool = False
    degrees_of_freedom: float = math.inf
    source: str = ""
    how: str = ""


@dataclass(frozen=True, slots=True)
class ReflectionKnowledge:
    """The inputs of a return loss's budget. All in dB unless the name says otherwise.

    directivity_db: effective directivity of the coupler with its adapters, positive.
    source_match_db: return loss that the antenna sees looking back, positive.
    tracking_db: half-width of what the baseline leaves, or None: computed from directivity,
        source match and the kind of baseline.
    baseline: what the capture was normalised against.
    linearity_db: half-width of the analyzer's scale error between the two levels.
    connector_sd_db: standard deviation of the loss of a joint over reconnections.
    joint_gamma_sd: standard deviation over reconnections of what the joint itself reflects
        (linear), along the antenna's own reflection: its root mean square over sqrt(2).
    drift_db: half-width of drift between baseline and capture.
    noise_sd_db: standard deviation of one point of the normalised trace, or None: taken from
        the roughness of the trace, or from `dynamic_range_db` near the noise.
    dynamic_range_db: baseline level minus noise power in the resolution bandwidth, or None
        where noise is far below everything.
    dynamic_range_along: frequencies, Hz, and that difference at each, dB, both shape (n,), since a
        baseline falls with the loss of its cables; None where it is the same at all.
    noise_floor_sd_db: standard deviation of that noise power, as it was read.
    detector, independent_samples: how the analyzer averaged; used with dynamic_range_db.
    line_delay_s: one-way delay between coupler and antenna port. It determines how fast the phase
        of the directivity error against the reflection changes with frequency. If assumed, the
        true value lies between 0 and twice this one.
    frequency_error: half-width of the source's relative frequency error.
    wall_gamma: reflection (linear) of the antenna's own wave from the walls, if the value is to
        hold in free space; None for a value that holds as mounted.
    baseline_source: name of the baseline; results over one baseline share its error.
    harmonics: power of the source's harmonics and spurious signals relative to the carrier
        (linear), if the receiver reads all frequencies; None for one that selects.
    coupling: how the antenna is coupled to the line at resonance, if that is known. If `over`, its
        reflection encircles the middle of the Smith chart; if `under`, it does not.
    leak_band_hz: band over which directivity and source match are root mean squares; None if they
        are the values at the frequencies of the results.
    """

    directivity_db: Known = Known(25.0, assumed=True)
    source_match_db: Known = Known(15.0, assumed=True)
    tracking_db: Known | None = None
    baseline: BaselineKind = "open-and-short"
    linearity_db: Known = Known(0.3, assumed=True)
    connector_sd_db: Known = Known(0.05, assumed=True)
    joint_gamma_sd: Known = Known(0.0015, assumed=True)
    drift_db: Known = Known(0.05, assumed=True)
    noise_sd_db: Known | None = None
    dynamic_range_db: Known | None = None
    dynamic_range_along: tuple[FloatArray, FloatArray] | None = field(default=None, compare=False)
    noise_floor_sd_db: Known = Known(0.0)
    detector: str = "rms"
    independent_samples: float = 1.0
    line_delay_s: Known = Known(2e-9, assumed=True)
    frequency_error: Known = Known(5e-6, assumed=True)
    wall_gamma: Known | None = None
    harmonics: Known | None = None
    baseline_source: str = ""
    leak_band_hz: tuple[float, float] | None = None
    coupling: Literal["over", "under"] | None = None


@dataclass(frozen=True, slots=True)
class GainKnowledge:
    """The inputs of a gain's budget. All in dB unless the name says otherwise.

    reference_gain_expanded_db: expanded uncertainty (k = 2) of the reference antenna's gain.
    port_match_db: return loss of what the far antenna is connected to, positive.
    near_match_db: the same of the near antenna, where it is not the same in both captures.
    box_sd_db: standard deviation over places in this box of a difference of two antennas at one
        position.
    path_sd_db: standard deviation of one path's level over places of both its ends. It is 0.2 to
        1.2 dB in small boxes.
    range_m, range_offset_m: distance of the antennas, and the half-width of its error, from rulers
        and phase centres.
    linearity_db: half-width of the analyzer's scale error over the difference in level.
    cable_sd_db: standard deviation of one connection: cable flex, switch, connector.
    noise_sd_db: standard deviation of one level.
    finite_range_db: half-width of the error from the antennas being this close.
    reflection_sd: standard uncertainty (linear) of each reflection magnitude.
    drift_db: half-width of drift between the two captures.
    polarisation_deg: half-width of the misalignment of the two polarisations.
    reference_noise_sd_db, reference_reflection_sd: of the reference antenna (or the thru), where
        they differ from those of the antenna under test.
    harmonics: as in `ReflectionKnowledge`.
    reference_source: key of the reference antenna where it stands. Gains against one reference
        on one mount share its mismatch, whatever its size.
    """

    reference_gain_expanded_db: Known = Known(0.5, assumed=True)
    port_match_db: Known = Known(15.0, assumed=True)
    near_match_db: Known = Known(15.0, assumed=True)
    box_sd_db: Known = Known(1.5, assumed=True)
    path_sd_db: Known = Known(1.2, assumed=True)
    range_m: float = 1.0
    range_offset_m: Known = Known(0.02, assumed=True)
    linearity_db: Known = Known(0.3, assumed=True)
    cable_sd_db: Known = Known(0.1, assumed=True)
    noise_sd_db: Known = Known(0.1, assumed=True)
    finite_range_db: Known = Known(0.25, assumed=True)
    reflection_sd: Known = Known(0.05, assumed=True)
    drift_db: Known = Known(0.05, assumed=True)
    polarisation_deg: Known = Known(5.0, assumed=True)
    reference_noise_sd_db: Known | None = None
    reference_reflection_sd: Known | None = None
    harmonics: Known | None = None
    reference_source: str = ""


def assumptions(knowledge: ReflectionKnowledge | GainKnowledge) -> tuple[str, ...]:
    """Names of the fields that are still defaults or guesses."""
    values = ((item.name, getattr(knowledge, item.name)) for item in fields(knowledge))
    return tuple(name for name, value in values if isinstance(value, Known) and value.assumed)
