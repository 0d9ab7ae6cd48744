"""I draw pieces as a survey lays them out: each a small picture with its outline and name, with rulers in mm.

In: small pictures of pieces, where they lie on a canvas. Out: one picture, and how it maps to the canvas.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from stitchbed.core.arrays import Array
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.transforms import moved
from stitchbed.reading.base.faults import shown
from stitchbed.report.join_maps import GROUND, INK, SHADES

LONGEST_SIDE = 1600  # px of the drawing; a screen's width
LEAST_SIDE = 700  # px; a small sheet is drawn larger, so that names can be read
MARGIN = 44  # px, where the rulers stand
STEPS = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)  # mm from one number of a ruler to the next
NEAREST_TICKS = 60  # px
OUTLINES = ((176, 60, 40), (36, 84, 140), (40, 120, 70), (150, 100, 20), (110, 60, 130))


@dataclass(frozen=True)
class LaidPiece:
    """picture : (h, w, c) uint8. size : (height, width) px of the piece. canvas_from_tile : 3x3 px."""

    name: str
    picture: NDArray[np.uint8]
    size: tuple[int, int]
    canvas_from_tile: Array


def layout_picture(pieces: Sequence[LaidPiece], size: tuple[int, int], dpi: float) -> tuple[Image.Image, Array]:
    """The picture, and drawing_from_canvas 3x3. size : (width, height) px of the canvas; dpi : of it.

    Where pieces lie on each other their mean is drawn, so that what does not meet is seen twice.
    """
    factor = min(LONGEST_SIDE / max(size), max(1.0, LEAST_SIDE / max(size)))
    into = np.array([[factor, 0, MARGIN], [0, factor, MARGIN], [0, 0, 1.0]])
    across, down = (max(1, round(side * factor)) + 2 * MARGIN for side in size)
    total, count = np.zeros((down, across, 3), np.float32), np.zeros((down, across, 1), np.float32)
    for piece in pieces:
        _lay(piece, into, total, count)
    mean = np.where(count > 0, total / np.maximum(count, 1e-6), np.array(GROUND, np.float32))
    sheet = Image.fromarray(np.asarray(np.rint(mean), np.uint8))
    draw = ImageDraw.Draw(sheet)
    for number, piece in enumerate(pieces):
        _named(draw, piece, into, OUTLINES[number % len(OUTLINES)])
    _rulers(draw, (across, down), factor * dpi / MM_PER_INCH)
    return sheet, into


def _lay(piece: LaidPiece, into: Array, total: NDArray[np.float32], count: NDArray[np.float32]) -> None:
    """Add a piece to the sum of pictures, with the pixels it covers counted."""
    h, w = piece.picture.shape[:2]
    step = np.array([piece.size[1] / w, piece.size[0] / h])
    tile_from_small = np.array([[step[0], 0, (step[0] - 1) / 2], [0, step[1], (step[1] - 1) / 2], [0, 0, 1.0]])
    motion = into @ piece.canvas_from_tile @ tile_from_small
    small = piece.picture if piece.picture.shape[2] == 3 else np.repeat(piece.picture[..., :1], 3, axis=2)
    size = (total.shape[1], total.shape[0])
    flags = cv2.INTER_AREA if np.linalg.det(motion[:2, :2]) < 1 else cv2.INTER_LINEAR
    total += cv2.warpPerspective(small, motion, size, flags=flags).astype(np.float32)
    ones = np.ones((h, w), np.float32)
    count += cv2.warpPerspective(ones, motion, size, flags=flags)[..., None]


def _named(draw: ImageDraw.ImageDraw, piece: LaidPiece, into: Array, color: tuple[int, int, int]) -> None:
    """Outline and name of a piece; its first corner is marked, so that its turn is seen."""
    h, w = piece.size
    motion = into @ piece.canvas_from_tile
    corners = moved(motion, np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], float))
    points = [(float(x), float(y)) for x, y in corners]
    draw.line([*points, points[0]], fill=color, width=2)
    x, y = points[0]
    draw.ellipse((x - 5, y - 5, x + 5, y + 5), fill=color)
    x, y = (float(v) for v in corners.mean(0))
    font = ImageFont.load_default(size=18)
    draw.text((x, y), shown(Path(piece.name)), fill=color, font=font, anchor="mm", stroke_width=3, stroke_fill=GROUND)


def _rulers(draw: ImageDraw.ImageDraw, size: tuple[int, int], px_per_mm: float) -> None:
    """Ticks with mm along the top and the left."""
    step = next((mm for mm in STEPS if mm * px_per_mm >= NEAREST_TICKS), STEPS[-1])
    font = ImageFont.load_default(size=13)
    for side in (0, 1):
        for number in range(int((size[side] - 2 * MARGIN) / px_per_mm / step) + 1):
            at = MARGIN + number * step * px_per_mm
            ends = [(at, MARGIN - 10), (at, MARGIN - 2)] if side == 0 else [(MARGIN - 10, at), (MARGIN - 2, at)]
            draw.line(ends, fill=INK, width=1)
            words, anchor = f"{number * step}", "mb" if side == 0 else "rm"
            draw.text(ends[0], words, fill=INK, font=font, anchor=anchor)
    draw.text((MARGIN, size[1] - 14), "mm", fill=SHADES[-1], font=font, anchor="lm")
