"""The curve of a resonance: a form of the reflection in which least squares is linear.

A series R-L-C circuit on Z0 has, with r = R/Z0 and x = X/Z0,
|G|^2 = ((r-1)^2 + x^2)/((r+1)^2 + x^2), so that

    y = 1/(1 - |G|^2) = ((r+1)^2 + x^2)/(4 r) = y0 (1 + QL^2 v^2),    v = f/f0 - f0/f,

is exactly quadratic in v (a parallel circuit gives the same with g for r). QL is the loaded Q
(Pozar, Microwave Engineering, section on loaded and unloaded Q, from memory; algebra above).
The fit runs in t = ln f, where v = 2 sinh(t - t0) is odd about the resonance, so that the curve
has no skew of its own. A cubic term takes up what a real antenna adds: R rising with f.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchd.traces import ComplexArray, FloatArray

LARGEST_GAMMA_SQUARED = 0.98
"""Largest reflection magnitude that enters a fit. Towards a full reflection y grows without limit,
and such points say nothing about a resonance."""


@dataclass(frozen=True, eq=False)
class Curve:
    """A weighted polynomial in u = ln(f/centre_hz)/scale, ready to fit many traces at once.

    solver: shape (order + 1, n), maps y of shape (n, ...) to coefficients.
    """

    frequency_hz: FloatArray
    centre_hz: float
    scale: float
    solver: FloatArray

    @property
    def order(self) -> int:
        """Degree of the polynomial."""
        return int(self.solver.shape[0]) - 1


@dataclass(frozen=True, eq=False)
class Minima:
    """Minima of fitted curves: one number, or one per trace (shape (traces,)).

    frequency_hz is NaN where a curve has no minimum. y0: its depth, 1/(1 - gamma^2) there.
    """

    frequency_hz: FloatArray
    y0: FloatArray
    loaded_q: FloatArray
    coefficients: FloatArray


def y_of(gamma_squared: FloatArray) -> FloatArray:
    """1/(1 - gamma^2), any shape; values towards a full reflection are held at 0.98."""
    held: FloatArray = 1.0 / (1.0 - np.minimum(gamma_squared, LARGEST_GAMMA_SQUARED))
    return held


def curve(frequency_hz: FloatArray, weights: FloatArray, order: int) -> Curve:
    """Prepare a fit over shape (n,) frequencies with weights 1/standard deviation of y."""
    centre_hz = float(np.sqrt(frequency_hz[0] * frequency_hz[-1]))
    scale = float(np.log(frequency_hz[-1] / frequency_hz[0])) / 2.0
    powers = np.vander(np.log(frequency_hz / centre_hz) / scale, order + 1, increasing=True)
    share = weights / weights.max()
    solver: FloatArray = np.linalg.pinv(powers * share[:, None]) * share
    return Curve(frequency_hz, centre_hz, scale, solver)


def minima(form: Curve, y: FloatArray) -> Minima:
    """Fit y of shape (n,) or (n, traces) and find the minimum of each curve."""
    coefficients = form.solver @ y
    a1, a2 = coefficients[1], coefficients[2]
    a3 = coefficients[3] if form.order > 2 else np.zeros_like(a1)
    with np.errstate(invalid="ignore", divide="ignore"):
        # Root of a1 + 2 a2 u + 3 a3 u^2 with positive curvature, in the form that stays
        # exact as a3 goes to zero.
        u = -a1 / (a2 + np.sqrt(a2**2 - 3.0 * a1 * a3))
        bend = a2 + 3.0 * a3 * u
        u = np.where((bend > 0.0) & (np.abs(u) <= 1.5), u, np.nan)
        y0 = coefficients[0] + u * (a1 + u * (a2 + u * a3))
        frequency_hz = form.centre_hz * np.exp(u * form.scale)
        # v = 2 (t - t0) near t0, hence y''/2 = 4 QL^2 y0 per unit of t squared.
        loaded_q = np.sqrt(bend / y0) / (2.0 * form.scale)
    return Minima(np.asarray(frequency_hz), np.asarray(y0), np.asarray(loaded_q), coefficients)


def y_at(form: Curve, coefficients: FloatArray, frequency_hz: FloatArray) -> FloatArray:
    """The fitted curve of one trace at frequencies of shape (m,)."""
    u = np.log(frequency_hz / form.centre_hz) / form.scale
    powers = np.vander(u, form.order + 1, increasing=True)
    fitted: FloatArray = powers @ coefficients
    return fitted


def gamma_of(
    frequency_hz: FloatArray, f0_hz: float, y: FloatArray, y0: float, side: FloatArray
) -> ComplexArray:
    """Complex reflection with the fitted magnitude, as a series circuit has it.

    frequency_hz, y: shape (n, 1). side: +1 for r > 1, -1 for r < 1, shape (traces,): a scalar
    trace cannot tell which. Returns shape (n, traces).
    """
    depth = np.sqrt(max(0.0, 1.0 - 1.0 / max(y0, 1.0)))
    side, which = np.unique(side, return_inverse=True)  # there are but two
    r = (1.0 + side * depth) / (1.0 - side * depth)
    stretch = np.sqrt(np.maximum(y / max(y0, 1.0) - 1.0, 0.0))
    x = np.sign(frequency_hz - f0_hz) * stretch * (1.0 + r)
    gamma: ComplexArray = (r - 1.0 + 1j * x) / (r + 1.0 + 1j * x)
    return gamma[:, which.reshape(-1)]
