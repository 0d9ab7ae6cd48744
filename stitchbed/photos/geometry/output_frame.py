"""I choose the frame of a fronto-parallel result: where it lies on the plane, how it is turned, how large it is.

In: corners of the work on the plane, or cards. Out: a `Facing`, and the way between its mm and the plane.

Canvas mm run from the result's top left corner, x right, y down; its pixel i covers (i .. i+1) * 25.4 / dpi.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box
from stitchbed.imaging.node_grid import NODE, dense, nodes
from stitchbed.imaging.sample import look_up
from stitchbed.photos.geometry.plane_pose import PlaneFit, photo_from_plane, placed, plane_from_photo


@dataclass(frozen=True)
class Facing:
    """x, y : plane mm of the result's top left corner. turn : rad of its x axis in the plane. width, height : mm."""

    x: float
    y: float
    turn: float
    width: float
    height: float


def plane_from_canvas(facing: Facing, xy: Array) -> Array:
    """(N, 2) canvas mm -> (N, 2) plane mm."""
    return placed(np.array([facing.x, facing.y, facing.turn]), xy)


def canvas_from_plane(facing: Facing, xy: Array) -> Array:
    """(N, 2) plane mm -> (N, 2) canvas mm."""
    return placed(np.array([0.0, 0.0, -facing.turn]), xy - [facing.x, facing.y])


def facing_of_corners(corners: Array, margin: float) -> Facing:
    """The upright box round four plane corners (4, 2) mm (top left, top right, bottom right, bottom left), plus margin.

    Its turn is the mean direction of the four sides, long sides counting more.
    """
    across = (corners[1] - corners[0]) + (corners[2] - corners[3])
    down = (corners[3] - corners[0]) + (corners[2] - corners[1])
    direction = across + np.array([down[1], -down[0]])
    return facing_around(corners, float(np.arctan2(direction[1], direction[0])), margin)


def facing_around(points: Array, turn: float, margin: float) -> Facing:
    """The box turned by `turn` that holds plane points (N, 2) mm, plus margin."""
    upright = placed(np.array([0.0, 0.0, -turn]), points)
    low, high = upright.min(0) - margin, upright.max(0) + margin
    x, y = placed(np.array([0.0, 0.0, turn]), low[None])[0]
    return Facing(float(x), float(y), turn, float(high[0] - low[0]), float(high[1] - low[1]))


def photo_turn(fit: PlaneFit, photo: int, middle: Array) -> float:
    """Direction on the plane, rad, that runs to the right in the photo at a photo point (2,) px."""
    step = fit.lenses[photo].radius / 10
    ends = plane_from_photo(fit, photo, middle + np.array([[-step, 0], [step, 0], [0, -step], [0, step]]))
    across, down = ends[1] - ends[0], ends[3] - ends[2]
    direction = across / np.linalg.norm(across) + np.array([down[1], -down[0]]) / np.linalg.norm(down)
    return float(np.arctan2(direction[1], direction[0]))


def canvas_size(facing: Facing, dpi: float) -> tuple[int, int]:
    """(height, width) px, rounded; at least 1."""
    scale = dpi / MM_PER_INCH
    return max(1, round(facing.height * scale)), max(1, round(facing.width * scale))


def to_photo(facing: Facing, fit: PlaneFit, photo: int) -> Callable[[Array], Array]:
    """The way from canvas mm (N, 2) to photo px (N, 2)."""
    return lambda xy: photo_from_plane(fit, photo, plane_from_canvas(facing, xy))


def places_in(go: Callable[[Array], Array], shape: tuple[int, int], density: float) -> Array:
    """(h, w, 2) where `go` leads the pixels of a flat view (h, w) of `density` px/mm, from canvas mm (N, 2).

    Bilinear between nodes, as in the result itself: a view bends by some thousandths of a pixel from one to the next.
    """
    box = Box(0, 0, *(-(-side // NODE) * NODE for side in shape))
    grid = nodes(box)
    at = go((grid.reshape(-1, 2) + 0.5) / density).reshape(grid.shape)
    return dense(at.astype(np.float32), box)[: shape[0], : shape[1]].astype(np.float64)


def flat_view(picture: NDArray[Any], go: Callable[[Array], Array], size_mm: tuple[float, float], density: float) -> Any:
    """A small fronto-parallel view (h, w, channels) of a picture at `density` px/mm.

    go : canvas mm (N, 2) -> picture px (N, 2). size_mm : (width, height). The picture is averaged down first, so that
    small detail does not alias.
    """
    w, h = (max(2, round(side * density)) for side in size_mm)
    at = places_in(go, (h, w), density)
    px = np.linalg.norm(at[h // 2, w // 2] - at[h // 2 - 1, w // 2 - 1]) / np.sqrt(2)
    shrink = max(1, int(px))
    small = picture
    if shrink > 1:
        rows, columns = (picture.shape[0] // shrink) * shrink, (picture.shape[1] // shrink) * shrink
        size = (columns // shrink, rows // shrink)
        small = cv2.resize(picture[:rows, :columns], size, interpolation=cv2.INTER_AREA)
    at = (at + 0.5) / shrink - 0.5
    seen = look_up(small, np.clip(at, -1e6, 1e6))
    return (np.rint(seen) if np.issubdtype(picture.dtype, np.integer) else seen).astype(picture.dtype)


def inside_photo(xy: Array, size: tuple[int, int]) -> NDArray[np.bool_]:
    """True for photo points (..., 2) px that lie in a photo of (height, width) px."""
    return np.asarray(np.all((xy >= -0.5) & (xy <= np.array([size[1], size[0]]) - 0.5), axis=-1))
