"""I find the plane of a work without a card: by its own size and its four corners or sides.

In: open photos, the size in mm. Out: a `PlaneSurvey`. That the work is a true rectangle is taken on trust, and said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.card.detection import SeenCard
from stitchbed.core.arrays import Array
from stitchbed.core.errors import BadSettings, CardNotFound
from stitchbed.photos.geometry.bundle_adjustment import PlaneSettings, solve_plane
from stitchbed.photos.geometry.initial_guess import CardPoints
from stitchbed.photos.geometry.outline import find_outline
from stitchbed.photos.geometry.print_size import SIZE_SIGMA_MM
from stitchbed.photos.geometry.rectangle import Line, corners_of, find_sides, sides_through
from stitchbed.photos.survey.photo import Photo
from stitchbed.photos.survey.plane_types import Asked, Found, PlaneSurvey, plane_survey_of
from stitchbed.photos.survey.tie_points import overlaps_of, solved_with_ties
from stitchbed.photos.survey.work_edges import FLAT_LONG_PX, RIM_SHARE, measured, side_points

MOST_LEAN_RAW = float(np.deg2rad(22.0))  # of the work's sides in a photo that no card has flattened
PICK_SIGMA_PX = 3.0  # a corner picked by hand, or where two sides of a small view meet
REACH = 0.006  # of the photo's width: how far from a rough line its side is sought
WHOLE_FRAME = (
    "no sides of the work and no --corners: the first photo as a whole counts as the work, as if taken straight on; "
    "size and shape are no truer than that"
)
UNSURE_SIDES = (
    "the work's sides do not stand out from what it lies on all along: look whether the result ends where the work "
    "does, or give its --corners"
)
TWO_RECTANGLES = (
    "two rectangles lie within each other, as of a picture in its margin; --size was taken as that of the outer one: "
    "--sides inner takes the other"
)
TRUST = "no card: shape and size rest on the size given and on the work being a true rectangle"


def survey_by_size(photos: Sequence[Photo], asked: Asked, size_mm: tuple[float, float]) -> PlaneSurvey:
    """The work itself, of a size that is known, is the card.

    Raises
    ------
    BadSettings : width and height the other way round. CardNotFound : no sides, no corners given.
    """
    photo = photos[0]
    width, height = size_mm
    corners, lines, notes = _corners(photos, asked)
    _check_way(corners, width, height)
    rectangle = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=float)
    points = [CardPoints(0, "work", rectangle, corners, PICK_SIGMA_PX * photo.reduction)]
    sizes = [(photo.size[1], photo.size[0]) for photo in photos]
    relative = SIZE_SIGMA_MM / max(width, height)
    settings = PlaneSettings(scale=relative, stretch=relative, shared_lens=len(set(sizes)) == 1, flat=asked.scan)
    rough, ties = solved_with_ties(photos, points, settings, tie=len(photos) > 1)
    sides = measured(photo, lines, lambda xy: xy, reach=REACH * photo.size[1]) if lines else {}
    known = {"top": (0, 1, 0), "right": (1, 0, width), "bottom": (0, 1, height), "left": (1, 0, 0)}
    fine = [side_points(side, rough, np.array(known[name], dtype=float)) for name, side in sides.items()]
    fit = solve_plane(sizes, points, fine, settings=settings, start=rough, ties=ties) if fine else rough
    seen: tuple[tuple[SeenCard, ...], ...] = ((),) * len(photos)
    found = Found(seen, {0: sides}, rectangle, bool(lines), overlaps_of(fit, ties))
    return plane_survey_of(photos, fit, found, asked, [TRUST, *notes])


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


def _corners(photos: Sequence[Photo], asked: Asked) -> tuple[Array, dict[str, Line], list[str]]:
    """Corners (4, 2) px and lines of the work in the first photo, and what is doubtful about them."""
    photo = photos[0]
    if asked.corners is not None:
        return asked.corners, sides_through(asked.corners), []
    h, w = photo.small.shape[:2]
    shrink = max(1.0, max(h, w) / FLAT_LONG_PX)
    size = (round(w / shrink), round(h / shrink))
    view = np.asarray(cv2.resize(photo.small, size, interpolation=cv2.INTER_AREA), np.uint8)
    lines, notes = _sides_in(view.reshape(size[1], size[0], -1), inner=asked.sides == "inner")
    step = np.array([photo.size[1], photo.size[0]]) / size
    if lines is not None:
        corners = (corners_of(lines) + 0.5) * step - 0.5
        return corners, sides_through(corners), notes
    if len(photos) > 1:
        w, h = photo.size[1] - 1, photo.size[0] - 1
        return np.array([[0, 0], [w, 0], [w, h], [0, h]], dtype=float), {}, [WHOLE_FRAME]
    raise CardNotFound(
        f"{photo.tile.name} shows no card, and the work's four sides do not stand out",
        expected="a card, or a work whose sides are seen against what it lies on",
        attempt="give its corners: --corners x,y x,y x,y x,y (top left first, then clockwise)",
    )


def _sides_in(view: NDArray[np.uint8], *, inner: bool) -> tuple[Mapping[str, Line] | None, list[str]]:
    """The work's sides in a small view that nothing has flattened, and what is doubtful about them."""
    nothing = np.zeros(view.shape[:2], bool)
    rim = round(RIM_SHARE * max(nothing.shape))
    table = np.ones_like(nothing)
    table[rim:-rim, rim:-rim] = False
    outline = find_outline(view, nothing, table, tilt=MOST_LEAN_RAW)
    if outline is None or not outline.clear:
        found = find_sides(view, nothing, tilt=MOST_LEAN_RAW)
        return found, [UNSURE_SIDES] if found is not None else []
    if inner and outline.inner is not None:
        return outline.inner, []
    return outline.lines, [TWO_RECTANGLES] if outline.inner is not None else []
