"""I am the table of motion models and their derivatives.

In: parameters and points. Out: 3x3 matrices `dst_from_src`, fitted parameters, Jacobians. Points are (N, 2) px, (x, y).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Array


@dataclass(frozen=True)
class MotionModel:
    """One family of plane motions.

    size : number of parameters. fewest : points needed to fit.
    matrix(params) -> 3x3; fit(src, dst, weights) -> params by weighted least squares;
    jacobian(params, xy) -> (N, 2, size) derivative of the moved points by the parameters.
    """

    name: str
    size: int
    fewest: int
    matrix: Callable[[Array], Array]
    fit: Callable[[Array, Array, Array], Array]
    jacobian: Callable[[Array, Array], Array]


def moved(dst_from_src: Array, xy: Array) -> Array:
    """Points (N, 2) through a 3x3 matrix."""
    if not dst_from_src[2, :2].any():  # affine: much the commonest, and without a division
        return xy @ dst_from_src[:2, :2].T + dst_from_src[:2, 2] / dst_from_src[2, 2]
    w = xy @ dst_from_src[2, :2] + dst_from_src[2, 2]
    return (xy @ dst_from_src[:2, :2].T + dst_from_src[:2, 2]) / w[:, None]


def similarity_matrix(params: Array) -> Array:
    """(a, b, tx, ty) -> [[a, -b, tx], [b, a, ty], [0, 0, 1]]: turn and scale as one complex number a + ib."""
    a, b, tx, ty = params
    return np.array([[a, -b, tx], [b, a, ty], [0, 0, 1]])


def similarity_params(matrix: Array) -> Array:
    """The nearest (a, b, tx, ty) of an affine 3x3 matrix."""
    m = matrix / matrix[2, 2]
    return np.array([(m[0, 0] + m[1, 1]) / 2, (m[1, 0] - m[0, 1]) / 2, m[0, 2], m[1, 2]])


def scale_of(matrix: Array) -> float:
    """Mean linear magnification of a 3x3 matrix (square root of its area factor)."""
    return float(np.sqrt(abs(np.linalg.det(matrix[:2, :2])))) / float(matrix[2, 2])


def turn_of(matrix: Array) -> float:
    """Turn of a 3x3 matrix, rad, -pi..pi."""
    return float(np.arctan2(matrix[1, 0] - matrix[0, 1], matrix[0, 0] + matrix[1, 1]))


def fit_similarity(src: Array, dst: Array, weights: Array) -> Array:
    """Weighted least squares in closed form. Reference: Umeyama (1991), doi 10.1109/34.88573 (2-D case)."""
    w = weights / weights.sum()
    mean_src, mean_dst = w @ src, w @ dst
    s, d = src - mean_src, dst - mean_dst
    power = float(w @ (s**2).sum(1))
    a = float(w @ (s * d).sum(1)) / power
    b = float(w @ (s[:, 0] * d[:, 1] - s[:, 1] * d[:, 0])) / power
    t = mean_dst - np.array([a * mean_src[0] - b * mean_src[1], b * mean_src[0] + a * mean_src[1]])
    return np.array([a, b, *t])


def similarity_jacobian(params: Array, xy: Array) -> Array:
    """d(x', y') / d(a, b, tx, ty)."""
    x, y = xy.T
    one, zero = np.ones_like(x), np.zeros_like(x)
    return np.stack([np.stack([x, -y, one, zero], 1), np.stack([y, x, zero, one], 1)], 1)


def affine_matrix(params: Array) -> Array:
    """(a, b, c, d, tx, ty) -> [[a, b, tx], [c, d, ty], [0, 0, 1]]."""
    a, b, c, d, tx, ty = params
    return np.array([[a, b, tx], [c, d, ty], [0, 0, 1]])


def fit_affine(src: Array, dst: Array, weights: Array) -> Array:
    """Weighted linear least squares."""
    root = np.sqrt(weights)[:, None]
    design = np.column_stack([src, np.ones(len(src))])
    solution = np.linalg.lstsq(design * root, dst * root, rcond=None)[0]
    return np.array([*solution[0], *solution[1], *solution[2]])[[0, 2, 1, 3, 4, 5]]


def affine_jacobian(params: Array, xy: Array) -> Array:
    """d(x', y') / d(a, b, c, d, tx, ty)."""
    x, y = xy.T
    one, zero = np.ones_like(x), np.zeros_like(x)
    return np.stack([np.stack([x, y, zero, zero, one, zero], 1), np.stack([zero, zero, x, y, zero, one], 1)], 1)


def homography_matrix(params: Array) -> Array:
    """Eight numbers, last element 1."""
    return np.append(params, 1.0).reshape(3, 3)


def fit_homography(src: Array, dst: Array, weights: Array) -> Array:
    """Normalized direct linear transform. Reference: Hartley & Zisserman (2004), algorithm 4.2."""
    to_src, to_dst = _normalizer(src), _normalizer(dst)
    s, d = moved(to_src, src), moved(to_dst, dst)
    x, y = s.T
    u, v = d.T
    one, zero = np.ones_like(x), np.zeros_like(x)
    rows_u = np.stack([x, y, one, zero, zero, zero, -u * x, -u * y, -u], 1)
    rows_v = np.stack([zero, zero, zero, x, y, one, -v * x, -v * y, -v], 1)
    root = np.sqrt(weights)[:, None]
    h = np.linalg.svd(np.concatenate([rows_u * root, rows_v * root]))[2][-1].reshape(3, 3)
    whole = np.linalg.inv(to_dst) @ h @ to_src
    return (whole / whole[2, 2]).ravel()[:8]


def homography_jacobian(params: Array, xy: Array) -> Array:
    """d(x', y') / d(h11 .. h32)."""
    h = homography_matrix(params)
    x, y = xy.T
    w = xy @ h[2, :2] + h[2, 2]
    u, v = moved(h, xy).T
    zero = np.zeros_like(x)
    row_u = np.stack([x, y, np.ones_like(x), zero, zero, zero, -u * x, -u * y], 1) / w[:, None]
    row_v = np.stack([zero, zero, zero, x, y, np.ones_like(x), -v * x, -v * y], 1) / w[:, None]
    return np.stack([row_u, row_v], 1)


def _normalizer(xy: Array) -> Array:
    mean = xy.mean(0)
    scale = np.sqrt(2) / max(float(np.hypot(*(xy - mean).T).mean()), 1e-12)
    return np.array([[scale, 0, -scale * mean[0]], [0, scale, -scale * mean[1]], [0, 0, 1]])


MODELS = {
    "similarity": MotionModel("similarity", 4, 2, similarity_matrix, fit_similarity, similarity_jacobian),
    "affine": MotionModel("affine", 6, 3, affine_matrix, fit_affine, affine_jacobian),
    "homography": MotionModel("homography", 8, 4, homography_matrix, fit_homography, homography_jacobian),
}


def affines_round(go: Callable[[Array], Array], centers: Array) -> Array:
    """(N, 2, 3) affines that say what `go`, (M, 2) px to (M, 2) px, does round points (N, 2) px.

    By central differences 16 px apart: what bends over less is no bed's and no lens's.
    """
    step = 16.0
    star = np.array([[0.0, 0.0], [step, 0.0], [-step, 0.0], [0.0, step], [0.0, -step]])
    probes = np.asarray(centers[:, None] + star, np.float64)
    there = go(probes.reshape(-1, 2)).reshape(-1, 5, 2)
    linear = np.stack([there[:, 1] - there[:, 2], there[:, 3] - there[:, 4]], axis=2) / (2 * step)
    shift = there[:, 0] - np.einsum("nij,nj->ni", linear, centers)
    return np.concatenate([linear, shift[:, :, None]], axis=2)
