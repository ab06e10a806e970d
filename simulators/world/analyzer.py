"""The spectrum analyzer's readings: noise, resolution filter, detectors, slowly changing errors.

The envelope of a tone in narrow-band noise is Rician: the power of m independent samples is a
non-central chi-square variable (S. O. Rice, "Mathematical analysis of random noise", 1944-45).
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from simulators.physics.curves import SlowCurve
from simulators.physics.special import exponential_integral
from simulators.world.model import AnalyzerSettings

FloatArray = NDArray[np.float64]

KT0_DBM_PER_HZ = -173.975  # Boltzmann's constant times 290 K
# A gaussian filter's noise bandwidth over its 3 dB bandwidth: sqrt(pi / (4 ln 2)).
GAUSSIAN_NOISE_FACTOR = float(np.sqrt(np.pi / (4 * np.log(2.0))))
_MOST_DRAWS = 4096
_AVERAGE_DRAWS = 64
_DB_PER_NEPER_POWER = 10 / np.log(10.0)

DETECTORS = ("rms", "average", "positive", "sample", "normal")


class AnalyzerModel:
    """A spectrum analyzer's readings; it draws from the generator it was given."""

    def __init__(self, model: AnalyzerSettings, rng: np.random.Generator) -> None:
        self.model = model
        self._rng = rng
        self._response = SlowCurve.drawn(rng, 0.0, 6.5e9, model.response_db, features=9)
        self._linearity = SlowCurve.drawn(rng, -140.0, 30.0, model.linearity_db, features=8)

    def noise_floor_dbm(
        self, centre_hz: float, rbw_hz: float, attenuation_db: float = 0.0
    ) -> float:
        """Mean noise power in the resolution filter, dBm, referred to the input.

        kT0 + noise figure + 10 lg(RBW k_filter); input attenuation raises it dB for dB.
        """
        figure_db = self.model.noise_figure_db
        figure_db += self.model.noise_slope_db_per_ghz * (centre_hz / 1e9 - 1.0)
        bandwidth_db = 10 * math.log10(rbw_hz * GAUSSIAN_NOISE_FACTOR)
        return KT0_DBM_PER_HZ + figure_db + bandwidth_db + attenuation_db

    def dwell_reading_dbm(
        self,
        incident_dbm: FloatArray,
        centre_hz: float | FloatArray,
        offset_hz: float | FloatArray,
        rbw_hz: float,
        detector: str,
        independent_samples: int,
        attenuation_db: float = 0.0,
    ) -> FloatArray:
        """Zero-span readings, dBm, shape of ``incident_dbm``.

        ``offset_hz`` is the tone's distance from the tuned frequency, ``independent_samples``
        about dwell times RBW. Raises ValueError for an unknown detector.
        """
        incident = np.asarray(incident_dbm, dtype=np.float64)
        centre = np.asarray(centre_hz, dtype=np.float64)
        tone_dbm = incident - _gaussian_loss_db(offset_hz, rbw_hz)
        floor_dbm = self.noise_floor_dbm(float(centre.flat[0]), rbw_hz, attenuation_db)
        shown = self._detected_dbm(tone_dbm, floor_dbm, detector, max(1, independent_samples))
        return self._shown_dbm(shown, centre)

    def rms_reading_dbm(
        self,
        incident_dbm: float,
        centre_hz: float,
        offset_hz: float,
        rbw_hz: float,
        independent_samples: int,
        attenuation_db: float = 0.0,
    ) -> float:
        """One zero-span reading, dBm: as ``dwell_reading_dbm`` gives it, with the same draws.

        NumPy's arrays are left out: for one value they cost more than all the rest of a point.
        """
        floor_dbm = self.noise_floor_dbm(centre_hz, rbw_hz, attenuation_db)
        loss_db = 10 * math.log10(2.0) * (2 * offset_hz / rbw_hz) ** 2
        ratio = 10 ** ((incident_dbm - loss_db - floor_dbm) / 10)
        degrees = 2 * max(1, independent_samples)
        drawn = self._rng.noncentral_chisquare(degrees, degrees * ratio)
        shown = floor_dbm + 10 * math.log10(drawn / degrees)
        return shown + self._linearity.at(shown) + self._response.at(centre_hz)

    def sweep_reading_dbm(
        self,
        bin_hz: FloatArray,
        tones: Sequence[tuple[float, float]],
        rbw_hz: float,
        sweep_time_s: float,
        detector: str,
        attenuation_db: float = 0.0,
    ) -> FloatArray:
        """One swept trace, dBm, shape (n_bin,), for tones of (frequency_hz, level_dbm).

        A gaussian filter swept through a tone at R Hz/s shows it lower by the factor
        (1 + (2 ln2 R / (pi RBW^2))^2)^(-1/4) in amplitude and wider by its inverse square
        (the response of a gaussian filter to a linear chirp, integrated in closed form).
        """
        bins = np.asarray(bin_hz, dtype=np.float64)
        span_hz = float(bins[-1] - bins[0]) if bins.size > 1 else 0.0
        loss_db, widening = chirp_loss(span_hz, rbw_hz, sweep_time_s)
        power_mw = np.zeros(bins.shape)
        for frequency_hz, level_dbm in tones:
            fall_db = _gaussian_loss_db(bins - frequency_hz, rbw_hz * widening)
            power_mw += 10 ** ((level_dbm - loss_db - fall_db) / 10)
        tone_dbm = 10 * np.log10(np.maximum(power_mw, 1e-40))
        centre = float(bins[bins.size // 2])
        floor_dbm = self.noise_floor_dbm(centre, rbw_hz, attenuation_db)
        samples = max(1, int(sweep_time_s / bins.size * rbw_hz))
        shown = self._detected_dbm(tone_dbm, floor_dbm, detector, samples)
        return self._shown_dbm(shown, bins)

    def _shown_dbm(self, level_dbm: FloatArray, frequency_hz: FloatArray) -> FloatArray:
        return level_dbm + self._linearity(level_dbm) + self._response(frequency_hz)

    def _detected_dbm(
        self, tone_dbm: FloatArray, floor_dbm: float, detector: str, samples: int
    ) -> FloatArray:
        if detector not in DETECTORS:
            raise ValueError(f"no detector {detector!r}; there are {DETECTORS}")
        ratio = 10 ** ((tone_dbm - floor_dbm) / 10)
        if detector == "rms":
            # Mean of m Rician powers: noise/(2m) times non-central chi-square, 2m degrees.
            drawn = self._rng.noncentral_chisquare(2 * samples, 2 * samples * ratio)
            return np.asarray(floor_dbm + 10 * np.log10(drawn / (2 * samples)))
        if detector == "average":
            return floor_dbm + self._log_average_db(ratio, samples)
        count = min(samples, _MOST_DRAWS) if detector in ("positive", "normal") else 1
        return np.asarray(floor_dbm + 10 * np.log10(self._powers(ratio, count).max(axis=0)))

    def _powers(self, ratio: FloatArray, count: int) -> FloatArray:
        """``count`` independent powers over the mean noise power, shape (count, *ratio)."""
        shape = (count, *ratio.shape)
        in_phase = np.sqrt(ratio) + self._rng.normal(0.0, np.sqrt(0.5), shape)
        quadrature = self._rng.normal(0.0, np.sqrt(0.5), shape)
        return in_phase**2 + quadrature**2

    def _log_average_db(self, ratio: FloatArray, samples: int) -> FloatArray:
        drawn = min(samples, _AVERAGE_DRAWS)
        mean_db = np.mean(10 * np.log10(self._powers(ratio, drawn)), axis=0)
        if samples <= drawn:
            return np.asarray(mean_db)
        # Many samples: keep the exact mean, E[ln p] = ln g + E1(g), and shrink the scatter.
        small = np.maximum(ratio, 1e-12)
        exact_db = _DB_PER_NEPER_POWER * (np.log(small) + exponential_integral(small))
        return np.asarray(exact_db + (mean_db - exact_db) * np.sqrt(drawn / samples))


def chirp_loss(span_hz: float, rbw_hz: float, sweep_time_s: float) -> tuple[float, float]:
    """Level loss in dB (positive) and widening factor of a swept gaussian filter."""
    if span_hz <= 0:
        return 0.0, 1.0
    rate = span_hz / sweep_time_s
    squared = (2 * np.log(2.0) * rate / (np.pi * rbw_hz**2)) ** 2
    return float(5 * np.log10(1 + squared)), float(np.sqrt(1 + squared))


def _gaussian_loss_db(offset_hz: float | FloatArray, rbw_hz: float) -> FloatArray:
    """A gaussian filter's attenuation: 3.01 dB at half the bandwidth, growing as the square."""
    relative = 2 * np.asarray(offset_hz, dtype=np.float64) / rbw_hz
    return np.asarray(10 * np.log10(2.0) * relative**2)
