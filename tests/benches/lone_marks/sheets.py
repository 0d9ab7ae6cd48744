"""I am the sheet that a page of known marks is drawn on, and its pens.

In: places, widths and heights in mm. Out: a `Sheet`, ink or none at SAMPLES samples to the pixel and side.

A sheet holds an array that the functions here draw into: that is what a sheet of paper is for.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from demo_pens import normals
from numpy.typing import ArrayLike

from stitchbed.core.arrays import Array, Bytes, Floats, Labels
from stitchbed.core.quantities import MM_PER_INCH

SIDE = 60.0  # mm of the square sheet
SAMPLES = 4  # to the pixel and side
SUB = 4  # fractional bits of drawn coordinates
CAPITAL = 20.3  # samples a capital of OpenCV's letters is high at size 1, measured at size 3
HEAVY = 2  # from this thickness on OpenCV 5 has one heavy face for all


@dataclass(frozen=True)
class Sheet:
    """scale : samples per mm. ink : (h, w) uint8, 1 where there is ink, else 0."""

    scale: float
    ink: Bytes


def blank(dpi: float) -> Sheet:
    """A sheet of SIDE mm without ink."""
    samples = round(SIDE / MM_PER_INCH * dpi) * SAMPLES
    return Sheet(dpi / MM_PER_INCH * SAMPLES, np.zeros((samples, samples), np.uint8))


def cover(sheet: Sheet) -> Floats:
    """(h, w) share of ink in each pixel."""
    share = sheet.ink.astype(np.float32)
    return np.asarray(cv2.resize(share, None, fx=1 / SAMPLES, fy=1 / SAMPLES, interpolation=cv2.INTER_AREA))


def fill(sheet: Sheet, outline: ArrayLike, *, white: bool = False) -> None:
    """A solid of ink, or of paper."""
    cv2.fillPoly(sheet.ink, [_placed(sheet, outline)], int(not white), cv2.LINE_8, SUB)


def line(sheet: Sheet, points: ArrayLike, width: float, *, closed: bool = False, white: bool = False) -> None:
    """A stroke of one width."""
    samples = max(1, round(width * sheet.scale))
    cv2.polylines(sheet.ink, [_placed(sheet, points)], closed, int(not white), samples, cv2.LINE_8, SUB)


def taper(sheet: Sheet, points: Array, first: float, last: float, *, white: bool = False) -> None:
    """A stroke that is `first` wide where it begins and `last` where it ends."""
    half = np.linspace(first, last, len(points))[:, None] / 2 * normals(points)
    fill(sheet, np.concatenate([points + half, (points - half)[::-1]]), white=white)


def dot(sheet: Sheet, at: ArrayLike, diameter: float, *, white: bool = False) -> None:
    """A round dot."""
    x, y = _placed(sheet, at).ravel().tolist()
    radius = round(diameter / 2 * sheet.scale * (1 << SUB))
    cv2.circle(sheet.ink, (x, y), radius, int(not white), -1, cv2.LINE_8, SUB)


def write(sheet: Sheet, words: str, at: ArrayLike, height: float, *, white: bool = False) -> None:
    """A line of letters of a heavy face; at : where its base line begins. height : of a capital."""
    x, y = (np.asarray(at, np.float64) * sheet.scale).astype(int).tolist()
    size = height * sheet.scale / CAPITAL
    cv2.putText(sheet.ink, words, (x, y), cv2.FONT_HERSHEY_DUPLEX, size, int(not white), HEAVY, cv2.LINE_8)


def box(x: float, y: float, width: float, height: float) -> Array:
    """(4, 2) corners of an upright rectangle, (x, y) its top left."""
    return np.array([(x, y), (x + width, y), (x + width, y + height), (x, y + height)], np.float64)


def _placed(sheet: Sheet, points: ArrayLike) -> Labels:
    """Points as OpenCV takes them, in fractions of samples."""
    samples = (np.asarray(points, np.float64) * sheet.scale - 0.5) * (1 << SUB)
    return np.rint(samples).astype(np.int32).reshape(-1, 1, 2)
