"""I tell how far errors of neighboring card corners are alike, and what such errors do to a solution.

In: corners of cards, their errors after solving. Out: what to add to the covariance of independent errors.

A printer's feed and paper that does not lie flat shift whole parts of a card the same way. Such errors bend the plane
and the lens far more than as many independent ones, and hide there: little of them is left in the residuals, but that
neighbors agree in what is left gives them away. Gentle bends leave nothing at all: how flat paper lies is believed
beforehand (`added_by_bends`), or to be as bent as what is left tells, where that is more (`lifted_as_seen`). Of the
rest, two parts of the errors' variance, independent and alike, are told from two sums over the residuals, whose
expected values follow from the solution.
Reference: Rao (1971), "Estimation of variance and covariance components - MINQUE theory", J. Multivar. Anal. 1:257-275.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.linalg import block_diag
from scipy.spatial.distance import cdist

from stitchbed.card.board import SQUARE_MM
from stitchbed.core.arrays import Array
from stitchbed.photos.geometry.lens import Lens
from stitchbed.photos.solving.initial_guess import CardPoints

ALIKE_MM = 40.0  # over which errors stay alike; waves of 25 to 250 mm were tried
BEND_MM = 60.0  # over which heights of paper stay alike: a card bends as a whole, or its corners lift
CURLED = 2.25  # of paper curled to a parabola that touches the table: mean square height over the variance of height
FOCAL = 0.75  # of the photo's diagonal, where perspective does not tell it: 32 mm on a frame of 24 x 36 mm
FOCALS = (0.55, 1.6)
FOCAL_SIGMA = 0.3  # log, of photos taken with 24 to 75 mm on such a frame about that
TOLD = 4e-4  # fourth power of the sine of a tilt from which perspective tells it: 8 degrees
NEXT = 1.2  # squares: corners nearer than this are neighbors
BY_CHANCE = 2.0  # standard errors: what independent errors may show


def alike_share(cards: Sequence[CardPoints], errors: Array, slopes: Array, inverse: Array) -> float:
    """Variance of the part of the errors that neighbors share.

    errors : (2N,) of all corners, card after card, x and y in turn, in sigmas. slopes : (2N, P) of the same. inverse :
    (P, P), covariance of independent errors of unit size.
    """
    near = [((each > 0) & (each < NEXT * SQUARE_MM)).astype(np.float64) for each in _apart(cards)]
    next_to = _both_axes(near)
    if not next_to.any():
        return 0.0
    return alike_variance(errors, next_to, _near(cards), np.eye(len(errors)) - slopes @ inverse @ slopes.T)


def added_by_alike(cards: Sequence[CardPoints], share: float, slopes: Array, inverse: Array) -> Array:
    """(P, P) covariance that errors alike among neighbors, of variance `share`, add to `inverse`. Others as above."""
    if share == 0:
        return np.zeros_like(inverse)
    way = inverse @ slopes.T
    return np.asarray(share * way @ _near(cards) @ way.T, dtype=np.float64)


def _apart(cards: Sequence[CardPoints]) -> list[Array]:
    return [cdist(points.card_xy, points.card_xy) for points in cards]


def _near(cards: Sequence[CardPoints]) -> Array:
    """(2N, 2N) how far errors of two corners are alike."""
    return _both_axes([np.exp(-each / ALIKE_MM) for each in _apart(cards)])


def alike_variance(errors: Array, next_to: Array, near: Array, left: Array) -> float:
    """Variance of the part of the errors that is alike as `near` (M, M) says, 0 where it may be chance.

    errors : (M,). next_to : (M, M) 1 for neighbors. left : (M, M) what solving leaves of errors.
    """
    seen = np.array([errors @ errors, errors @ next_to @ errors])
    alone, together = left @ left.T, left @ near @ left.T
    sums = np.array(
        [
            [np.trace(alone), np.trace(together)],
            [np.sum(next_to * alone), np.sum(next_to * together)],
        ]
    )
    inverse = np.linalg.pinv(sums)
    independent, shared = inverse @ seen
    both = next_to @ alone
    chance = abs(inverse[1, 1]) * max(float(independent), 0.0) * float(np.sqrt(2 * np.sum(both * both.T)))
    return float(shared) if shared > BY_CHANCE * chance else 0.0


def _both_axes(each: Sequence[Array]) -> Array:
    """(2N, 2N) of blocks (n, n), one for each card, for x and y in turn; the axes have nothing in common."""
    return np.asarray(np.kron(block_diag(*each), np.eye(2)), dtype=np.float64)


def added_by_bends(cards: Sequence[CardPoints], lifts: Sequence[Array], slopes: Array, inverse: Array) -> Array:
    """(P, P) covariance that paper adds whose height above the plane is a smooth chance field.

    lifts : (N, 2) of each card, how far, in sigmas, a corner is seen elsewhere at a sigma of height. slopes : as above.
    """
    added = np.zeros_like(inverse)
    at = 0
    for points, lift in zip(cards, lifts, strict=True):
        own = slopes[at : at + lift.size]
        way = np.einsum("pnk,nk->pn", (inverse @ own.T).reshape(len(inverse), -1, 2), lift)
        heights = np.exp(-0.5 * (cdist(points.card_xy, points.card_xy) / BEND_MM) ** 2)
        added += way @ heights @ way.T
        at += lift.size
    return added


def lifted_as_seen(lifts: Sequence[Array], share: float) -> list[Array]:
    """Lifts as of `added_by_bends`, larger where the errors that neighbors share tell of paper that lies less flat.

    Bends leave in the errors what they do within a card, not how far it lies above the plane as a whole.
    """
    usual = float(np.mean(np.concatenate(lifts) ** 2))
    if usual == 0:  # paper believed to be perfectly flat
        return list(lifts)
    return [each * float(np.sqrt(max(1.0, CURLED * share / usual))) for each in lifts]


def lifts_of(view: Array, lens: Lens, plane_xy: Array) -> Array:
    """(N, 2) px per mm of height above the plane at its points (N, 2) mm, either way; lens bending left aside.

    The focal length is told by the perspective of the view, as by two orthogonal vanishing points, as far as it tells
    it. Reference: Zhang (2000), IEEE Trans. Pattern Anal. 22:1330-1334, equations 3 and 4.
    """
    h = _about_center(view, lens)
    focal = _focal_length(h / np.sqrt(abs(np.linalg.det(h[:2, :2]))))
    rays = h / np.array([[focal], [focal], [1]])
    rays = rays / np.sqrt(np.linalg.norm(rays[:, 0]) * np.linalg.norm(rays[:, 1]))
    up = np.cross(rays[:, 0], rays[:, 1])
    seen = np.column_stack([plane_xy, np.ones(len(plane_xy))]) @ rays.T
    lift = focal * (up[:2] - seen[:, :2] / seen[:, 2:] * up[2]) / seen[:, 2:]
    return np.asarray(lens.radius * lift, dtype=np.float64)


def larger_by_height(view: Array, lens: Lens, corners: Array) -> float:
    """The share by which a work of corners (4, 2) plane mm seems larger when it lies a millimeter above the plane."""
    lift = lifts_of(view, lens, corners)
    seen = np.column_stack([corners, np.ones(len(corners))]) @ view.T
    back = np.column_stack([seen[:, :2] / seen[:, 2:] + lift, np.ones(len(corners))]) @ np.linalg.inv(view).T
    raised = back[:, :2] / back[:, 2:]
    across = np.linalg.norm(raised[:2] - raised[2:], axis=1) / np.linalg.norm(corners[:2] - corners[2:], axis=1)
    return float(np.abs(across - 1).mean())  # either way: the plane may be seen as in a mirror


def height_sigma(view: Array, lens: Lens) -> float:
    """Sigma of `larger_by_height` over itself: it goes with the focal length, as sure as perspective tells that."""
    h = _about_center(view, lens)
    return FOCAL_SIGMA * float(np.sqrt(TOLD / (TOLD + _told(h / np.sqrt(abs(np.linalg.det(h[:2, :2])))))))


def _about_center(view: Array, lens: Lens) -> Array:
    """A view (3, 3) to half diagonals about the lens's center."""
    r = lens.radius
    return np.array([[1 / r, 0, -lens.center_x / r], [0, 1 / r, -lens.center_y / r], [0, 0, 1]]) @ view


def _told(view: Array) -> float:
    """How much perspective tells of the focal length, to be compared with TOLD."""
    tilted, _ = _vanishing(view)
    return float(tilted @ tilted)


def _vanishing(view: Array) -> tuple[Array, Array]:
    """(2,) and (2,): that two orthogonal directions of a view vanish in orthogonal ones, and are alike long, asks that
    the first over the square of the focal length undoes the second."""
    a, b = view[:, 0], view[:, 1]
    return np.array([a[:2] @ b[:2], a[:2] @ a[:2] - b[:2] @ b[:2]]), np.array([a[2] * b[2], a[2] ** 2 - b[2] ** 2])


def _focal_length(view: Array) -> float:
    """In half diagonals, of a view (3, 3) to such shares about the lens's center, of an area factor of 1."""
    tilted, deep = _vanishing(view)
    told = float((TOLD / (2 * FOCAL) ** 2 - tilted @ deep) / (TOLD + tilted @ tilted))
    return float(np.clip(max(told, 1e-9) ** -0.5, 2 * FOCALS[0], 2 * FOCALS[1]))
