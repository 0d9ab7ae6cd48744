"""I find small shapes drawn whole, an eye, a leaf or a pane, so that hatching round them does not take their outlines.

In: where lines are on the small map. Out: the lines that close such shapes in.

An ellipse is told by its moments; what lies between strokes of hatching has corners. Boxes are believed only where they
are larger than cells of cross-hatching, and not long as the paper between two strokes is.
"""

from __future__ import annotations

import cv2
import numpy as np
from scipy import ndimage

from stitchbed.core.arrays import Bytes

MM2 = (0.8, 2.6, 12.0)  # of an ellipse, of a box, of both at most
WIDE_MM = 0.7  # across, at least
LONG = 3.0  # times as long as wide, at most
FULL = (0.975, 0.935)  # area over that of the ellipse of the same moments: 1 an ellipse, 3 / pi a box, .83 a triangle
HOLLOW = 0.93  # area over that of its hull, at least
OUTLINE_MM = 0.6  # of its line, half of it and the soft edge counted in


def shape_lines(line: Bytes, cell_mm: float) -> Bytes:
    """(h, w) 1 on lines round small whole shapes. line : (h, w) 1 on lines, cells of cell_mm."""
    count, parts, stats, _ = cv2.connectedComponentsWithStats(1 - line, connectivity=4)
    area = stats[:, cv2.CC_STAT_AREA] * cell_mm**2
    sides = stats[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]] * cell_mm
    able = (area >= MM2[0]) & (area <= MM2[2]) & (sides.min(axis=1) >= WIDE_MM) & (area > 0.3 * sides.prod(axis=1))
    able[0] = False
    boxes = ndimage.find_objects(parts)
    chosen = np.zeros(count, np.uint8)
    for n in np.flatnonzero(able).tolist():
        chosen[n] = is_whole((parts[boxes[n - 1]] == n).astype(np.uint8), cell_mm)
    size = 2 * round(OUTLINE_MM / cell_mm) + 1
    return line & cv2.dilate(chosen[parts], cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))


def is_whole(shape: Bytes, cell_mm: float) -> bool:
    """Whether a mask is an ellipse, or a box of some size."""
    contours, _ = cv2.findContours(shape, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    largest = max(contours, key=cv2.contourArea)
    filled = cv2.drawContours(np.zeros_like(shape), [largest], -1, 1, -1)
    m = cv2.moments(filled, binaryImage=True)
    spread = np.array([[m["mu20"], m["mu11"]], [m["mu11"], m["mu02"]]]) / m["m00"]
    small, large = np.linalg.eigvalsh(spread)
    if small <= 0 or large > LONG**2 * small or 4 * np.sqrt(small) * cell_mm < WIDE_MM:
        return False
    full = m["m00"] / (4 * np.pi * np.sqrt(small * large))
    hollow = m["m00"] / np.count_nonzero(cv2.fillConvexPoly(np.zeros_like(shape), cv2.convexHull(largest), 1))
    return bool(hollow >= HOLLOW and (full >= FULL[0] or (full >= FULL[1] and m["m00"] * cell_mm**2 >= MM2[1])))
