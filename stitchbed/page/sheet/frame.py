"""I am the straightened and cropped frame of a page, and read it as if it had been scanned that way.

In: where the sheet lies on the page. Out: a `Framing`, and boxes of the framed page resampled once, or not at all.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box, clipped, shifted, spanning
from stitchbed.imaging.node_grid import nodes
from stitchbed.imaging.resampling import kernel_reach, resampled_light

UNIT = 128  # px; resampled in squares of a fixed grid, so that a pixel does not depend on the box that asks for it
AROUND = kernel_reach(0)  # px of page round what a square looks at
STRAIGHT_MM = 0.1  # a sheet whose sides end up less than this askew is not resampled


@dataclass(frozen=True)
class Framing:
    """height, width px of the framed page. page_from_out : 3x3, px. resampled : False when pixels are kept as they are.

    angle : rad, how far the sheet lay turned clockwise. turn : degrees clockwise it is turned for the result.
    """

    height: int
    width: int
    page_from_out: Array
    resampled: bool
    angle: float
    turn: int

    @property
    def box(self) -> Box:
        """The whole framed page."""
        return Box(0, 0, self.height, self.width)


def corners_on_page(frame: Framing) -> Array:
    """(4, 2) px of the page at the middles of the framed page's corner pixels, clockwise from its top left."""
    w, h = frame.width - 1, frame.height - 1
    corners = np.array([[0, 0, 1], [w, 0, 1], [w, h, 1], [0, h, 1]]) @ frame.page_from_out.T
    return np.asarray(corners[:, :2], np.float64)


def cut_off(frame: Framing, page: Box) -> Array:
    """(4,) px of the page that lie beyond the framed part at its top, right, bottom and left, where that is least."""
    x, y = corners_on_page(frame).T
    return np.array([y.min(), page.right - 1 - x.max(), page.bottom - 1 - y.max(), x.min()])


def on_sheet(frame: Framing, box: Box, margin: float) -> Mask:
    """(h, w) which px of a box of the page lie under the framed part, `margin` px within its sides."""
    rows, cols = np.mgrid[box.row : box.bottom, box.col : box.right].astype(np.float32)
    x, y = (np.linalg.inv(frame.page_from_out)[:2, :] @ (cols.ravel(), rows.ravel(), np.ones(cols.size))).reshape(
        2, *cols.shape
    )
    inside = (x >= margin) & (x <= frame.width - 1 - margin) & (y >= margin) & (y <= frame.height - 1 - margin)
    return np.asarray(inside)


def framing(corners: Array, angle: float, turn: int, dpi: float) -> Framing:
    """The frame of a sheet.

    corners : (4, 2) px on the page, top left, top right, bottom right, bottom left. angle : rad, of the top side.
    """
    longest = max(np.hypot(*(corners[1] - corners[0])), np.hypot(*(corners[3] - corners[0])))
    straight = abs(angle) * longest < STRAIGHT_MM / MM_PER_INCH * dpi
    used = 0.0 if straight else angle
    back = np.array([[np.cos(used), np.sin(used)], [-np.sin(used), np.cos(used)]])  # page to straight axes
    at = corners @ back.T
    # no sliver of what lies beside the sheet: the inner one of each side's two ends
    left, right = max(at[0, 0], at[3, 0]), min(at[1, 0], at[2, 0])
    top, bottom = max(at[0, 1], at[1, 1]), min(at[3, 1], at[2, 1])
    left, top = (float(np.ceil(v - 1e-6)) if straight else v for v in (left, top))
    width, height = max(1, int(np.floor(right - left + 1 + 1e-6))), max(1, int(np.floor(bottom - top + 1 + 1e-6)))
    page_from_straight = np.eye(3)
    page_from_straight[:2, :2] = back.T
    page_from_straight[:2, 2] = back.T @ (left, top)
    turned = page_from_straight @ straight_from_turned(height, width, turn)
    size = (width, height) if turn in (90, 270) else (height, width)
    return Framing(*size, turned, not straight, angle, turn)


def straight_from_turned(height: int, width: int, turn: int) -> Array:
    """3x3 px: places of a height x width picture from those of the same picture turned clockwise by `turn` degrees."""
    table = {
        0: [[1, 0, 0], [0, 1, 0]],
        90: [[0, 1, 0], [-1, 0, height - 1]],
        180: [[-1, 0, width - 1], [0, -1, height - 1]],
        270: [[0, -1, width - 1], [1, 0, 0]],
    }
    return np.array([*table[turn], [0, 0, 1]], np.float64)


def source_box(frame: Framing, box: Box, margin: int) -> Box:
    """Box of the page under a box of the framed page, with `margin` px more; it may leave the page."""
    rows, cols = (box.row, box.bottom - 1), (box.col, box.right - 1)
    places = np.array([[x, y, 1.0] for y in rows for x in cols]) @ frame.page_from_out.T
    low, high = np.floor(places.min(axis=0)).astype(int), np.ceil(places.max(axis=0)).astype(int)
    return spanning(low[1] - margin, low[0] - margin, high[1] + margin + 1, high[0] + margin + 1)


def framed(read: Callable[[Box], Floats], frame: Framing, box: Box) -> Floats:
    """(h, w, c) light of a box of the framed page. read : box of the page (it may leave it) -> (h, w, c) light."""
    if not frame.resampled:
        return np.ascontiguousarray(np.rot90(read(source_box(frame, box, 0)), -(frame.turn // 90)))
    whole = spanning(box.row // UNIT, box.col // UNIT, -(-box.bottom // UNIT), -(-box.right // UNIT))
    under = source_box(frame, Box(*(UNIT * v for v in (whole.row, whole.col, whole.height, whole.width))), AROUND)
    light = read(under)
    result = np.empty((box.height, box.width, light.shape[2]), np.float32)
    for row in range(whole.row, whole.bottom):
        for col in range(whole.col, whole.right):
            unit = Box(row * UNIT, col * UNIT, UNIT, UNIT)
            part, seen = clipped(unit, box), _unit(light, under, frame, unit)
            result[shifted(part, -box.row, -box.col).slices] = seen[shifted(part, -unit.row, -unit.col).slices]
    return result


def _unit(light: Floats, under: Box, frame: Framing, unit: Box) -> Floats:
    """(UNIT, UNIT, c) light of one square, looked at through a window that the square alone decides."""
    window = source_box(frame, unit, AROUND)
    grid, m = nodes(unit), frame.page_from_out
    at = grid @ m[:2, :2].T + m[:2, 2] - (window.col, window.row)
    ones = np.ones(grid.shape[:2], np.float32)
    seen = light[shifted(window, -under.row, -under.col).slices]
    return resampled_light(seen, at.astype(np.float32), ones, (UNIT, UNIT))
