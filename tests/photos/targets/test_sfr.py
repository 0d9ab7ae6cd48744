"""I check the edge response against theory: pixel box times Gaussian lens."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import erf

from stitchbed.photos.targets.sfr import FREQUENCIES, at_frequency, edge_sfr, falls_to, mean_response, misregistration


def edge(sigma: float, *, angle: float = 5.0, rows: int = 200, shift: float = 0.0, noise: float = 0.0) -> np.ndarray:
    """A slanted edge, each pixel the mean of 8 x 8 looks."""
    y, x = np.mgrid[0:rows, 0:120].astype(float)
    slope = np.tan(np.deg2rad(angle))
    total = np.zeros_like(x)
    looks = (np.arange(8) + 0.5) / 8 - 0.5
    for dy in looks:
        for dx in looks:
            away = (x + dx - (55 + shift + slope * (y + dy - rows / 2))) * np.cos(np.deg2rad(angle))
            total += 0.5 * (1 + erf(away / (sigma * np.sqrt(2)))) if sigma else (away > 0)
    light = 0.1 + 0.6 * total / 64
    return light + noise * np.random.default_rng(1).standard_normal(light.shape)


# Theory: MTF = exp(-2 pi^2 s^2 u^2) sinc(u). MTF at .5, frequencies of 50 % and 10 %, how far a quarter-pixel method
# may stay below: its bins cost sinc(u/4), .9745 at u = .5 and .94 at u = .76, which the standard does not correct.
CHECKS = [
    (0.3, 0.4086, 0.4425, 0.7645, 0.020),
    (0.5, 0.1855, 0.3231, 0.5814, 0.012),
    (0.8, 0.0271, 0.2201, 0.4003, 0.006),
    (1.2, 0.0005, 0.1518, 0.2765, 0.004),
]


@pytest.mark.parametrize(("sigma", "nyquist", "mtf50", "mtf10", "bound"), CHECKS)
def test_response_of_known_blur(sigma: float, nyquist: float, mtf50: float, mtf10: float, bound: float) -> None:
    found = edge_sfr(edge(sigma))
    assert found is not None
    theory = np.exp(-2 * np.pi**2 * sigma**2 * FREQUENCIES**2) * np.sinc(FREQUENCIES)
    assert np.abs(found.response - theory)[:51].max() < bound
    assert at_frequency(found.response, 0.5) == pytest.approx(nyquist, abs=bound)
    assert falls_to(found.response, 0.5) == pytest.approx(mtf50, abs=0.006)
    assert falls_to(found.response, 0.1) == pytest.approx(mtf10, abs=0.019)


def test_without_blur_the_pixel_alone_is_left() -> None:
    found = edge_sfr(edge(0.0))
    assert found is not None
    assert at_frequency(found.response, 0.5) == pytest.approx(2 / np.pi, abs=0.02)
    assert found.angle == pytest.approx(np.deg2rad(5), abs=2e-3)


@pytest.mark.parametrize("angle", [-8.0, 3.0, 12.0])
def test_other_angles_give_the_same_response(angle: float) -> None:
    """The standard wants a small angle; the frequency is counted across the edge, so that it does not matter."""
    found = edge_sfr(edge(0.6, angle=angle))
    assert found is not None
    assert falls_to(found.response, 0.5) == pytest.approx(0.18739 / 0.6 * 0.913, rel=0.03)  # box and Gaussian together


def test_noise_is_borne() -> None:
    found = [edge_sfr(edge(0.5, shift=s, noise=3 / 160)) for s in (0.0, 0.3)]
    assert all(one is not None for one in found)
    mean = mean_response([one for one in found if one is not None])
    assert falls_to(mean, 0.5) == pytest.approx(0.3231, abs=0.015)


def test_light_on_either_side_gives_the_same() -> None:
    one, other = edge_sfr(edge(0.5)), edge_sfr(np.ascontiguousarray(edge(0.5)[:, ::-1]))
    assert one is not None and other is not None
    assert other.response == pytest.approx(one.response, abs=0.004)


def test_unfit_edges_give_nothing() -> None:
    assert edge_sfr(edge(0.5, angle=0.3)) is None
    assert edge_sfr(edge(0.5, angle=35)) is None
    assert edge_sfr(np.full((100, 60), 0.4)) is None
    assert edge_sfr(edge(0.5)[:10]) is None
    assert edge_sfr(0.1 + 0.02 * edge(0.5)) is None


@pytest.mark.parametrize("shift", [0.0, 0.25, 0.8])
def test_channels_apart(shift: float) -> None:
    channels = np.stack([edge(0.6), edge(0.6, shift=shift), edge(0.6, shift=shift / 2)], axis=2)
    apart = misregistration(channels)
    assert apart == pytest.approx(shift * np.cos(np.deg2rad(5)), abs=0.02)


def test_responses_that_stay_above_or_start_below() -> None:
    assert falls_to(np.ones(101), 0.5) == 1.0
    assert falls_to(np.linspace(1, 0, 101), 0.5) == pytest.approx(0.5)


def test_an_edge_that_runs_out_of_its_window_gives_nothing() -> None:
    picture = edge(0.5, angle=20.0, rows=400)  # leaves a window of 120 px at both ends
    assert edge_sfr(picture) is None
    steep = edge(0.5, angle=24.0, rows=150)[:, 44:72]
    assert edge_sfr(steep) is None
