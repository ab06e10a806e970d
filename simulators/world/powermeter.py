"""A power meter's readings: all power at its sensor, its own noise, its zero and its slow errors.

All signals are added as power: a sensor of true power does not respond to frequency or phase.
"""

import numpy as np

from simulators.physics.curves import SlowCurve
from simulators.world.model import PowerMeterSettings


class PowerMeterModel:
    """A power meter's readings in watts; it draws from the generator it was given."""

    def __init__(self, model: PowerMeterSettings, rng: np.random.Generator) -> None:
        self.model = model
        self._rng = rng
        self._response = SlowCurve.drawn(rng, 0.0, 20e9, model.response_db, features=9)
        self._linearity = SlowCurve.drawn(rng, -70.0, 30.0, model.linearity_db, features=6)
        self._offset_w = float(rng.normal(0.0, model.offset_w))

    def offset_w(self, warmer_k: float) -> float:
        """Its reading without any signal if it was never zeroed, watts. It changes with the room's
        temperature."""
        return self._offset_w + self.model.offset_w_per_k * warmer_k

    def shown_w(self, arriving_w: float, frequency_hz: float, offset_w: float, count: int) -> float:
        """One reading, the mean of ``count`` of the meter's own, in watts; it may be negative.

        ``offset_w`` is what its zero is off. ``frequency_hz`` is the frequency it was told, for
        which its sensor is corrected as well as it can be.
        """
        level_dbm = 10 * np.log10(max(arriving_w, 1e-15)) + 30.0
        scale_db = float(self._linearity(np.array(level_dbm)))
        error_db = scale_db + float(self._response(np.array(frequency_hz)))
        noise_w = float(self._rng.normal(0.0, self.model.noise_w / np.sqrt(count)))
        return float(arriving_w * 10 ** (error_db / 10) + offset_w + noise_w)
