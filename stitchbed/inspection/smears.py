"""I find smears, such as fingerprints, that keep their place on the glass while the sheet moves.

In: gray views of several scans of one bed. Out: places in px of the view.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from stitchbed.core.arrays import Bytes, Floats, Mask
from stitchbed.core.memory import late
from stitchbed.inspection.glass import MOVED, TRIALS
from stitchbed.inspection.looks import Glance
from stitchbed.matching.robust import robust_spread

ndimage = late("scipy.ndimage")

CELL = 24  # view px of a cell whose likeness is told: a fingerprint on an A4 bed covers some twelve
LEAST_VIEWS, LEAST_SIDE = 3, 4 * CELL  # view px; fewer or smaller ones tell nothing
RIDGES, AROUND = 3.0, 49  # view px: coarser is drawing and light; the surround that says how strong a pattern is
NOISE = 0.6  # gray levels, so that blank paper does not count
HELD = 1.5  # times that strength: lines must not drown a faint pattern
ALIKE, OF_SIX = 0.05, 15.0  # mean correlation of the scans, for as many pairs as six scans make: chance stays below .06
LEAST_OWN = 0.15  # power of a pattern in a cell, of 1 where all of it is calm paper: below it little is seen of it
# View px; gray levels that calm paper differs by within them; times what a calm tenth does.
CALM_PX, CALM_LEAST, CALM_OVER = 7, 10.0, 3.0
CALM_HELD, LIGHT = 2.5, 0.75  # times the usual strength there; of the light of the paper
FAINT_CELLS, FAINT_VIEWS = 4, 8  # cells a side of what is told as a whole; views: more tell no more, and take time
FEW_CELLS = 2  # side by side, are not told as a smear, be they ever so alike
# Over the spread of all places; over what chance brings at most: 27 good sets had up to 1.35, prints that cells do not
# show 1.55 to 3.2.
FAINT_SEEN, FAINT_OVER = 4.0, 1.6
# View px that a scan is moved on by; share of its likeness that a patch has there at most: true prints up to .61, once
# .71, lettering from .95 on, screens of prints from .85 on.
NEXT, ALIKE_AGAIN = (6, 40), 0.78
RIM = 1  # cells along the sides, where a sheet leaves the glass in every scan
LEAST_CELLS, MOST_CELLS = 8, 0.15  # hanging together, chance brings 4; share of the bed: more is a screen's, a sensor's


@dataclass(frozen=True)
class Smear:
    """A patch of the glass: its middle (x, y) and area in px of the view, and how alike the scans are there."""

    x: float
    y: float
    area: float
    likeness: float


def smear(views: Sequence[Bytes]) -> Smear | None:
    """The largest patch that the views (h, w) share, gray 0..255; at least three views are needed."""
    if len(views) < LEAST_VIEWS or min(views[0].shape) < LEAST_SIDE:
        return None
    return _sure_smear(views) or _faint_smear(views[:: -(-len(views) // FAINT_VIEWS)])


def _sure_smear(views: Sequence[Bytes]) -> Smear | None:
    """A patch whose cells are each more alike than chance makes them."""
    least = max(ALIKE * math.sqrt(2 * OF_SIX / (len(views) * (len(views) - 1))), ALIKE / 2)
    patterns = [_pattern(view) for view in views]
    likeness = _above(cv2.medianBlur(_likeness(patterns, 0), 3))
    cells = largest_patch(likeness > least)
    if not LEAST_CELLS <= cells.sum() <= MOST_CELLS * cells.size:
        return None
    beside = (_above(cv2.medianBlur(_likeness(patterns, trial), 3)) for trial in range(1, TRIALS))
    chance = max(int(largest_patch(one > least).sum()) for one in beside)
    if cells.sum() < LEAST_CELLS + 2 * chance:  # a regular drawing is alike everywhere
        return None
    return _told(cells, likeness, patterns)


def _faint_smear(views: Sequence[Bytes]) -> Smear | None:
    """A patch as wide as a fingerprint that is more alike on the whole than any is by chance, though few of its cells
    are, by what the paper shows between all that is drawn over it.
    """
    patterns = [_calm_pattern(view) for view in views]

    def likeness(trial: int) -> Floats:
        cells = _above(_likeness(patterns, trial))
        beside = ndimage.rank_filter(cells, -FEW_CELLS - 1, size=3)  # a grain of dust is in one cell, or in two
        return np.asarray(cv2.blur(np.minimum(cells, beside), (FAINT_CELLS, FAINT_CELLS)), np.float32)

    found = likeness(0)
    peak = float(found.max())
    if peak <= FAINT_SEEN * float(found.std()):  # most sets end here; dark paper shows nothing at all
        return None
    if peak < FAINT_OVER * max(float(likeness(trial).max()) for trial in range(1, TRIALS)):
        return None
    cells = largest_patch(found > peak / 2)
    return _told(cells, found, patterns) if cells.sum() <= MOST_CELLS * cells.size else None


def _told(cells: Mask, likeness: Floats, patterns: Sequence[Floats]) -> Smear | None:
    """The patch of cells, unless it is as alike with the scans moved on: lines of lettering meet the next ones, dots of
    a screen the next ones any way.
    """
    if _alike_again(cells, patterns):
        return None
    row, col = (float(index.mean()) for index in np.nonzero(cells))
    return Smear((col + 0.5) * CELL, (row + 0.5) * CELL, float(cells.sum()) * CELL**2, float(likeness[cells].mean()))


def usual_sized(looks: Sequence[Glance]) -> list[Glance]:
    """Looks at the pieces that have the usual size in px, and so lay on the same glass."""
    shapes = [look.shape for look in looks]
    usual = max(set(shapes), key=shapes.count)
    return [look for look in looks if look.shape == usual]


def smear_shown(alike: Sequence[Glance]) -> Smear | None:
    """A smear among pieces of one size, none of them the same place scanned again, in px of full size."""
    patch, r = smear([look.gray for look in alike]), alike[0].reduction
    return patch and replace(patch, x=patch.x * r, y=patch.y * r, area=patch.area * r * r)


def _likeness(patterns: Sequence[Floats], trial: int) -> Floats:
    """(rows, cols) mean correlation of the pairs of patterns in cells. trial : they are laid beside each other, by so
    many steps; 0: as they are.
    """
    move = trial * MOVED[0], trial * MOVED[1]
    return _likeness_laid(np.roll(one, (k * move[0], k * move[1]), (0, 1)) for k, one in enumerate(patterns))


def _alike_again(cells: Mask, patterns: Sequence[Floats]) -> bool:
    """True where pairs of patterns are about as alike in cells with one of the two moved on, some way; by the
    correlation theorem, all ways at once."""
    near, far = NEXT
    within = np.pad(np.kron(cells, np.ones((CELL, CELL), np.float32)), far)
    rows, cols = (slice(int(at.min()) - far, int(at.max()) + 1 + far) for at in np.nonzero(within))
    inside = within[rows, cols]
    wide = [np.pad(one, far)[rows, cols] for one in patterns]
    parts, wholes = ([np.fft.rfft2(one * mask) for one in wide] for mask in (inside, 1.0))
    pairs = np.conj(sum(parts)) * sum(wholes) - sum(np.conj(a) * b for a, b in zip(parts, wholes, strict=True))
    alike = np.fft.irfft2(pairs, inside.shape)
    away = np.hypot(*np.meshgrid(*(np.fft.fftfreq(size, 1 / size) for size in inside.shape), indexing="ij"))
    return bool(alike[(away >= near) & (away <= far)].max() > ALIKE_AGAIN * alike[0, 0])


def _likeness_laid(patterns: Iterable[Floats]) -> Floats:
    """(rows, cols) mean correlation of the pairs of patterns in cells."""
    each = iter(patterns)
    total, count = next(each).copy(), 1
    squares = total * total
    for fine in each:
        total += fine
        squares += fine * fine
        count += 1
    rows, cols = squares.shape[0] // CELL, squares.shape[1] // CELL
    parts = (total * total - squares, squares)
    shared, own = (cv2.resize(part, (cols, rows), interpolation=cv2.INTER_AREA).reshape(rows, cols) for part in parts)
    return np.asarray(shared / (count * (count - 1)) / np.maximum(own / count, LEAST_OWN), np.float32)


def _above(likeness: Floats) -> Floats:
    """Likeness above what is usual; none along the rim."""
    above = np.zeros_like(likeness)
    inner = slice(RIM, -RIM), slice(RIM, -RIM)
    above[inner] = likeness[inner] - np.median(likeness)
    return above


def _pattern(view: Bytes) -> Floats:
    """What is finer than RIDGES, of even strength all over, less what a row or a column has throughout: the sensor's,
    or darker and darker toward a lifted side.
    """
    gray = view.astype(np.float32)
    fine = gray - cv2.GaussianBlur(gray, (0, 0), RIDGES)
    strength = np.sqrt(np.maximum(cv2.blur(fine * fine, (AROUND, AROUND)), 0)) + NOISE
    even = np.clip(fine / strength, -HELD, HELD)
    for axis in (1, 0):
        even -= np.median(even, axis=axis, keepdims=True)
    return np.asarray(even, np.float32)


def _calm_pattern(view: Bytes) -> Floats:
    """What is finer than RIDGES on calm light paper, over what most of that has, less what its rows and columns have; 0
    where anything is drawn: its edges are stronger than any print, and on dark tones a print is lighter than they are.
    """
    gray = view.astype(np.float32)
    soft, kernel = cv2.GaussianBlur(gray, (0, 0), 1.0), np.ones((CALM_PX, CALM_PX), np.uint8)
    spread = cv2.dilate(soft, kernel) - cv2.erode(soft, kernel)
    light = gray > LIGHT * float(np.percentile(gray, 90))
    drawn = ~light | (spread > max(CALM_LEAST, CALM_OVER * float(np.percentile(spread, 10))))
    calm = cv2.dilate(drawn.astype(np.uint8), np.ones((3, 3), np.uint8)) == 0
    fine = gray - cv2.GaussianBlur(gray, (0, 0), RIDGES)
    usual = robust_spread(fine[calm]) if calm.any() else 0.0
    even = np.where(calm, np.clip(fine / max(usual, NOISE), -CALM_HELD, CALM_HELD), 0).astype(np.float32)
    for axis in (1, 0):
        even -= np.where(calm, even.sum(axis, keepdims=True) / np.maximum(calm.sum(axis, keepdims=True), 1), 0)
    return even


def largest_patch(cells: Mask) -> Mask:
    """The largest patch of cells that hang together."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(cells.astype(np.uint8), connectivity=8)
    if count < 2:
        return np.zeros_like(cells)
    return np.asarray(labels == 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax()))
