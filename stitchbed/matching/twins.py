"""I say how much of what two pieces share is drawn once only.

In: leveled pictures of two pieces and a motion. Out: how many patches of the overlap show drawing, and how many of them
are nowhere else as alike as where the motion lays them.

A strip of three or four stamped motifs fits any strip with the same ones: however alike, it proves little. A patch that
comes again, turned by quarters or not, in either piece is such a motif; many of them in one order, or a single one that
does not come again, are another matter.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.imaging.transforms import moved
from stitchbed.matching.overlap_evidence import Detail
from stitchbed.matching.sliding import reduced, small_from_full

TURNS = 4  # by quarters


@dataclass(frozen=True)
class TwinSettings:
    """pixel_mm: of the pictures that are searched. patch_mm: side of a patch, a motif or a word. rim_mm: left out at
    the rims of pieces. drawn: gray levels by which a patch varies that shows drawing. near_mm: how far from its own
    place a patch is not looked for. clearer: by how much (correlation) its own place must be better than any other.
    slack_mm: what a motion may be off.
    """

    pixel_mm: float = 0.5
    patch_mm: float = 14.0
    rim_mm: float = 2.5
    drawn: float = 5.0
    near_mm: float = 4.0
    clearer: float = 0.05
    slack_mm: float = 1.0


@dataclass(frozen=True)
class _Sheet:
    """Both pieces in the first one's small pixels: one (h, w), two laid on a ground of its own whose first pixel lies
    at `corner` (x, y) of the first; shows : where the second is seen, without its rims. mm : per pixel."""

    one: Floats
    two: Floats
    shows: Mask
    corner: tuple[int, int]
    mm: float


def drawn_once(b_from_a: Array, details: tuple[Detail, Detail], settings: TwinSettings) -> tuple[int, int]:
    """Patches of the overlap of a motion (3x3, full-resolution px) that show drawing, and those of them that come once
    only."""
    sheet = _laid(b_from_a, details, settings)
    found = [_once(sheet, box, settings) for box in _patches(sheet, settings)]
    return len(found), sum(found)


def _laid(b_from_a: Array, details: tuple[Detail, Detail], settings: TwinSettings) -> _Sheet:
    (one, step_a), (two, step_b) = (reduced(detail, settings.pixel_mm) for detail in details)
    a_from_b = np.linalg.inv(small_from_full(step_b) @ b_from_a @ np.linalg.inv(small_from_full(step_a)))
    h, w = two.shape
    frame = moved(np.asarray(a_from_b, np.float64), np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], float))
    low, high = np.floor(frame.min(0)).astype(int), np.ceil(frame.max(0)).astype(int) + 1
    into = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1.0]]) @ a_from_b
    size = (int(high[0] - low[0]), int(high[1] - low[1]))
    turned, seen = (cv2.warpAffine(each, into[:2], size) for each in (two, np.ones_like(two)))
    mm = details[0].strokes.pixel_mm / details[0].strokes.step * step_a
    rim = 2 * round(settings.rim_mm / mm) + 1
    shows = cv2.erode((seen > 0.99).astype(np.uint8), np.ones((rim, rim), np.uint8), borderValue=0) > 0
    return _Sheet(one, np.asarray(turned, np.float32), shows, (int(low[0]), int(low[1])), mm)


def _patches(sheet: _Sheet, settings: TwinSettings) -> list[tuple[int, int, int, int]]:
    """x, y, width, height px in the first piece, side by side over the overlap, of those that show drawing."""
    rim, side = (round(mm / sheet.mm) for mm in (settings.rim_mm, settings.patch_mm))
    (h, w), (rows, cols) = sheet.one.shape, sheet.two.shape
    left, top = (max(rim, at + rim) for at in sheet.corner)
    right, bottom = min(w - rim, sheet.corner[0] + cols - rim), min(h - rim, sheet.corner[1] + rows - rim)
    if min(right - left, bottom - top) < side / 2:
        return []
    wide, high = min(side, right - left), min(side, bottom - top)
    xs, ys = (
        np.linspace(low, up - size, max(1, round((up - low) / size))).astype(int)
        for low, up, size in ((left, right, wide), (top, bottom, high))
    )
    boxes = [(int(x), int(y), wide, high) for y in ys for x in xs]
    return [box for box in boxes if _drawn(sheet, box, settings)]


def _drawn(sheet: _Sheet, box: tuple[int, int, int, int], settings: TwinSettings) -> bool:
    x, y, wide, high = box
    seen = sheet.shows[y - sheet.corner[1] :, x - sheet.corner[0] :][:high, :wide]
    return bool(seen.mean() > 0.9 and sheet.one[y : y + high, x : x + wide].std() > settings.drawn)


def _once(sheet: _Sheet, box: tuple[int, int, int, int], settings: TwinSettings) -> bool:
    """True where a patch is clearly more alike at its own place in the second piece than anywhere else in either."""
    x, y, wide, high = box
    patch, (left, top) = sheet.one[y : y + high, x : x + wide], sheet.corner
    slack, near = (max(1, round(mm / sheet.mm)) for mm in (settings.slack_mm, settings.near_mm))
    own, rest = 0.0, 0.0
    for turn in range(TURNS):
        turned = np.ascontiguousarray(np.rot90(patch, turn))
        off = (wide - turned.shape[1]) // 2, (high - turned.shape[0]) // 2
        for picture, col, row in ((sheet.one, x, y), (sheet.two, x - left, y - top)):
            if picture.shape[0] < turned.shape[0] or picture.shape[1] < turned.shape[1]:
                continue
            table = np.nan_to_num(cv2.matchTemplate(picture, turned, cv2.TM_CCOEFF_NORMED))
            at = col + off[0], row + off[1]
            if picture is sheet.two and not turn:
                own = float(_around(table, at, slack).max(initial=0))
            _around(table, at, near)[:] = 0
            rest = max(rest, float(table.max(initial=0)))
    return own > rest + settings.clearer


def _around(table: Floats, at: tuple[int, int], reach: int) -> Floats:
    """The part of a table (row, col) within `reach` px of `at` (x, y), both ways."""
    x, y = at
    return table[max(0, y - reach) : max(0, y + reach + 1), max(0, x - reach) : max(0, x + reach + 1)]
