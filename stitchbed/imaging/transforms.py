"""I move points by matrices, and find the matrix that moves one set of points to another.

In: points (N, 2) px, (x, y). Out: 3x3 matrices `dst_from_src`, moved points, turn and scale.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from stitchbed.core.arrays import Array


def moved(dst_from_src: Array, xy: Array) -> Array:
    """Points (N, 2) through a 3x3 matrix."""
    if not dst_from_src[2, :2].any():  # affine: much the commonest, and without a division
        return xy @ dst_from_src[:2, :2].T + dst_from_src[:2, 2] / dst_from_src[2, 2]
    w = xy @ dst_from_src[2, :2] + dst_from_src[2, 2]
    return (xy @ dst_from_src[:2, :2].T + dst_from_src[:2, 2]) / w[:, None]


def inverse(dst_from_src: Array) -> Array:
    """The 3x3 matrix of the way back."""
    return np.asarray(np.linalg.inv(dst_from_src), np.float64)


def between(sheet_from_a: Array, sheet_from_b: Array) -> Array:
    """b_from_a, 3x3, of two that lie on one sheet."""
    return np.asarray(np.linalg.inv(sheet_from_b) @ sheet_from_a, np.float64)


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
    here, there = (np.ascontiguousarray(xy, np.float64).view(np.complex128)[:, 0] for xy in (src, dst))
    w = weights / weights.sum()
    mean_here, mean_there = w @ here, w @ there
    off = here - mean_here
    turn = ((w * off.conj()) @ (there - mean_there)) / (w @ (off.real**2 + off.imag**2))
    shift = mean_there - turn * mean_here
    return np.array([turn.real, turn.imag, shift.real, shift.imag])


def fit_affine(src: Array, dst: Array) -> Array:
    """(2, 3) affine that moves src to dst, both (N, 2), by linear least squares."""
    design = np.column_stack([src, np.ones(len(src))])
    return np.asarray(np.linalg.lstsq(design, dst, rcond=None)[0].T, dtype=np.float64)


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
