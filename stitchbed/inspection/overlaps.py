"""I compare two scans where they show the same part of the sheet: light, lift, sharpness, how far they overlap.

In: two `Glance`s and the motion between them. Out: frozen numbers, the drawing canceled out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.imaging.sample import look_up
from stitchbed.imaging.transforms import inverse, moved
from stitchbed.inspection.looks import Glance
from stitchbed.matching.robust import robust_spread

SIDES = ("left", "right", "top", "bottom")
EDGE_SHARE = 0.05  # of the bed's long side: farther in than this a sheet is taken to lie flat (15 mm on A4)
FLAT_SHARE = 0.1  # of the cells of an overlap that show paper: fewer are chance among strokes
BROAD_SHARE = EDGE_SHARE / 3  # of the long side that a lift told by strokes reaches in at least: less is a few of them
LIFTED_CELLS = 2  # of light that a lift reaches in at least: less is a line drawn along the side
RIM_SHARE = 0.012  # of the long side: the outermost strip, where a lifted sheet is darkest (3.5 mm on A4)
UNREST = 0.10  # relative spread of light in a cell's surround beyond which a cell is drawing, not paper
NEUTRAL = 1.5  # of a channel's light over another's: ways to make gray of it differ by less than .03
LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)  # of linear light, IEC 61966-2-1
LIT, DARK_SHEET, LIT_OF_DARK = 0.02, 0.06, 0.006  # of white: what is compared; on the whole; what is compared there
LEAST_CELLS, DRAWN_CELLS = 25, 400  # for a comparison of light: of paper, and where all is drawn
SURE_GAIN = 0.02  # log of light; two good scans differ by as much
SURE, ALIKE_CELLS = 2.0, 4.0  # standard errors; cells of one stroke or shade, which err alike
BLOCK, LEAST_BLOCKS = 3, 9  # cells along a side; for a comparison of light from place to place
FEW_SEEN = 0.2  # of the cells of the row of which most are known
LIFT = 0.04  # sure loss of light toward a side; the fall-off of lamps and noise leave .028 in the worst of 20 good sets


@dataclass(frozen=True)
class SideLoss:
    """Loss of light (share) toward a side of a tile, how far in it reaches (px); length: share of the side seen. sure :
    what the loss is at least, where lines that do not quite meet scatter it.
    """

    side: str
    loss: float
    reach: float
    length: float
    sure: float


@dataclass(frozen=True)
class Comparison:
    """What one link tells. a, b : indices. log_gain : (3,) log of light a over b away from the edges, or None.

    losses_a, losses_b : lifted sides. shared : overlap as a share of the smaller tile. width : narrow side of the
    overlap, px of a. discord : spread of the log ratio of light from place to place, away from the edges, in the
    channel it is widest; 0 where too little paper is seen. paper : whether paper told the gain. drift : the same, less
    what differs from each place to the next, as where two scans of a printed screen do not quite meet. dark : share of
    the overlap that lies within lifted sides.
    """

    a: int
    b: int
    log_gain: Array | None
    losses_a: tuple[SideLoss, ...]
    losses_b: tuple[SideLoss, ...]
    shared: float
    width: float
    discord: float = 0.0
    paper: bool = True
    drift: float = math.inf
    dark: float = 0.0

    @property
    def each_way(self) -> tuple[tuple[int, int, tuple[SideLoss, ...]], tuple[int, int, tuple[SideLoss, ...]]]:
        """(own index, the other's, own lifted sides) of both."""
        return (self.a, self.b, self.losses_a), (self.b, self.a, self.losses_b)


@dataclass(frozen=True)
class _Shared:
    """Light of both tiles on the cells of one: ratio (h, w, 3) log, depth of both, px of each.

    calm : paper in both. flat : paper in the other one, whatever a lift does to this one. lit : neither is black, and
    the ratio is known. seen : overlap.
    """

    ratio: Floats
    calm: NDArray[np.bool_]
    flat: NDArray[np.bool_]
    lit: NDArray[np.bool_]
    seen: NDArray[np.bool_]
    depth_own: Floats
    depth_other: Floats


def compare(looks: Sequence[Glance], pair: tuple[int, int], b_from_a: Array) -> Comparison:
    """Compare two looks joined by a motion (3x3, full-resolution px)."""
    a, b = (looks[index] for index in pair)
    here, there = _shared(a, b, b_from_a), _shared(b, a, inverse(b_from_a))
    deep = max(a.shape) * EDGE_SHARE
    paper = _gain(here, deep)
    log_gain = _drawn_gain(here, deep) if paper is None else paper
    offset = np.zeros(3) if log_gain is None else log_gain
    discord, drift = _discord(here, deep)
    cell_area = a.light_cell**2
    lifts = _losses(here, offset, a), _losses(there, -offset, b)
    smaller = min(
        a.shape[0] * a.shape[1], b.shape[0] * b.shape[1] / max(1e-9, abs(float(np.linalg.det(b_from_a[:2, :2]))))
    )
    return Comparison(
        *pair,
        log_gain,
        *lifts,
        float(here.seen.sum()) * cell_area / smaller,
        _narrow_side(here.seen) * a.light_cell,
        discord,
        paper is not None,
        drift,
        sum(_lifted_share(loss, look, float(here.seen.sum()) * cell_area)
            for losses, look in zip(lifts, (a, b), strict=True) for loss in losses),
    )  # fmt: skip


def rest_places(a: Glance, b: Glance, b_from_a: Array, count: int) -> list[tuple[Array, Array]]:
    """Places (x, y) px in both tiles with much contrast, as deep in the overlap as it goes, to compare sharpness at."""
    shared = _shared(a, b, b_from_a)
    depth = np.minimum(shared.depth_own, shared.depth_other)
    unrest = np.where(shared.seen, unrest_of(a.light), 0)
    score = unrest * np.minimum(depth / max(a.shape), EDGE_SHARE) / EDGE_SHARE
    places = []
    reach = max(3, round(0.04 * max(score.shape)))
    for _ in range(count):
        row, col = np.unravel_index(int(score.argmax()), score.shape)
        if score[row, col] <= 0.01:
            break
        at = (np.array([col, row]) + 0.5) * a.light_cell - 0.5
        places.append((at, moved(b_from_a, at[None])[0]))
        score[max(0, row - reach) : row + reach + 1, max(0, col - reach) : col + reach + 1] = 0
    return places


def _shared(own: Glance, other: Glance, other_from_own: Array) -> _Shared:
    h, w = own.light.shape[:2]
    col, row = np.meshgrid(np.arange(w), np.arange(h))
    xy = np.column_stack([(col.ravel() + 0.5) * own.light_cell - 0.5, (row.ravel() + 0.5) * own.light_cell - 0.5])
    there = moved(other_from_own, xy)
    cells = ((there + 0.5) / other.light_cell - 0.5).reshape(h, w, 2)
    light = look_up(other.light, cells).astype(np.float32)
    unrest, unrest_other = unrest_of(own.light), look_up(unrest_of(other.light), cells)
    depth_other = _depth(there, other.shape).reshape(h, w)
    ratio, known = _ratio(own.light, light)
    bright = np.minimum(own.light.min(2), light.min(2)) > _least_light(own, other)
    seen = depth_other > 0
    lit = bright & known & seen
    flat = (unrest_other < UNREST) & lit
    return _Shared(ratio, flat & (unrest < UNREST), flat, lit, seen, _depth(xy, own.shape).reshape(h, w), depth_other)


def _least_light(own: Glance, other: Glance) -> float:
    """Light above which two scans are compared: ink tells little of it, but on black board all is as dark."""
    dark = max(float(np.median(look.light)) for look in (own, other)) < DARK_SHEET
    return LIT_OF_DARK if dark else LIT


def _ratio(own: Floats, other: Floats) -> tuple[Floats, Mask]:
    """Log of light (h, w, 3) over another one's, and where it is known (h, w): a gray scan tells of a color by a weight
    that nobody knows, and of what is nearly neutral like any other.
    """
    colored = [bool((light != light[..., :1]).any()) for light in (own, other)]
    if colored[0] == colored[1]:
        return np.log(np.maximum(own, 1e-3) / np.maximum(other, 1e-3)), np.ones(own.shape[:2], bool)
    tones = [np.maximum(light @ LUMINANCE, 1e-3) for light in (own, other)]
    neutral = [light.max(2) < NEUTRAL * np.maximum(light.min(2), 1e-3) for light in (own, other)]
    return np.repeat(np.log(tones[0] / tones[1])[..., None], 3, axis=2), neutral[0] & neutral[1]


def unrest_of(light: Floats) -> Floats:
    """(h, w) relative spread of light around each cell, along its steeper direction."""
    gray = light.mean(2)
    low, high = cv2.erode(gray, np.ones((3, 3), np.uint8)), cv2.dilate(gray, np.ones((3, 3), np.uint8))
    return np.asarray((high - low) / np.maximum(high, 1e-3), np.float32)


def _depth(xy: Array, shape: tuple[int, int]) -> Floats:
    x, y = xy[:, 0] + 0.5, xy[:, 1] + 0.5
    return np.minimum(np.minimum(x, shape[1] - x), np.minimum(y, shape[0] - y)).astype(np.float32)


def _gain(shared: _Shared, deep: float) -> Array | None:
    depth = np.minimum(shared.depth_own, shared.depth_other)
    for least in (deep, deep / 2, deep / 4):
        usable = shared.calm & (depth > least)
        if usable.sum() >= LEAST_CELLS:
            return np.asarray(np.median(shared.ratio[usable], axis=0), np.float64)
    return None


def _drawn_gain(shared: _Shared, deep: float) -> Array | None:
    """Of a page that shows no paper, as a print all over: what cells of the drawing differ by on the whole, where so
    many tell it surely, for each alone is scattered by where its strokes fall.
    """
    ratio = shared.ratio[shared.lit & (np.minimum(shared.depth_own, shared.depth_other) > deep / 2)]
    if len(ratio) < DRAWN_CELLS:
        return None
    doubt = max(robust_spread(channel) for channel in ratio.T) / np.sqrt(len(ratio) / ALIKE_CELLS)
    return np.asarray(np.median(ratio, axis=0), np.float64) if SURE * doubt < SURE_GAIN else None


def _discord(shared: _Shared, deep: float) -> tuple[float, float]:
    """Light is uneven over places, not from cell to cell as a screen of dots or a stroke is: means of blocks tell. The
    spread of them, and that without the spread from block to block."""
    usable = shared.calm & (np.minimum(shared.depth_own, shared.depth_other) > deep)
    height, width = (size // BLOCK * BLOCK for size in usable.shape)
    counted = usable[:height, :width].reshape(height // BLOCK, BLOCK, -1, BLOCK).sum((1, 3))
    summed = np.where(usable[..., None], shared.ratio, 0)[:height, :width]
    told = counted > BLOCK * BLOCK / 2
    if told.sum() < LEAST_BLOCKS:
        return 0.0, 0.0
    means = summed.reshape(height // BLOCK, BLOCK, -1, BLOCK, 3).sum((1, 3)) / np.maximum(counted, 1)[..., None]
    spreads = np.array([robust_spread(channel) for channel in means[told].T])
    steps = np.concatenate([np.diff(means, axis=k)[told[1:] & told[:-1] if k == 0 else told[:, 1:] & told[:, :-1]]
                            for k in (0, 1)])  # fmt: skip
    chance = np.array([robust_spread(channel) for channel in steps.T]) if len(steps) else np.zeros(3)
    return float(spreads.max()), float(np.sqrt(np.maximum(spreads**2 - chance**2 / 2, 0)).max())


def _losses(shared: _Shared, offset: Array, look: Glance) -> tuple[SideLoss, ...]:
    """Sides of a tile where it is darker than its neighbor, which lies flat there."""
    loss = -(shared.ratio.mean(2) - offset.mean())
    deeper = shared.depth_other > shared.depth_own + look.light_cell
    usable, lit = shared.flat & deeper, shared.lit & deeper
    drawn = bool(usable.sum() < FLAT_SHARE * lit.sum())  # of a print all over strokes must tell, which scatter more
    found = [_side_loss(side, loss, lit if drawn else usable, look) for side in SIDES]
    broad = BROAD_SHARE * max(look.shape) if drawn else 0.0
    return tuple(item for item in found if item is not None and item.reach >= broad)


def _lifted_share(loss: SideLoss, look: Glance, shared: float) -> float:
    """Of an overlap of `shared` px, how much lies within a lifted side."""
    along = look.shape[0] if loss.side in ("left", "right") else look.shape[1]
    return loss.reach * loss.length * along / max(1.0, shared) if loss.sure > LIFT else 0.0


def _side_loss(side: str, loss: Floats, usable: NDArray[np.bool_], look: Glance) -> SideLoss | None:
    """Loss against the distance from a side, median along it."""
    axis = 1 if side in ("left", "right") else 0
    flipped = side in ("right", "bottom")
    table = np.where(usable, loss, np.nan)
    table = table.T if axis == 1 else table
    table = table[::-1] if flipped else table
    cells = max(2, round(EDGE_SHARE * max(look.shape) / look.light_cell))
    rim = max(1, round(RIM_SHARE * max(look.shape) / look.light_cell))
    known = np.isfinite(table[:rim]).any(0)
    if known.sum() < 0.1 * table.shape[1]:
        return None
    table = table[: 2 * cells, known]
    profile, doubt = _medians(table)
    seen = np.isfinite(table).sum(1)
    within = profile[cells:][seen[cells:] >= FEW_SEEN * seen.max()]  # of fewer cells a side nearby may be the reason
    base = np.nanmedian(within) if np.isfinite(within).any() else 0.0
    excess = profile - base
    outermost = excess[: max(2, rim)]
    worst = float(np.nanmax(outermost))
    sure = float(np.nanmax(outermost - SURE * doubt[: max(2, rim)]))
    over = np.isfinite(excess) & (excess > max(0.01, 0.1 * worst))
    begun = int(np.isfinite(excess).argmax())  # the first cells may show no paper
    reach = begun + int(np.argmin([*over[begun:], False]))
    if reach < begun + LIFTED_CELLS:  # a sheet that is lifted is darkest at its very side, and not along a line
        worst, sure, reach = 0.0, 0.0, 0
    share, least = 1 - float(np.exp(-worst)), 1 - float(np.exp(-sure))
    return SideLoss(side, share, reach * look.light_cell, float(known.mean()), least)


def _medians(table: Floats) -> tuple[Array, Array]:
    """Median along rows of a table with gaps, and its standard error; NaN where nothing is known."""
    known = np.isfinite(table)
    result, doubt = np.full(table.shape[0], np.nan), np.full(table.shape[0], np.nan)
    for index in np.flatnonzero(known.sum(1) >= 3):
        values = table[index, known[index]]
        result[index] = np.median(values)
        doubt[index] = robust_spread(values) / np.sqrt(max(1.0, len(values) / ALIKE_CELLS))
    return result, doubt


def _narrow_side(seen: NDArray[np.bool_]) -> float:
    """Cells across an overlap at its narrow side: area over length of the rectangle around it."""
    points = np.argwhere(seen).astype(np.float32)
    if len(points) < 3:
        return 0.0
    (_, sides, _) = cv2.minAreaRect(points)
    return float(seen.sum() / max(*sides, 1.0))
