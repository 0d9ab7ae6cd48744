"""I tell how all that photos show of the plane changes with the unknowns: what solving goes by, and covariances.

In: card corners, side points and ties, a vector of unknowns. Out: slopes (rows, P), one column for each unknown.

All is the chain rule over nominal mm -> plane mm -> px without a lens -> px as seen, or the same way back.
"""

from __future__ import annotations

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.photos.geometry.lens import lens_slopes, undistorted
from stitchbed.photos.geometry.plane_pose import (
    LENS_TERMS,
    UNIT_MM,
    Frame,
    inverted,
    lens_of,
    line_of,
    placed,
    pose_of,
    px_per_mm,
    stretch_of,
    through,
    to_px,
    view_of,
)
from stitchbed.photos.solving.initial_guess import CardPoints, SidePoints, TiePoints


def card_slopes(frame: Frame, params: Array, points: CardPoints) -> Array:
    """(2 N, P) of where a card's corners are seen, in sigmas."""
    pose = pose_of(frame, params, points.card)
    plane = placed(pose, points.card_xy * stretch_of(frame, params))
    slopes, by_plane = _seen_slopes(frame, params, points.photo, plane)
    turned = np.array([0.0, 0.0, pose[2]])
    if points.card != frame.cards[0]:
        at = frame.pose_start(points.card)
        slopes[..., at : at + 2] = UNIT_MM * by_plane
        across = plane - pose[:2]
        slopes[..., at + 2] = _times(by_plane, np.stack([-across[:, 1], across[:, 0]], axis=1))
    for column, by in zip(range(frame.starts[3], frame.starts[4]), ([1, 1], [1, -1]), strict=True):
        slopes[..., column] = _times(by_plane, placed(turned, points.card_xy * by))
    return np.asarray((slopes / points.sigma).reshape(-1, len(params)))


def side_slopes(frame: Frame, params: Array, side: SidePoints) -> Array:
    """(N, P) of how far points lie off a straight side, in sigmas."""
    view = view_of(frame, params, side.photo)
    plane, moving = _plane_slopes(frame, params, side.photo, side.photo_xy)
    a, b, c = line_of(frame, params, side.side) if side.line is None else side.line
    off, middle = plane @ np.array([a, b]) - c, plane.mean(0)
    slopes = np.array([a, b]) @ moving
    if side.line is None:
        at = frame.line_start(side.side)
        slopes[:, at] += plane @ np.array([-b, a])
        slopes[:, at + 1] -= UNIT_MM
    # px_per_mm is the root of |det / w^3| at the middle
    w = view[2, :2] @ middle + view[2, 2]
    by_entry = inverted(view).T / 2
    by_entry[2] -= 1.5 / w * np.append(middle, 1.0)
    growth = -1.5 / w * (view[2, :2] @ moving.mean(0))
    at = 8 * side.photo
    growth[at : at + 8] += _by_unknowns(frame, side.photo, by_entry[None, None])[0, 0]
    return np.asarray((slopes + off[:, None] * growth) * px_per_mm(view, middle) / side.sigma)


def tie_slopes(frame: Frame, params: Array, tie: TiePoints) -> Array:
    """(2 N, P) of where photo b shows what photo a shows, in sigmas."""
    plane, moving = _plane_slopes(frame, params, tie.a, tie.xy_a)
    slopes, by_plane = _seen_slopes(frame, params, tie.b, plane)
    slopes += by_plane @ moving
    scaled = slopes / tie.sigma if tie.whitener is None else tie.whitener @ slopes
    return np.asarray(scaled.reshape(-1, len(params)))


def _seen_slopes(frame: Frame, params: Array, photo: int, plane: Array) -> tuple[Array, Array]:
    """(N, 2, P) of the px where plane points (N, 2) are seen, and (N, 2, 2) of the same by the points themselves."""
    view, lens = view_of(frame, params, photo), lens_of(frame, params, photo)
    by_straight, by_lens = lens_slopes(lens, through(view, plane))
    by_plane, by_view = _view_slopes(frame, photo, view, plane)
    slopes = np.zeros((len(plane), 2, len(params)))
    slopes[..., 8 * photo : 8 * photo + 8] = by_straight @ by_view
    at = frame.lens_start(photo)
    slopes[..., at : at + LENS_TERMS] = by_lens
    return slopes, by_straight @ by_plane


def _plane_slopes(frame: Frame, params: Array, photo: int, xy: Array) -> tuple[Array, Array]:
    """(N, 2) plane mm of px (N, 2) as seen, and (N, 2, P) of them: the photo stands still, so the plane must move."""
    view, lens = view_of(frame, params, photo), lens_of(frame, params, photo)
    plane = through(inverted(view), undistorted(lens, xy))
    slopes, by_plane = _seen_slopes(frame, params, photo, plane)
    return plane, np.asarray(-np.linalg.solve(by_plane, slopes))


def _view_slopes(frame: Frame, photo: int, view: Array, plane: Array) -> tuple[Array, Array]:
    """(N, 2, 2) of `through` by the points, and (N, 2, 8) by the view's unknowns."""
    homogeneous = np.column_stack([plane, np.ones(len(plane))])
    w = homogeneous @ view[2]
    seen = through(view, plane)
    by_point = (view[:2, :2] - seen[..., None] * view[2, :2]) / w[:, None, None]
    by_entry = np.zeros((len(plane), 2, 3, 3))
    by_entry[:, 0, 0] = by_entry[:, 1, 1] = homogeneous / w[:, None]
    by_entry[:, :, 2] = -seen[..., None] * (homogeneous / w[:, None])[:, None]
    return np.asarray(by_point), _by_unknowns(frame, photo, by_entry)


def _by_unknowns(frame: Frame, photo: int, by_entry: Array) -> Array:
    """(N, M, 8) by the unknowns of a view, from (N, M, 3, 3) by the entries of its matrix."""
    by_unit = np.einsum("nmkj,ki->nmij", by_entry, to_px(frame.base[photo])) / np.array([UNIT_MM, UNIT_MM, 1.0])
    return np.asarray(by_unit.reshape(*by_entry.shape[:2], 9)[..., :8])


def _times(matrices: Array, vectors: Array) -> Array:
    """(N, 2) of each vector (N, 2) through its matrix (N, 2, 2)."""
    return np.asarray((matrices @ vectors[..., None])[..., 0])
