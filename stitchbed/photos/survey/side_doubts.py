"""I say why a work may end elsewhere than where its sides were taken.

In: open photos, a plane, corners of the work. Out: sentences, none when nothing speaks against them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Mask
from stitchbed.photos.geometry.output_frame import Facing, canvas_from_plane, facing_of_corners, inside_photo
from stitchbed.photos.geometry.plane_pose import PlaneFit, photo_from_plane
from stitchbed.photos.sides.cast_shadow import AROUND_MM, cast_shadows
from stitchbed.photos.sides.lines import sides_through
from stitchbed.photos.sides.margins import lone_edges, short_sides
from stitchbed.photos.survey.card_paper import Papers, cards_in, on_card
from stitchbed.photos.survey.flat_views import together
from stitchbed.photos.survey.photo import Photo, read_small
from stitchbed.photos.survey.work_edges import FLAT_LONG_PX

AT_RIM = "something that differs from the table reaches the rim of the photo, and may be part of the work"
BESIDE = "something that lies against one of its sides was left out, as a ruler, and may be part of it"
LONE = (
    "{away:.0f} mm within its {side} side another edge runs all along, as that of the work where the side is a line of "
    "the table, or the foot of a raised work"
)
SHADED = "what looks like the table in shadow beyond its {} side was left out, and may be a band of the work"
CAST = (
    "beyond its {} side the table lies in a shadow {mm:.0f} mm wide, as beside a work whose face lies higher than the "
    "cards, which makes all come out too large: {}"
)
TAKEN_OUT = "if it does, --raised takes that out"
LAID_HIGH = "if it does, lay the cards as high as its face, as on books of its thickness"
MORE_MARGIN = "beyond its {} side the tone goes on that the margins of the other sides have"


def left_out_reasons(sides: Iterable[str]) -> list[str]:
    """Of sides beyond which a strip was taken for their shadow that may be of the work."""
    return [SHADED.format(" and its ".join(sides))] if sides else []


def side_reasons(photos: Sequence[Photo], fit: PlaneFit, papers: Papers, corners: Array) -> list[str]:
    """Why sides of the work may lie farther out, or farther in, as photos show them. corners : (4, 2) plane mm."""

    def read(xy: Array) -> Array:
        at = photo_from_plane(fit, 0, xy)
        seen = inside_photo(at, photos[0].size) & ~on_card(fit, papers, xy)
        values = read_small(photos[0], at)
        return np.where(seen[:, None], values.reshape(len(xy), -1), np.nan)

    short = short_sides(corners, read)
    within = [LONE.format(side=side, away=away) for side, away in _edges_within(photos, fit, papers, corners).items()]
    return [*([MORE_MARGIN.format(" and its ".join(short))] if short else []), *within]


def shadow_doubts(photos: Sequence[Photo], fit: PlaneFit, papers: Papers, corners: Array) -> list[str]:
    """That the work seems to lie higher than its cards, by the shadow beside it. corners : (4, 2) plane mm."""
    view = facing_of_corners(corners, AROUND_MM)
    flat, keep_out, density = _seen(photos, fit, papers, view)
    cast = cast_shadows(flat, keep_out, sides_through(canvas_from_plane(view, corners) * density - 0.5), density)
    way = TAKEN_OUT if len(photos) == 1 else LAID_HIGH
    return [CAST.format(" and its ".join(cast), way, mm=max(cast.values()))] if cast else []


def _edges_within(photos: Sequence[Photo], fit: PlaneFit, papers: Papers, corners: Array) -> dict[str, float]:
    """Side -> mm within it where another edge runs all along, in a view of the work alone."""
    view = facing_of_corners(corners, 0.0)
    flat, keep_out, density = _seen(photos, fit, papers, view)
    found = lone_edges(flat, keep_out, sides_through(canvas_from_plane(view, corners) * density - 0.5))
    return {name: away / density for name, away in found.items()}


def _seen(
    photos: Sequence[Photo], fit: PlaneFit, papers: Papers, view: Facing
) -> tuple[NDArray[np.uint8], Mask, float]:
    """A view (h, w, channels), where cards lie in it or nothing is seen (h, w), and its px per mm."""
    density = FLAT_LONG_PX / max(view.width, view.height)
    flat, unseen, _ = together(photos, fit, view, density)
    return flat, unseen | cards_in(flat.shape, fit, papers, view, density), density
