"""I check the laws every motion model must keep, for each row of the table: a new row is tested by being listed."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import tolerances as tol

from stitchbed.imaging.transforms import MODELS, moved, scale_of, similarity_matrix, similarity_params, turn_of

ROWS = sorted(MODELS)
DRAWS = range(8)


def _truth(name: str, rng: np.random.Generator) -> np.ndarray:
    """Parameters of a plausible motion between two scans of about 1000 px."""
    turn, scale = rng.uniform(-np.pi, np.pi), rng.uniform(0.5, 2.0)
    similar = np.array([scale * np.cos(turn), scale * np.sin(turn), *rng.uniform(-900, 900, 2)])
    if name == "similarity":
        return similar
    linear = similarity_matrix(similar) @ np.array([[1.003, 0.002, 0], [0, 0.998, 0], [0, 0, 1]])
    if name == "affine":
        return np.array([*linear[:2, :2].ravel(), *linear[:2, 2]])
    linear[2, :2] = rng.uniform(-1e-4, 1e-4, 2)
    return linear.ravel()[:8]


def _points(count: int, rng: np.random.Generator) -> np.ndarray:
    return rng.uniform(0, 1000, (count, 2))


@pytest.mark.parametrize("name", ROWS)
def test_identity_is_in_every_family(name: str) -> None:
    model = MODELS[name]
    xy = _points(20, np.random.default_rng(1))
    params = model.fit(xy, xy, np.ones(20))
    assert len(params) == model.size and model.name == name
    assert np.abs(model.matrix(params) - np.eye(3)).max() < tol.ARITHMETIC


@pytest.mark.parametrize("draw", DRAWS)
@pytest.mark.parametrize("name", ROWS)
def test_fit_recovers_truth(name: str, draw: int) -> None:
    model, rng = MODELS[name], np.random.default_rng([draw, 1])
    truth = _truth(name, rng)
    src = _points(25, rng)
    dst = moved(model.matrix(truth), src)
    found = model.fit(src, dst, np.ones(25))
    assert np.abs(moved(model.matrix(found), src) - dst).max() < tol.ARITHMETIC_PX
    few = _points(model.fewest, rng)
    found = model.fit(few, moved(model.matrix(truth), few), np.ones(model.fewest))
    assert np.abs(moved(model.matrix(found), src) - dst).max() < 100 * tol.ARITHMETIC_PX  # chance triangles are narrow


@pytest.mark.parametrize("name", ROWS)
def test_weight_zero_is_not_there(name: str) -> None:
    model, rng = MODELS[name], np.random.default_rng(3)
    src = _points(30, rng)
    dst = moved(model.matrix(_truth(name, rng)), src)
    wrong = dst.copy()
    wrong[:10] += rng.uniform(-400, 400, (10, 2))
    found = model.fit(src, wrong, np.r_[np.zeros(10), np.ones(20)])
    assert np.abs(moved(model.matrix(found), src) - dst).max() < tol.ARITHMETIC_PX


@pytest.mark.parametrize("name", ROWS)
def test_families_are_closed_under_composition(name: str) -> None:
    """One motion after another is a motion of the same family: fitting it leaves nothing over."""
    model, rng = MODELS[name], np.random.default_rng(4)
    both = model.matrix(_truth(name, rng)) @ model.matrix(_truth(name, rng))
    src = _points(25, rng)
    found = model.matrix(model.fit(src, moved(both, src), np.ones(25)))
    assert np.abs(found / found[2, 2] - both / both[2, 2]).max() < 1e-6  # elements up to 2000 px


@pytest.mark.parametrize("draw", DRAWS)
@pytest.mark.parametrize("name", ROWS)
def test_jacobian_is_the_derivative(name: str, draw: int) -> None:
    model, rng = MODELS[name], np.random.default_rng([draw, 2])
    params, xy = _truth(name, rng), _points(12, rng)
    given = model.jacobian(params, xy)
    assert given.shape == (12, 2, model.size)
    for k in range(model.size):
        # central differences: error of order step^2, so a step of 1e-6 of the parameter's own reach is ample
        step = 1e-6 * max(1.0, abs(params[k])) if name != "homography" or k in (2, 5) else 1e-8
        ahead, behind = params.copy(), params.copy()
        ahead[k] += step
        behind[k] -= step
        slope = (moved(model.matrix(ahead), xy) - moved(model.matrix(behind), xy)) / (2 * step)
        assert np.abs(given[:, :, k] - slope).max() < 1e-3 * max(1.0, np.abs(slope).max())


@pytest.mark.parametrize("name", ROWS)
def test_noise_spreads_as_theory_says(name: str) -> None:
    """Residual s sqrt(1 - d/2n), error of the fit s sqrt(d/2n) per coordinate, d parameters, n points.

    Reference: Hartley & Zisserman (2004), result 5.2 (d/N of the noise's power goes into the fit).
    """
    model, rng = MODELS[name], np.random.default_rng(5)
    count, sigma, runs = 24, 0.5, 300
    truth = model.matrix(_truth("similarity", rng) if name == "similarity" else _truth(name, rng))
    left, wrong = [], []
    for _ in range(runs):
        src = _points(count, rng)
        dst = moved(truth, src)
        fitted = model.matrix(model.fit(src, dst + rng.normal(0, sigma, dst.shape), np.ones(count)))
        wrong.append(moved(fitted, src) - dst)
    wrong_rms = np.sqrt(np.mean(np.square(wrong)))
    left = sigma * np.sqrt(1 - model.size / (2 * count))
    expected = sigma * np.sqrt(model.size / (2 * count))
    assert wrong_rms == pytest.approx(expected, rel=tol.MONTE_CARLO_300)
    assert left**2 + expected**2 == pytest.approx(sigma**2)


def test_points_move_as_in_a_second_library() -> None:
    rng = np.random.default_rng(6)
    matrix = MODELS["homography"].matrix(_truth("homography", rng))
    xy = _points(30, rng)
    theirs = cv2.perspectiveTransform(xy[None], matrix)[0]
    assert np.abs(moved(matrix, xy) - theirs).max() < tol.ARITHMETIC_PX
    assert np.abs(moved(2.5 * matrix, xy) - theirs).max() < tol.ARITHMETIC_PX  # a common factor means nothing


def test_turn_and_scale_are_read_back() -> None:
    for turn in np.linspace(-3.1, 3.1, 9):
        matrix = similarity_matrix(np.array([1.7 * np.cos(turn), 1.7 * np.sin(turn), 3.0, 4.0]))
        assert turn_of(matrix) == pytest.approx(turn, abs=tol.ARITHMETIC)
        assert scale_of(matrix) == pytest.approx(1.7, abs=tol.ARITHMETIC)
        assert np.allclose(similarity_matrix(similarity_params(matrix)), matrix, atol=tol.ARITHMETIC)
