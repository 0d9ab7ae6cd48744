"""I weigh what is left by a fit, so that what does not belong to it counts little or nothing.

In: residuals. Out: their robust spread, and weights 0..1 for the next round of least squares.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array

MAD_SIGMA = 1.4826  # sigma of normal errors over the median of their absolute values: 1 / inverse normal cdf(3/4)
TUKEY = 4.685  # sigmas at which a residual counts nothing: 95 % efficiency. Reference: Holland & Welsch, 1977
CAUCHY = 2.385  # sigmas at which a residual counts half: 95 % efficiency. Reference: Holland & Welsch, 1977


def robust_sigma(residuals: NDArray[Any]) -> float:
    """Sigma of residuals (N,) round zero, from the median of their absolute values; NaN of none."""
    return MAD_SIGMA * float(np.median(np.abs(residuals)))


def robust_spread(values: NDArray[Any]) -> float:
    """Sigma of values (N,) round their own median."""
    return robust_sigma(values - np.median(values))


def cauchy_weights(squared: Array, scale: float = CAUCHY) -> Array:
    """Weights 0..1 from squared residuals in sigmas, any shape; one half at `scale`."""
    weights: Array = 1 / (1 + squared / scale**2)
    return weights


def tukey_weights(sigmas: Array, scale: float = TUKEY) -> Array:
    """Weights 0..1 from residuals in sigmas, any shape; zero from `scale` on."""
    weights: Array = np.clip(1 - (sigmas / scale) ** 2, 0, None) ** 2
    return weights


def soft_l1_weights(sigmas: Array, scale: float) -> Array:
    """Weights 0..1 of least squares whose loss grows linearly beyond `scale` sigmas. Reference: Triggs et al., 2000."""
    weights: Array = (1 + (sigmas / scale) ** 2) ** -0.5
    return weights
