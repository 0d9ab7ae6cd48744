"""I tell how a height above the plane shifts what a photo shows there, and how sure that is.

In: the view of a plane and its lens. Out: px per mm of height, and by how much a raised work seems larger.
"""

from __future__ import annotations

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.photos.geometry.lens import Lens

FOCAL = 0.75  # of the photo's diagonal, where perspective does not tell it: 32 mm on a frame of 24 x 36 mm
FOCALS = (0.55, 1.6)
FOCAL_SIGMA = 0.3  # log, of photos taken with 24 to 75 mm on such a frame about that
TOLD = 4e-4  # fourth power of the sine of a tilt from which perspective tells it: 8 degrees


def lifts_of(view: Array, lens: Lens, plane_xy: Array) -> Array:
    """(N, 2) px per mm of height above the plane, towards the camera, at its points (N, 2) mm; lens bending left aside.

    The focal length is told by the perspective of the view, as by two orthogonal vanishing points, as far as it tells
    it. Reference: Zhang (2000), IEEE Trans. Pattern Anal. 22:1330-1334, equations 3 and 4.
    """
    h = _about_center(view, lens)
    focal = _focal_length(h / np.sqrt(abs(np.linalg.det(h[:2, :2]))))
    rays = h / np.array([[focal], [focal], [1]])
    rays = rays / np.sqrt(np.linalg.norm(rays[:, 0]) * np.linalg.norm(rays[:, 1]))
    up = -np.sign(np.linalg.det(rays)) * np.cross(rays[:, 0], rays[:, 1])
    seen = np.column_stack([plane_xy, np.ones(len(plane_xy))]) @ rays.T
    lift = focal * (up[:2] - seen[:, :2] / seen[:, 2:] * up[2]) / seen[:, 2:]
    return np.asarray(lens.radius * lift, dtype=np.float64)


def larger_by_height(view: Array, lens: Lens, corners: Array) -> float:
    """The share by which a work of corners (4, 2) plane mm seems larger when it lies a millimeter above the plane."""
    raised = corners + moved_by_height(view, lens, corners)
    across = np.linalg.norm(raised[:2] - raised[2:], axis=1) / np.linalg.norm(corners[:2] - corners[2:], axis=1)
    return float((across - 1).mean())


def moved_by_height(view: Array, lens: Lens, corners: Array) -> Array:
    """(N, 2) mm by which places (N, 2) plane mm seem to lie elsewhere when they are a millimeter above the plane."""
    lift = lifts_of(view, lens, corners)
    seen = np.column_stack([corners, np.ones(len(corners))]) @ view.T
    back = np.column_stack([seen[:, :2] / seen[:, 2:] + lift, np.ones(len(corners))]) @ np.linalg.inv(view).T
    return np.asarray(back[:, :2] / back[:, 2:] - corners, dtype=np.float64)


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
