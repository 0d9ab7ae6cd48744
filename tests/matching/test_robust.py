"""I check robust spreads and weights against SciPy's and against the figures their source gives."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.optimize import least_squares
from scipy.stats import median_abs_deviation, norm

from stitchbed.matching.robust import (
    CAUCHY,
    TUKEY,
    cauchy_weights,
    robust_sigma,
    robust_spread,
    soft_l1_weights,
    tukey_weights,
)

SIGMAS = np.linspace(0, 12, 49)


@pytest.mark.parametrize("shift", [0.0, 40.0])
def test_spreads_are_scipy_s(shift: float) -> None:
    values = np.random.default_rng(2).standard_cauchy(301) + shift
    assert robust_spread(values) == pytest.approx(median_abs_deviation(values, scale="normal"), rel=1e-5)
    assert robust_sigma(values) == pytest.approx(
        median_abs_deviation(values, center=lambda v, axis: np.zeros(()), scale="normal"), rel=1e-5
    )


def test_a_third_of_nonsense_does_not_move_sigma_far() -> None:
    residuals = np.random.default_rng(3).normal(0, 2, 4000)
    residuals[:1300] = 1e6
    assert 2 < robust_sigma(residuals) < 2 * 2  # the 3/4 quantile of what is left: 2 * 1.15 / 0.67


LOSSES = {"cauchy": lambda sigmas, scale: cauchy_weights(sigmas**2, scale), "soft_l1": soft_l1_weights}


@pytest.mark.parametrize("loss", LOSSES)
@pytest.mark.parametrize("scale", [0.7, 2.385])
def test_weights_are_the_slope_of_scipy_s_losses(loss: str, scale: float) -> None:
    # least squares with a loss rho(z), z = (r / scale)^2, weighs by rho'(z); the cost is scale^2 rho / 2
    step = 1e-4
    cost = [
        least_squares(lambda x, r=r: np.array([r + 0 * x[0]]), [0.0], loss=loss, f_scale=scale, max_nfev=1).cost
        for s in SIGMAS
        for r in (s - step, s + step)
    ]
    slope = np.diff(np.reshape(cost, (-1, 2)), axis=1)[:, 0] / (2 * step)
    assert np.allclose(LOSSES[loss](SIGMAS, scale) * SIGMAS, slope, atol=1e-6)


def efficiency(weigh, ends: float) -> float:
    """Of the M-estimate of a place by those weights, for normal errors: (E psi')^2 / E psi^2."""

    def psi(r: float) -> float:
        return r * float(weigh(np.array(r)))

    spread = quad(lambda r: psi(r) ** 2 * norm.pdf(r), -ends, ends, limit=200)[0]
    slope = quad(lambda r: psi(r) * r * norm.pdf(r), -ends, ends, limit=200)[0]  # Stein: E psi' = E r psi
    return slope**2 / spread


@pytest.mark.parametrize("weigh", [lambda r: cauchy_weights(r**2), tukey_weights])
def test_the_constants_give_the_efficiency_of_their_source(weigh) -> None:
    # Holland & Welsch, Commun. Stat. A6:813-827, 1977: 95 % at the normal distribution
    assert efficiency(weigh, 12.0) == pytest.approx(0.95, abs=1e-3)


def test_ends_of_the_weights() -> None:
    far: NDArray[np.float64] = np.array([-TUKEY, TUKEY, 9.0, 1e9])
    assert (tukey_weights(far) == 0).all()
    assert tukey_weights(np.zeros((2, 3))).shape == (2, 3)
    assert cauchy_weights(np.array([0.0, CAUCHY**2])).tolist() == [1.0, 0.5]
    assert soft_l1_weights(np.array([-3.0, 3.0]), 1.0) == pytest.approx(np.sqrt([0.1, 0.1]))
