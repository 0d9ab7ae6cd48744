"""I look at what one of two scans shows where the other does not: stripes, dust, smears.

In: two views laid on each other. Out: frozen numbers per pair, the drawing canceled out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.inspection.glass import LEAST_DEPTH, SPECK_PX, largest_patch, speck_depth
from stitchbed.inspection.looks import Glance
from stitchbed.inspection.patches import Overlay, overlay
from stitchbed.matching.robust import robust_spread

WIDE = 20.0  # view px; what is broader is light
CLIP = 2.5  # times the usual difference: edges that do not quite meet must not drown what is everywhere
SLOWEST = 1 / 80  # cycles/view px
PEAK_OVER = 120.0  # times the middle power, what chance and drawing do not reach
LEAST_AMPLITUDE = 1.2  # gray levels
MINE = 2.0  # times the other's amplitude
AXIS_SHARE = 0.06  # of a frequency across the axis: nearer to it, stripes lie along it
CELL = 24  # view px of a cell whose sharpness is compared
SOFT, SMEAR_CELLS, SMEAR_SHARE = 0.4, 7, 0.5  # of the other's fine power; cells that hang together; most of an overlap
SURE_DEPTH = 1.6 * LEAST_DEPTH  # of a speck; grain of the paper reaches a little over LEAST_DEPTH
LEAST_DUST = 8  # specks shown alone, from which a scan is dusty
RIDGES = 2.5  # view px: the pattern of a fingerprint is finer
RIDGED, SHOWN, BARE = (
    1.6,
    1.25,
    1.2,
)  # times the usual power of calm cells: of what differs, in whom it is, in the other
LEAST_CALM = 20  # cells


@dataclass(frozen=True)
class Stripes:
    """amplitude : gray levels. period : view px. along : "rows" or "columns" they lie along, "" when slanted."""

    amplitude: float
    period: float
    along: str


@dataclass(frozen=True)
class Sight:
    """What one scan shows alone on an overlap. specks : lone dark ones, of `all_specks`. area : view px. smeared :
    cells of the largest patch that is soft here only.
    """

    stripes: Stripes | None
    specks: int
    all_specks: int
    area: float
    smeared: int


@dataclass(frozen=True)
class Difference:
    """a, b : indices. own_a, own_b : what each shows alone."""

    a: int
    b: int
    own_a: Sight
    own_b: Sight


def difference_of(
    looks: Sequence[Glance], pair: tuple[int, int], b_from_a: Array, laid: Overlay | None = None
) -> Difference | None:
    """What differs between two looks; None where they hardly overlap. laid : the looks on each other, where known."""
    laid = laid or overlay(looks[pair[0]], looks[pair[1]], b_from_a)
    rows, cols = (np.flatnonzero(laid.both.any(axis)) for axis in (1, 0))
    if len(rows) < 3 * CELL or len(cols) < 2 * CELL:
        return None
    part = slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1)
    laid = Overlay(laid.a[part], laid.b[part], _eroded(laid.both[part], SPECK_PX))
    stripes = _stripes(laid)
    specks = _specks(laid)
    soft = _smeared(laid)
    area = float(laid.both.sum())
    own = [Sight(stripes[side], *specks[side], area, soft[side]) for side in (0, 1)]
    return Difference(*pair, own[0], own[1])


def _eroded(mask: Mask, by: int) -> Mask:
    return np.asarray(cv2.erode(mask.astype(np.uint8), np.ones((2 * by + 1,) * 2), borderValue=0) > 0)


def _stripes(laid: Overlay) -> tuple[Stripes | None, Stripes | None]:
    """A period in the difference of two views, given to the one that shows it."""
    levels = [view - cv2.GaussianBlur(view, (0, 0), WIDE) for view in (laid.a, laid.b)]
    rest = levels[0] - levels[1]
    spectrum = _spectrum(rest, laid.both)
    rows, cols = np.fft.fftfreq(spectrum.shape[0])[:, None], np.fft.rfftfreq(rest.shape[1])[None]
    speed = np.hypot(rows, cols)
    known = (speed > SLOWEST) & (speed < 0.45)
    power = np.where(known, np.abs(spectrum) ** 2, 0)
    at = np.unravel_index(int(power.argmax()), power.shape)
    area = max(1.0, float(laid.both.sum()))
    amplitude = 2 * float(np.abs(spectrum[at])) / area
    if amplitude < LEAST_AMPLITUDE or power[at] < PEAK_OVER * float(np.median(power[known])):
        return None, None
    each = [2 * float(np.abs(_spectrum(values, laid.both)[at])) / area for values in levels]
    down, across = abs(float(rows[at[0], 0])), float(cols[0, at[1]])
    along = "rows" if across < AXIS_SHARE * down else "columns" if down < AXIS_SHARE * across else ""
    found = Stripes(amplitude, 1 / float(speed[at]), along)
    mine = [each[side] > MINE * each[1 - side] for side in (0, 1)]
    return (found if mine[0] else None), (found if mine[1] else None)


def _spectrum(values: Floats, mask: Mask) -> np.ndarray[tuple[int, ...], np.dtype[np.complex128]]:
    inside = values[mask]
    usual = robust_spread(inside) + 0.5
    held = np.where(mask, np.clip(values - np.median(inside), -CLIP * usual, CLIP * usual), 0)
    return np.asarray(np.fft.rfft2(held))


def _specks(laid: Overlay) -> tuple[tuple[int, int], tuple[int, int]]:
    """(specks shown alone, all specks) of each view."""
    found = []
    for own, other in ((laid.a, laid.b), (laid.b, laid.a)):
        depth = np.where(laid.both, speck_depth(own), 0)
        peaks = (depth > SURE_DEPTH) & (depth >= cv2.dilate(depth, np.ones((5, 5), np.uint8)))
        kernel = np.ones((2 * SPECK_PX, 2 * SPECK_PX), np.uint8)
        calm = cv2.GaussianBlur(other, (0, 0), 0.8)  # noise must not pass for a speck's other half
        dark = cv2.morphologyEx(calm, cv2.MORPH_CLOSE, kernel) - calm > LEAST_DEPTH / 2
        near = cv2.dilate(dark.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
        found.append((int((peaks & ~near).sum()), int(peaks.sum())))
    return found[0], found[1]


def _smeared(laid: Overlay) -> tuple[int, int]:
    """Cells of the largest patch that one view only shows soft, or on calm paper shows ridges in, of each view."""
    power = [_cells((view - cv2.GaussianBlur(view, (0, 0), 1.2)) ** 2) for view in (laid.a, laid.b)]
    whole = _cells(laid.both.astype(np.float32)) > 0.99
    noise = [float(np.quantile(values[whole], 0.1)) if whole.any() else 0.0 for values in power]
    drawn = whole & (np.maximum(*power) > 4 * max(*noise) + 1)
    ridged = _ridged(laid, whole & ~drawn)
    counts = []
    for own, other in ((0, 1), (1, 0)):
        ratio = power[own] / np.maximum(power[other], 1e-6)
        usual = float(np.median(ratio[drawn])) if drawn.any() else 1.0  # one scan may have more contrast throughout
        soft = drawn & (ratio < SOFT * min(1.0, usual))
        largest = int(largest_patch(soft | ridged[own]).sum()) if soft.sum() < SMEAR_SHARE * max(1, drawn.sum()) else 0
        counts.append(largest)
    return counts[0], counts[1]


def _ridged(laid: Overlay, calm: Mask) -> tuple[Mask, Mask]:
    """Calm cells in which one view shows more than it usually does, the other one does not, and what differs is more
    than their noise, of each view. The grain of the paper, which both show, is no difference.
    """
    none = np.zeros_like(calm)
    if calm.sum() < LEAST_CALM:
        return none, none
    fine = [view - cv2.GaussianBlur(view, (0, 0), RIDGES) for view in (laid.a, laid.b)]
    over = [_over(values, calm) for values in (*fine, fine[0] - fine[1])]
    found = [calm & (over[2] > RIDGED) & (over[own] > SHOWN) & (over[1 - own] < BARE) for own in (0, 1)]
    shares = [float(cells.sum()) / float(calm.sum()) for cells in found]
    return (found[0] if shares[0] < SMEAR_SHARE else none), (found[1] if shares[1] < SMEAR_SHARE else none)


def _over(values: Floats, calm: Mask) -> Floats:
    """Power in cells over that of the middle calm one."""
    power = _cells(values**2)
    return np.asarray(power / max(float(np.median(power[calm])), 0.05), np.float32)


def _cells(values: Floats) -> Floats:
    size = max(1, values.shape[1] // CELL), max(1, values.shape[0] // CELL)
    return np.asarray(cv2.resize(values, size, interpolation=cv2.INTER_AREA), np.float32).reshape(size[1], size[0])
