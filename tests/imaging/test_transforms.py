"""I check moving points and fitting motions: laws over random draws, theory of errors, and a second library."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import tolerances as tol
from hypothesis import given
from hypothesis import strategies as st

from stitchbed.imaging.transforms import (
    fit_affine,
    fit_similarity,
    moved,
    scale_of,
    similarity_matrix,
    similarity_params,
    turn_of,
)

turns = st.floats(-3.1, 3.1)
scales = st.floats(0.5, 2.0)
shifts = st.floats(-900, 900)
seeds = st.integers(0, 2**32 - 1)


def _similarity(turn: float, scale: float, x: float, y: float) -> np.ndarray:
    return similarity_matrix(np.array([scale * np.cos(turn), scale * np.sin(turn), x, y]))


def _points(count: int, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).uniform(0, 1000, (count, 2))


@given(turns, scales, shifts, shifts, seeds)
def test_a_similarity_is_found_again(turn: float, scale: float, x: float, y: float, seed: int) -> None:
    truth, src = _similarity(turn, scale, x, y), _points(25, seed)
    found = similarity_matrix(fit_similarity(src, moved(truth, src), np.ones(25)))
    assert np.abs(moved(found, src) - moved(truth, src)).max() < tol.ARITHMETIC_PX
    assert turn_of(truth) == pytest.approx(turn, abs=tol.ARITHMETIC)
    assert scale_of(truth) == pytest.approx(scale, abs=tol.ARITHMETIC)
    assert np.allclose(similarity_matrix(similarity_params(truth)), truth, atol=tol.ARITHMETIC)


@given(turns, scales, shifts, shifts, seeds)
def test_one_after_another_is_a_similarity_too(turn: float, scale: float, x: float, y: float, seed: int) -> None:
    both = _similarity(turn, scale, x, y) @ _similarity(0.7, 1.3, -40.0, 90.0)
    src = _points(25, seed)
    found = similarity_matrix(fit_similarity(src, moved(both, src), np.ones(25)))
    assert np.abs(found - both).max() < 1e-6  # elements up to 2000 px


@given(st.lists(st.floats(-2, 2), min_size=4, max_size=4), shifts, shifts, seeds)
def test_an_affine_is_found_again(linear: list[float], x: float, y: float, seed: int) -> None:
    truth = np.column_stack([np.reshape(linear, (2, 2)), [x, y]])
    src = _points(25, seed)
    dst = src @ truth[:, :2].T + truth[:, 2]
    assert np.abs(fit_affine(src, dst) - truth).max() < 1e-6


@given(seeds)
def test_weight_zero_is_not_there(seed: int) -> None:
    truth, src = _similarity(0.4, 1.1, 30, -20), _points(30, seed)
    dst = moved(truth, src)
    wrong = dst.copy()
    wrong[:10] += np.random.default_rng(seed).uniform(-400, 400, (10, 2))
    found = similarity_matrix(fit_similarity(src, wrong, np.r_[np.zeros(10), np.ones(20)]))
    assert np.abs(moved(found, src) - dst).max() < tol.ARITHMETIC_PX


def test_noise_spreads_as_theory_says() -> None:
    """Error of the fit s sqrt(d/2n) per coordinate, d = 4 parameters, n points.

    Reference: Hartley & Zisserman (2004), result 5.2 (d/N of the noise's power goes into the fit).
    """
    rng = np.random.default_rng(5)
    count, sigma = 24, 0.5
    truth = _similarity(0.3, 1.2, 10, 20)
    wrong = []
    for _ in range(300):
        src = rng.uniform(0, 1000, (count, 2))
        dst = moved(truth, src)
        fitted = similarity_matrix(fit_similarity(src, dst + rng.normal(0, sigma, dst.shape), np.ones(count)))
        wrong.append(moved(fitted, src) - dst)
    assert np.sqrt(np.mean(np.square(wrong))) == pytest.approx(
        sigma * np.sqrt(4 / (2 * count)), rel=tol.MONTE_CARLO_300
    )


def test_points_move_as_in_a_second_library() -> None:
    rng = np.random.default_rng(6)
    matrix = _similarity(0.8, 1.4, 50, -70) @ np.array([[1.003, 0.002, 0], [0, 0.998, 0], [1e-4, -5e-5, 1]])
    xy = rng.uniform(0, 1000, (30, 2))
    theirs = cv2.perspectiveTransform(xy[None], matrix)[0]
    assert np.abs(moved(matrix, xy) - theirs).max() < tol.ARITHMETIC_PX
    assert np.abs(moved(2.5 * matrix, xy) - theirs).max() < tol.ARITHMETIC_PX  # a common factor means nothing
