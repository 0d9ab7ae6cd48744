"""I draw a page of shapes into pixels.

In: a page, dpi. Out: pixels.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.drawing.shapes import CardPage, Grid, Polygon, Rect, Rgb, Text

FINER = 8  # slanted shapes are drawn this much finer and averaged; 1/64 of a pixel's area is the smallest step


def pixels_of(page: CardPage, dpi: float) -> NDArray[np.uint8]:
    """The page as (h, w, 3) uint8 sRGB. Edges fall between pixels where the mm say so: pixels mix by covered area."""
    scale = dpi / MM_PER_INCH
    canvas = np.full((round(page.height * scale), round(page.width * scale), 3), 255, np.uint8)
    for shape in page.shapes:
        if isinstance(shape, Rect):
            _fill_rect(canvas, shape, scale)
        elif isinstance(shape, Polygon):
            _fill_polygon(canvas, shape, scale)
        elif isinstance(shape, Grid):
            _fill_grid(canvas, shape, scale)
        else:
            _write_text(canvas, shape, scale)
    return canvas


def _fill_rect(canvas: NDArray[np.uint8], rect: Rect, scale: float) -> None:
    rows, row_cover = _covered(rect.y * scale, (rect.y + rect.height) * scale, canvas.shape[0])
    columns, column_cover = _covered(rect.x * scale, (rect.x + rect.width) * scale, canvas.shape[1])
    _mix(canvas[rows, columns], np.outer(row_cover, column_cover), rect.color)


def _covered(start: float, end: float, length: int) -> tuple[slice, NDArray[np.float64]]:
    """Pixels that an interval touches (edges between pixels at whole numbers), and the share it covers of each."""
    first, last = max(0, int(np.floor(start))), min(length, int(np.ceil(end - 1e-9)))
    edges = np.arange(first, max(first, last) + 1)
    inside = np.clip(edges, start, end)
    return slice(first, max(first, last)), np.diff(inside)


def _fill_grid(canvas: NDArray[np.uint8], grid: Grid, scale: float) -> None:
    """Neighboring dark cells leave no seam: the covered shares of all cells are summed before they are mixed in."""
    rows, row_cover = _covered_by_cells(grid.y, grid.dark.shape[0], grid.cell, scale)
    columns, column_cover = _covered_by_cells(grid.x, grid.dark.shape[1], grid.cell, scale)
    cover = row_cover @ grid.dark.astype(np.float64) @ column_cover.T
    _mix(canvas[rows, columns], cover, grid.color)


def _covered_by_cells(start: float, count: int, cell: float, scale: float) -> tuple[slice, NDArray[np.float64]]:
    """Pixels that a row of cells touches, and (pixels, count) the share that each cell covers of each."""
    bounds = (start + cell * np.arange(count + 1)) * scale
    first, last = int(np.floor(bounds[0])), int(np.ceil(bounds[-1] - 1e-9))
    edges = np.arange(first, last + 1)[:, None]
    inside = np.clip(edges, bounds[None, :-1], bounds[None, 1:])
    return slice(first, last), np.diff(inside, axis=0)


def _fill_polygon(canvas: NDArray[np.uint8], polygon: Polygon, scale: float) -> None:
    corners = np.array(polygon.corners) * scale
    x0, y0 = np.floor(corners.min(0)).astype(int)
    x1, y1 = np.ceil(corners.max(0)).astype(int)
    y, x = (np.mgrid[: (y1 - y0) * FINER, : (x1 - x0) * FINER] + 0.5) / FINER
    ends = np.roll(corners, -1, axis=0)
    sides = [(b - a)[0] * (y + y0 - a[1]) - (b - a)[1] * (x + x0 - a[0]) for a, b in zip(corners, ends, strict=True)]
    inside = np.all(np.stack(sides) >= 0, axis=0) | np.all(np.stack(sides) <= 0, axis=0)
    cover = inside.reshape(y1 - y0, FINER, x1 - x0, FINER).mean(axis=(1, 3))
    _mix(canvas[y0:y1, x0:x1], cover, polygon.color)


def _write_text(canvas: NDArray[np.uint8], text: Text, scale: float) -> None:
    font = ImageFont.load_default(text.size * scale)
    left, top, right, bottom = font.getbbox(text.words, anchor="ls")
    x0, y0 = int(text.x * scale + left) - 3, int(text.y * scale + top) - 3
    glyphs = Image.new("L", (int(right - left) + 8, int(bottom - top) + 8))
    place = (text.x * scale - x0, text.y * scale - y0)
    stroke = text.size * scale / 55 if text.bold else 0
    ImageDraw.Draw(glyphs).text(place, text.words, fill=255, font=font, anchor="ls", stroke_width=stroke)
    part = canvas[max(0, y0) : y0 + glyphs.height, max(0, x0) : x0 + glyphs.width]
    cover = np.asarray(glyphs, np.float64)[: part.shape[0], : part.shape[1]] / 255
    _mix(part, cover, text.color)


def _mix(part: NDArray[np.uint8], cover: NDArray[np.float64], color: Rgb) -> None:
    share = cover[..., None]
    part[...] = np.rint(part * (1 - share) + np.array(color) * share).astype(np.uint8)
