"""I measure in cells how finely two scans show what is drawn: whether one is finer one way, jagged, soft or veiled.

In: two views laid on each other. Out: values per cell, a share of the drawn cells, cells of the largest soft patches.
"""

from __future__ import annotations

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.inspection.patches import Overlay
from stitchbed.inspection.smears import largest_patch
from stitchbed.matching.robust import robust_spread

CELL = 24  # view px of a cell whose sharpness is compared
FINE = 1.2  # view px, sigma: what is finer tells of sharpness
# Log of fine contrast that a cell has lost one way and not the other: good scans stay below .05 in the middle, those
# that shook by one to two px lose .5 to .8. Fewer drawn cells tell nothing.
LOST, LEAST_DRAWN = 0.2, 9
EITHER_WAY = 0.05  # of the fine power one way that a cell has the other way: .002 where lines run one way
SOFT, SMEAR_SHARE = 0.4, 0.5  # of the other's fine power; most of an overlap
SMEAR_CELLS = 6  # that hang together; good scans: 1 in 152 sights of 19 media, 3 in 178 of sheets made elsewhere
OFF_FILE = 2  # cells of a patch beside its longest row or column
RIDGES = 2.5  # view px: the pattern of a fingerprint is finer
# Times the usual power of calm cells: of what differs, in whom it is, in the other; below the last a lift softens it.
RIDGED, SHOWN, BARE = 1.6, 1.4, (0.7, 1.2)
LEAST_CALM = 20  # cells
MOST_CALM = 20.0  # fine power, gray levels squared: grain of paper and noise stay below 15, screens have 30 to 200
FLAT_SHARE = 0.75  # of a cell that lies away from a side
BAND = 1.2, 3.0  # view px: what is drawn, below noise and above the shade of a lifted side
SAME_DRAWN = 0.8  # correlation of the band in both
# The same of one that shook: it shows .6 to .9 of what the other one does, a dead column over calm paint .4 to .7.
SHAKEN_SAME = 0.7
LEAST_SHOWN = 0.5  # square of gray levels: grain of less differs from scan to scan by a fifth
UNSTEADY = 0.2  # log of contrast that a px to a side takes from a cell
# View px: a file of rows in which their places are told, so narrow that scans laid down askew share its rows; rows on
# each side that tell where a row should lie; what rows of good scans stay below.
FILE, ROWS_NEAR, ROWS_ASIDE = 48, 15, 0.3
EDGES_SETTLED, LIGHT_PX = 0.8, 31  # view px: sigma over which edges are taken; what is broader is light
LEAST_SLOPE, ROW_SURE, LEAST_ROWS = 1.0, 0.2, 60  # gray levels a px; view px of doubt; rows that tell
UPRIGHT = 1.0  # of the slope down, squared, the slope across: a slanted line a little higher or lower seems far aside
VEILED, VEILED_OVER = 0.08, 4.0  # log of contrast a veil takes; times the spread over the cells


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
    drawn : see `drawn_cells`.
    """
    (across_a, down_a), (across_b, down_b) = (_power_each_way(view) for view in (laid.a, laid.b))
    # lines that all run one way tell of the other way no more than noise does
    across, down = np.maximum(across_a, across_b), np.maximum(down_a, down_b)
    drawn = drawn & _alike(laid) & (np.minimum(across, down) > EITHER_WAY * np.maximum(across, down))
    if drawn.sum() < LEAST_DRAWN:
        return None
    apart = 0.5 * np.log(across_a * down_b / (down_a * across_b))
    leans = (apart < -LOST).astype(np.float64) - (apart > LOST)
    # by files of cells, for a dead column goes through one of them
    files = [_shares(leans, drawn), _shares(leans.T, drawn.T)]
    return min((float(np.median(shares)) for shares in files), key=abs)


def _alike(laid: Overlay) -> Mask:
    """Cells in which both views show the same drawing."""
    a, b = _in_band(laid)
    return np.asarray(cells(a * b) > SHAKEN_SAME * np.sqrt(cells(a * a) * cells(b * b)))


def _in_band(laid: Overlay) -> tuple[Floats, Floats]:
    """Both views without what is finer or broader than BAND."""
    low, high = BAND
    a, b = (cv2.GaussianBlur(view, (0, 0), low) - cv2.GaussianBlur(view, (0, 0), high) for view in (laid.a, laid.b))
    return a, b


def _shares(leans: Array, drawn: Mask) -> Array:
    """(n,) mean of the drawn cells in each column that has any."""
    count = drawn.sum(0)
    return np.asarray((leans * drawn).sum(0)[count > 0] / count[count > 0])


def _power_each_way(view: Floats) -> tuple[Floats, Floats]:
    """Fine power across and down, in cells."""
    across, down = (cv2.GaussianBlur(view, size, FINE) for size in ((0, 1), (1, 0)))
    return cells((view - across) ** 2) + 1e-6, cells((view - down) ** 2) + 1e-6


def jagged(laid: Overlay) -> float | None:
    """0..1: the share of what differs between two views that rows explain which lie aside across from the rows near
    them; 0 where they hardly do; None where too little is drawn that stands upright.

    Least squares of what differs on the slope across, row by row in files of FILE px; rows whose place is in doubt by
    more than ROW_SURE tell nothing.
    """
    files = laid.both.shape[1] // FILE
    both = cv2.erode(laid.both.astype(np.uint8), np.ones((7, 7), np.uint8), borderValue=0) > 0
    if not files:
        return None
    a, b = (_without_light(view) for view in (laid.a, laid.b))
    across = np.array([[-0.25, 0, 0.25]], np.float32)
    slope, down = (np.where(both, cv2.filter2D(a + b, cv2.CV_32F, way), 0) for way in (across, across.T))
    apart = np.where(both, a - b, 0)
    parts = (slope * slope, slope * apart, apart * apart, both.astype(np.float32), down * down)
    steep, moved, power, seen, level = (_in_files(part, files) for part in parts)
    aside = moved / np.maximum(steep, 1e-3)
    doubt = np.sqrt(np.maximum(power - moved * aside, 0) / np.maximum(seen - 1, 1) / np.maximum(steep, 1e-3))
    known = (seen > 0.9 * FILE) & (doubt < ROW_SURE) & (steep > np.maximum(LEAST_SLOPE * FILE, UPRIGHT * level))
    weight = np.where(known, np.maximum(doubt, 0.05) ** -2, 0)
    near = (1, 2 * ROWS_NEAR + 1)
    usual = cv2.blur(weight * aside, near) / np.maximum(cv2.blur(weight, near), 1e-9)
    known &= cv2.blur(known.astype(np.float32), near) > 0.4
    if known.sum() < LEAST_ROWS:
        return None
    rest = (aside - usual)[known]
    if robust_spread(rest) < ROWS_ASIDE:
        return 0.0
    return min(1.0, float((rest**2 * steep[known]).sum() / max(float(power[known].sum()), 1e-6)))


def _without_light(view: Floats) -> Floats:
    fine = cv2.GaussianBlur(view, (0, 0), EDGES_SETTLED)
    return np.asarray(fine - cv2.blur(fine, (LIGHT_PX, 1)), np.float32)


def _in_files(values: Floats, count: int) -> Floats:
    """(h, count) sums of a view (h, w) over files side by side."""
    return np.asarray(values[:, : count * FILE].reshape(len(values), count, FILE).sum(2), np.float32)


def smeared(laid: Overlay, lying: tuple[Mask, Mask]) -> tuple[tuple[int, int], float, float | None]:
    """Cells of the largest patch that one view only shows soft or faint, or on calm paper shows ridges in, of each
    view, away from its sides; log of fine contrast of a over b in the middle cell that is drawn; see `leaning`.
    """
    power, whole = fine_power(laid), wholly_seen(laid)
    drawn = drawn_cells(laid, power)
    flat = [cells(mask.astype(np.float32)) > FLAT_SHARE for mask in lying]
    ridged = _ridged(laid, whole & ~drawn & (np.maximum(*power) < MOST_CALM))
    contrast, alike, shown = _contrast(laid)
    veiled = _veiled(contrast, whole & shown & alike)
    patches = []
    for own, other, sign in ((0, 1, 1), (1, 0, -1)):
        ratio = power[own] / power[other]
        usual = float(np.median(ratio[drawn])) if drawn.any() else 1.0  # one scan may have more contrast throughout
        apart = sign * contrast - min(0.0, float(np.median(sign * contrast[drawn])) if drawn.any() else 0.0)
        soft = drawn & shown & (ratio < SOFT * min(1.0, usual)) & (apart < -VEILED)
        patch = _broad(largest_patch((soft | ridged[own] | veiled[own]) & flat[own]))
        patches.append(patch if soft.sum() < SMEAR_SHARE * max(1, drawn.sum()) else np.zeros_like(patch))
    fine = 0.5 * float(np.median(np.log(power[0] / power[1])[drawn])) if drawn.any() else 0.0
    return _the_larger(patches[0], patches[1]), fine, leaning(laid, drawn)


def _broad(patch: Mask) -> Mask:
    """A patch, or none where it stands in single file, as cells that a dead column of the other scan goes through."""
    file = max(int(patch.sum(axis).max()) for axis in (0, 1))
    return patch if patch.sum() >= file + OFF_FILE else np.zeros_like(patch)


def _the_larger(a: Mask, b: Mask) -> tuple[int, int]:
    """Cells of the patches of two views; of two that touch, which tell of one smear, the larger only."""
    counts = int(a.sum()), int(b.sum())
    if not (cv2.dilate(a.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0)[b].any():
        return counts
    return (counts[0] if counts[0] >= counts[1] else 0), (counts[1] if counts[1] >= counts[0] else 0)


def _contrast(laid: Overlay) -> tuple[Floats, Mask, Mask]:
    """Cells of what is drawn, below noise and above shade: log of contrast of a over b; where both show the same; where
    a px to any side takes little of it: what does not hold so still is the foot of a line in the next cell.
    """
    band = _in_band(laid)
    own, other, both = (cells(product) for product in (band[0] ** 2, band[1] ** 2, band[0] * band[1]))
    known = np.minimum(own, other) > LEAST_SHOWN
    contrast = 0.5 * np.log(np.where(known, own, 1) / np.where(known, other, 1))
    for shift, axis in ((1, 0), (-1, 0), (1, 1), (-1, 1)):
        beside = cells(np.roll(band[0] ** 2, shift, axis))
        known &= np.abs(0.5 * np.log(np.maximum(beside, 1e-6) / np.maximum(own, 1e-6))) < UNSTEADY
    return np.asarray(contrast, np.float32), np.asarray(both > SAME_DRAWN * np.sqrt(own * other)), known


def _veiled(contrast: Floats, same: Mask) -> tuple[Mask, Mask]:
    """Cells in which one view shows what both show with less contrast than it usually has beside the other."""
    if same.sum() < LEAST_CALM:
        return np.zeros_like(same), np.zeros_like(same)
    apart = contrast - float(np.median(contrast[same]))
    least = max(VEILED, VEILED_OVER * robust_spread(apart[same]))
    found = [same & (sign * apart < -least) for sign in (1, -1)]
    none = np.zeros_like(same)
    kept = [view if view.sum() < SMEAR_SHARE * same.sum() else none for view in found]
    return kept[0], kept[1]


def _ridged(laid: Overlay, calm: Mask) -> tuple[Mask, Mask]:
    """Calm cells in which one view shows more than it usually does, the other one neither more nor less, and what
    differs is more than their noise, of each view. The grain of the paper, which both show, is no difference.
    """
    none = np.zeros_like(calm)
    if calm.sum() < LEAST_CALM:
        return none, none
    fine = [view - cv2.GaussianBlur(view, (0, 0), RIDGES) for view in (laid.a, laid.b)]
    over = [_over(values, calm) for values in (*fine, fine[0] - fine[1])]
    bare = [(values > BARE[0]) & (values < BARE[1]) for values in over[:2]]
    found = [calm & (over[2] > RIDGED) & (over[own] > SHOWN) & bare[1 - own] for own in (0, 1)]
    shares = [float(view.sum()) / float(calm.sum()) for view in found]
    return (found[0] if shares[0] < SMEAR_SHARE else none), (found[1] if shares[1] < SMEAR_SHARE else none)


def _over(values: Floats, calm: Mask) -> Floats:
    """Power in cells over that of the middle calm one."""
    power = cells(values**2)
    return np.asarray(power / max(float(np.median(power[calm])), 0.05), np.float32)
