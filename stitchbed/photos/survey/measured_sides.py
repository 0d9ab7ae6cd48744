"""I measure the sides of a work in photos near where they are roughly known, and weigh them for the solver.

In: open photos, a plane, rough lines. Out: measured sides, points for the solver.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from stitchbed.core.arrays import Array, Mask
from stitchbed.photos.geometry.output_frame import Facing, inside_photo, plane_from_canvas, to_photo
from stitchbed.photos.geometry.plane_pose import PlaneFit, plane_from_photo, px_per_mm
from stitchbed.photos.sides.edge_points import SIDE_FREEDOM, Side, measure_side
from stitchbed.photos.sides.lines import Line, corners_of
from stitchbed.photos.solving.initial_guess import SidePoints
from stitchbed.photos.survey.card_paper import Papers, on_card
from stitchbed.photos.survey.photo import Photo, light_of, read_small

Way = Callable[[Array], Array]
ENDS_OF = {"top": (0, 1), "right": (1, 2), "bottom": (3, 2), "left": (0, 3)}  # corners, from left or top
SIDE_STRAIGHT_MM = 0.15  # how straight a cut sheet's or a panel's side is; common practice, no source
SIDE_NOISE_PX = 0.3
SOFTER = 3.0  # times as wide as the sharpest side the end of a shadow is that is surely none of a band of the work


def softer(sides: Mapping[int, Mapping[str, Side]], ends: Mapping[int, Mapping[str, Side]], name: str) -> bool:
    """Whether the outer end of what lies beside a side is much softer than a cut edge in all photos that show it.

    sides, ends : by photo and name, what was measured at the sides and at that outer end.
    """
    of_end = {number: each[name].shape for number, each in ends.items() if name in each}
    cut = {number: [side.shape.width for side in sides[number].values() if side.shape is not None] for number in of_end}
    told = [shape.width > SOFTER * min(cut[number]) for number, shape in of_end.items() if shape and cut[number]]
    return bool(told) and all(told)


def measured_in(
    photos: Sequence[Photo], fit: PlaneFit, papers: Papers, rough: tuple[Facing, Mapping[str, Line]], reach: float
) -> dict[int, dict[str, Side]]:
    """Sides near rough lines (in mm of a frame) in each photo, where it sees them and no card lies."""
    view, lines = rough
    sides = {}
    for number, photo in enumerate(photos):
        go = to_photo(view, fit, number)

        def hidden(xy: Array, go: Way = go, size: tuple[int, int] = photo.size) -> Mask:
            return on_card(fit, papers, plane_from_canvas(view, xy)) | ~inside_photo(go(xy), size)

        sides[number] = measured(photo, lines, go, reach=reach, hidden=hidden)
    return sides


def measured(
    photo: Photo, lines: Mapping[str, Line], go: Way, *, reach: float, hidden: Callable[[Array], Mask] | None = None
) -> dict[str, Side]:
    """Those of the four sides that are seen well enough near their rough lines."""
    corners = corners_of(lines)
    sides = {}
    for name, ends in ENDS_OF.items():
        side = measure_side(
            name,
            corners[list(ends)],
            go,
            lambda xy: read_small(photo, xy),
            reach=reach,
            hidden=hidden,
            light_of=lambda stored: light_of(photo, stored),
        )
        if side is not None:
            sides[name] = side
    return sides


def side_points(side: Side, fit: PlaneFit, line: Array | None, photo: int = 0) -> SidePoints:
    """A side for the solver: many points that share few independent deviations count as few."""
    middle = plane_from_photo(fit, photo, side.photo_xy).mean(0)
    straight = SIDE_STRAIGHT_MM * px_per_mm(fit.views[photo], middle)
    sigma = float(np.hypot(straight, SIDE_NOISE_PX) * np.sqrt(max(1.0, len(side.photo_xy) / SIDE_FREEDOM)))
    return SidePoints(photo, side.name, side.photo_xy, sigma, line)


def rim_of(size: tuple[int, int]) -> Array:
    """(36, 2) px along a photo's edges."""
    h, w = size
    rim = np.linspace(0, 1, 9)[:, None] * [w - 1, h - 1]
    return np.concatenate([rim * [1, 0], rim * [0, 1], rim * [1, 0] + [0, h - 1], rim * [0, 1] + [w - 1, 0]])
