"""I find the plane of a work without a card: by its own size and its four corners or sides.

In: one open photo, the size in mm. Out: a `PlaneSurvey`. That the work is a true rectangle is taken on trust, and said.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.errors import BadSettings, CardNotFound
from stitchbed.photos.geometry.bundle_adjustment import PlaneSettings, solve_plane
from stitchbed.photos.geometry.initial_guess import CardPoints
from stitchbed.photos.geometry.rectangle import Line, corners_of, find_sides, sides_through
from stitchbed.photos.survey.photo import Photo
from stitchbed.photos.survey.plane_types import Asked, Found, PlaneSurvey, plane_survey_of
from stitchbed.photos.survey.work_edges import FLAT_LONG_PX, measured, side_points

MOST_LEAN_RAW = float(np.deg2rad(22.0))  # of the work's sides in a photo that no card has flattened
PICK_SIGMA_PX = 3.0  # a corner picked by hand, or where two sides of a small view meet
SIZE_SIGMA_MM = 0.5  # a size given by the user
REACH = 0.006  # of the photo's width: how far from a rough line its side is sought
TRUST = "no card: shape and size rest on the size given and on the work being a true rectangle"


def survey_by_size(photos: Sequence[Photo], asked: Asked, size_mm: tuple[float, float]) -> PlaneSurvey:
    """The work itself, of a size that is known, is the card.

    Raises
    ------
    BadSettings : more than one photo; width and height the other way round. CardNotFound : no sides, no corners given.
    """
    photo = _only(photos)
    width, height = size_mm
    corners, lines = _corners(photo, asked)
    _check_way(corners, width, height)
    rectangle = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=float)
    points = [CardPoints(0, "work", rectangle, corners, PICK_SIGMA_PX * photo.reduction)]
    relative = SIZE_SIGMA_MM / max(width, height)
    settings = PlaneSettings(scale=relative, stretch=relative, flat=asked.scan)
    sizes = [(photo.size[1], photo.size[0])]
    rough = solve_plane(sizes, points, settings=settings)
    sides = measured(photo, lines, lambda xy: xy, reach=REACH * photo.size[1])
    known = {"top": (0, 1, 0), "right": (1, 0, width), "bottom": (0, 1, height), "left": (1, 0, 0)}
    fine = [side_points(side, rough, np.array(known[name], dtype=float)) for name, side in sides.items()]
    fit = solve_plane(sizes, points, fine, settings=settings, start=rough) if fine else rough
    return plane_survey_of(photos, fit, Found(((),), {0: sides}, rectangle, True), asked, [TRUST])


def _only(photos: Sequence[Photo]) -> Photo:
    if len(photos) > 1:
        raise BadSettings(
            f"{len(photos)} photos without a card",
            expected="one photo when only the size of the work is known",
            attempt="the best photo alone, or cards in every photo",
        )
    return photos[0]


def _check_way(corners: Array, width: float, height: float) -> None:
    across = np.linalg.norm(corners[1] - corners[0]) + np.linalg.norm(corners[2] - corners[3])
    down = np.linalg.norm(corners[3] - corners[0]) + np.linalg.norm(corners[2] - corners[1])
    clear = abs(width - height) > 0.15 * max(width, height)
    if clear and (width > height) != bool(across > down):
        raise BadSettings(
            f"--size {width:g}x{height:g}mm for a work that lies the other way in the photo",
            expected="width first, as the photo shows the work",
            attempt=f"--size {height:g}x{width:g}mm",
        )


def _corners(photo: Photo, asked: Asked) -> tuple[Array, dict[str, Line]]:
    """Corners (4, 2) px and lines of the work in a photo without cards."""
    if asked.corners is not None:
        return asked.corners, sides_through(asked.corners)
    h, w = photo.small.shape[:2]
    shrink = max(1.0, max(h, w) / FLAT_LONG_PX)
    size = (round(w / shrink), round(h / shrink))
    view = np.asarray(cv2.resize(photo.small, size, interpolation=cv2.INTER_AREA), np.uint8)
    view = view.reshape(size[1], size[0], -1)
    found = find_sides(view, np.zeros(view.shape[:2], bool), tilt=MOST_LEAN_RAW)
    if found is None:
        raise CardNotFound(
            f"{photo.tile.name} shows no card, and the work's four sides do not stand out",
            expected="a card, or a work whose sides are seen against what it lies on",
            attempt="give its corners: --corners x,y x,y x,y x,y (top left first, then clockwise)",
        )
    step = np.array([photo.size[1], photo.size[0]]) / size
    corners = (corners_of(found) + 0.5) * step - 0.5
    return corners, sides_through(corners)
