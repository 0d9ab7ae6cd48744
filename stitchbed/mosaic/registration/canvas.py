"""I fix the master's size, frame and dpi, and say which tiles touch which part of it.

In: placements. Out: a `Canvas`, and for any box of it the way back into a tile.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.errors import CanvasTooLarge
from stitchbed.imaging.box import Box, clipped, spanning
from stitchbed.imaging.transforms import moved, turn_of
from stitchbed.mosaic.registration.placement import Placement, from_sheet, outline

UPRIGHT = 2e-5  # rad; a turn smaller than this moves no pixel of an A2 at 600 dpi by .2 px


@dataclass(frozen=True)
class Canvas:
    """The master's frame.

    height, width : px. dpi : per inch. canvas_from_sheet : 3x3 px to px.
    """

    height: int
    width: int
    dpi: float
    canvas_from_sheet: Array


def make_canvas(
    places: Sequence[Placement],
    dpi: float,
    *,
    most_pixels: float,
    finer: float = 1.0,
    turn: float | None = None,
    stretch: float = 1.0,
) -> Canvas:
    """The smallest upright canvas that holds all tiles.

    Upright: most tiles' quadrant is up, and the tiles' mean turn within that quadrant is taken out, so that no single
    askew piece tilts the whole. A lone or straight tile is not turned at all. finer : canvas px per sheet px; dpi : of
    the canvas. turn : of the sheet that is to be taken out, rad, where somebody has said what is upright. stretch : of
    the height against the width, where somebody has measured both.

    Raises
    ------
    CanvasTooLarge : more than `most_pixels`.
    """
    turn = mean_turn(places) if turn is None else turn
    if abs(turn) < UPRIGHT:
        turn = 0.0
    c, s = round(float(np.cos(turn)), 15), round(float(np.sin(turn)), 15)
    # the corner of the sheet's first pixel stays the corner of the canvas's
    sized = np.array([[finer, 0, (finer - 1) / 2], [0, finer, (finer - 1) / 2], [0, 0, 1]])
    rotation = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]) @ sized
    rotation[1] *= stretch
    corners = np.concatenate([moved(rotation, outline(place)) for place in places])
    low = np.floor(corners.min(0) + 0.5 + 1e-6)
    size = np.ceil(corners.max(0) + 0.5 - 1e-6) - low
    height, width = int(size[1]), int(size[0])
    if height * width > most_pixels:
        raise CanvasTooLarge(
            f"the pieces span {width} x {height} px",
            expected=f"at most {most_pixels / 1e6:.0f} megapixels",
            attempt="check that all pieces belong to one sheet, or raise --max-megapixels",
        )
    shift = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1]])
    return Canvas(height, width, dpi, shift @ rotation)


def on_canvas(place: Placement, canvas: Canvas) -> Placement:
    """The same placement with the canvas as its sheet."""
    return replace(place, sheet_from_tile=canvas.canvas_from_sheet @ place.sheet_from_tile)


def footprint(place: Placement, bounds: Box) -> Box:
    """Canvas box a tile (already `on_canvas`) can touch, clipped to `bounds`; a pixel of room on each side."""
    at = outline(place)
    low, high = np.floor(at.min(0)).astype(int) - 1, np.ceil(at.max(0)).astype(int) + 2
    return clipped(spanning(int(low[1]), int(low[0]), int(high[1]), int(high[0])), bounds)


def way_back(place: Placement, grid: Array) -> Array:
    """Tile points (rows, cols, 2) px under canvas points."""
    return from_sheet(place, grid.reshape(-1, 2)).reshape(grid.shape)


def whole_shift(place: Placement) -> tuple[int, int] | None:
    """(rows, cols) when the way to the canvas is a shift by whole pixels and nothing else, else None."""
    m = place.sheet_from_tile
    if place.warp is not None or not np.array_equal(m[:2, :2], np.eye(2)):
        return None
    shift = np.rint(m[:2, 2])
    return (int(shift[1]), int(shift[0])) if np.array_equal(shift, m[:2, 2]) else None


def mean_turn(places: Sequence[Placement]) -> float:
    """The commonest quadrant plus the mean of what is left within quadrants, rad."""
    turns = [turn_of(place.sheet_from_tile) for place in places]
    quadrant = np.rint(np.array(turns) / (np.pi / 2)).astype(int) % 4
    counts = np.bincount(quadrant, minlength=4)
    rest = [turn - np.pi / 2 * round(turn / (np.pi / 2)) for turn in turns]
    return float(counts.argmax() * np.pi / 2 + np.median(rest))
