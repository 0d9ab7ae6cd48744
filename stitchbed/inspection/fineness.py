"""I measure in cells how finely two scans show what is drawn, and whether one is finer one way than the other.

In: two views laid on each other. Out: values per cell, a share of the drawn cells.
"""

from __future__ import annotations

import cv2
import numpy as np

from stitchbed.core.arrays import Floats, Mask
from stitchbed.inspection.patches import Overlay

CELL = 24  # view px of a cell whose sharpness is compared
FINE = 1.2  # view px, sigma: what is finer tells of sharpness
# Log of fine contrast that a cell has lost one way and not the other: good scans stay below .05 in the middle, those
# that shook by one to two px lose .5 to .8. Fewer drawn cells tell nothing.
LOST, LEAST_DRAWN = 0.2, 9


def cells(values: Floats) -> Floats:
    """Means of a view (h, w) in cells."""
    size = max(1, values.shape[1] // CELL), max(1, values.shape[0] // CELL)
    return np.asarray(cv2.resize(values, size, interpolation=cv2.INTER_AREA), np.float32).reshape(size[1], size[0])


def fine_power(laid: Overlay) -> tuple[Floats, Floats]:
    """Of both views, in cells, gray levels squared."""
    a, b = (cells((view - cv2.GaussianBlur(view, (0, 0), FINE)) ** 2) + 1e-6 for view in (laid.a, laid.b))
    return a, b


def drawn_cells(laid: Overlay, power: tuple[Floats, Floats]) -> Mask:
    """Cells, seen wholly by both, in which more is drawn than noise. power : see `fine_power`."""
    whole = wholly_seen(laid)
    noise = [float(np.quantile(values[whole], 0.1)) if whole.any() else 0.0 for values in power]
    return np.asarray(whole & (np.maximum(*power) > 4 * max(*noise) + 1))


def wholly_seen(laid: Overlay) -> Mask:
    """Cells that both views see wholly."""
    return np.asarray(cells(laid.both.astype(np.float32)) > 0.99)


def leaning(laid: Overlay, drawn: Mask) -> float | None:
    """-1..1: the share of the drawn cells in which a shows less fine contrast across than down, beside b, less the
    share in which it shows more; None where too few are drawn. A scan that shook is soft across, or jagged down.
    """
    if drawn.sum() < LEAST_DRAWN:
        return None
    (across_a, down_a), (across_b, down_b) = (_power_each_way(view) for view in (laid.a, laid.b))
    apart = 0.5 * np.log(across_a * down_b / (down_a * across_b))[drawn]
    return float((apart < -LOST).mean() - (apart > LOST).mean())


def _power_each_way(view: Floats) -> tuple[Floats, Floats]:
    """Fine power across and down, in cells."""
    across, down = (cv2.GaussianBlur(view, size, FINE) for size in ((0, 1), (1, 0)))
    return cells((view - across) ** 2) + 1e-6, cells((view - down) ** 2) + 1e-6
