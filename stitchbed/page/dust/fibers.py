"""I find marks that are long and thin, as hairs and lint are, and measure them as strokes.

In: the ink in a window, softened. Out: labels of such marks and a row of numbers for each.

A fiber is thinner than any pen: what tells is how much ink there is per mm of it, which no blur changes, and how broad
it lies. Both show in how high its ridge stands after a narrow and after a wide blur: a straight line of `width` with a
spread of s, blurred by g, stands width / sqrt(2 pi (g^2 + s^2)) high, whichever way it runs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from stitchbed.core.arrays import Floats, Labels, Mask
from stitchbed.imaging.box import Box, clipped, grown
from stitchbed.page.dust.finds import FIBER, Finds
from stitchbed.page.ink import softening

# columns of `Thin.strokes`
STROKE = ("length", "width", "widest", "broad", "gap", "turn", "straight")
SHORTEST_MM, LONGEST_MM = 0.5, 3.4  # longest side; shorter ones are lone marks, of longer ones a window shows bits
# mm^2 of ink, and of all that is not paper, per mm of the longest side: of a fiber that is curled up
MOST_INK, MOST_AREA = 0.24, 0.8
WIDEST_MM = 0.18  # of solid ink across a mark, measured roughly
MOST_MARKS = 8  # in a cm^2; as many are a texture, and none of them is measured
OTHER = 1.67  # times the least ink of a mark: what is paler beside one is the paper's own
WIDE_MM = 0.1  # the wide blur, one sd: wider than a fiber, narrower than its bends
RIDGE, LEAST_RIDGE = 0.93, 0.3  # of the highest near it, and of the mark's highest: there is its ridge
GAP_MM = 0.6  # how far round a fiber other marks are looked for
# a fiber is as dark all along: at that share of its darkest, less noise, it still is one piece, that share as long
EVEN, WHOLE = 0.6, 0.75
NOISE = 0.67  # of the least ink of a mark

# two strokes as wide and as long, by ratio, that run the same way: one beside the other, or three some way apart
LIKE_WIDTH, LIKE_LENGTH, LIKE_TURN = 1.6, 3.0, np.deg2rad(20)
BESIDE_MM, LIKE_MM, LIKE = 1.5, 5.0, 2
TEXTURE_MM, TEXTURE = 10.0, 15  # 5 to the cm^2; common practice, no source
SOME_DRAWN = 2  # marks as thin that may look drawn by chance
NARROW_MM, FINE_PX = 0.1, 20.0  # as it lies: no pen is as narrow, however pale; px per mm from which on that shows
LEAST_MM, LONG_MM = 0.012, 0.6  # of solid ink across it: less is the paper's own; of the length itself
STRAIGHT = 0.95  # its longest side over its length: ruled, or drawn with one pull


@dataclass(frozen=True)
class FiberLimits:
    """bent, straight : most mm of solid ink across it, in units of the pen's finest dot. pale : times as wide it lies
    at least, where that shows, as what is paler than ink does: a fine pen's line is as thin, and black. broad : mm it
    lies wide at most. gap : mm it lies away from all else at least. kin, hue : of the find, at most. drawn : of marks
    as thin that somebody drew, at most, for each that lies alone.
    """

    bent: float
    straight: float
    pale: float
    broad: float
    gap: float
    kin: float
    hue: float
    drawn: float


@dataclass(frozen=True)
class Thin:
    """labels : (h, w) of marks that may be fibers, 1 .. n, with the blur round them. strokes : (n, 7), see STROKE.

    length, width, widest : mm, the latter two of solid ink across it, in the middle and where most is. broad : mm, of
    the bar with its spread. gap : mm to the nearest other mark, GAP_MM where none is as near. turn : rad. straight :
    0..1, its longest side over its length.
    """

    labels: Labels
    strokes: Floats


def thin_marks(ink: Floats, soft: Floats, least: float, *, px_per_mm: float, blur: float, core: Box) -> Thin:
    """The marks of a window that are long for their ink and begin in its core.

    ink, soft : (h, w), the latter softened. least : of full ink, of a mark. blur : px, one sd, of ink. core : a mark
    belongs to the box its topmost row's first pixel lies in.
    """
    marked = (soft > least).astype(np.uint8)
    _, every, stats, _ = cv2.connectedComponentsWithStats(marked, connectivity=8, ltype=cv2.CV_32S)
    extent = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]) / px_per_mm
    long = (extent > SHORTEST_MM) & (extent < LONGEST_MM)
    long &= stats[:, cv2.CC_STAT_AREA] < MOST_AREA * extent * px_per_mm**2
    long[0] = False
    labels, strokes, places = np.zeros(marked.shape, np.int32), [], {}
    for label in np.flatnonzero(long).tolist():
        left, top, wide, high = stats[label, :4].tolist()
        own = every[top : top + high, left : left + wide] == label
        if not (core.row <= top < core.bottom and core.col <= left + int(own[0].argmax()) < core.right):
            continue
        here = Box(top, left, high, wide)
        if _narrow(ink[here.slices], own, px_per_mm) and _in_one_piece(soft[here.slices], own, NOISE * least):
            places[label] = grown(here, int(np.ceil(GAP_MM * px_per_mm)) + 1)
    many = len(places) > MOST_MARKS * core.height * core.width / (10 * px_per_mm) ** 2
    for label, around in places.items() if not many else ():
        place = clipped(around, Box(0, 0, *marked.shape)).slices
        mine, others = every[place] == label, every[place] > 0
        others &= ~mine
        whole = (cv2.dilate(mine.astype(np.uint8), _disc(int(np.ceil(2.2 * blur)))) > 0) & ~others
        mass = np.where(whole, ink[place], 0).astype(np.float32)
        strokes.append(_stroke(mass, mine, others & (soft[place] > OTHER * least), px_per_mm, blur))
        labels[place][whole & (labels[place] == 0)] = len(strokes)
        labels[place][mine] = len(strokes)
    return Thin(labels, np.array(strokes, np.float32).reshape(-1, len(STROKE)))


def _narrow(ink: Floats, own: Mask, px_per_mm: float) -> bool:
    """Whether a mark has as little ink as a thin stroke, all in all and by its breadth where it is deepest."""
    mass = float(ink[own].sum()) / px_per_mm
    if mass > MOST_INK * max(own.shape):
        return False
    framed = cv2.copyMakeBorder(own.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    breadth = 2 * float(cv2.distanceTransform(framed, cv2.DIST_L2, 3).max()) - 1
    return mass * breadth < WIDEST_MM * int(own.sum())


def _in_one_piece(soft: Floats, own: Mask, noise: float) -> bool:
    """Whether a mark is no row of dots that only the blur joins."""
    core = own & (soft > EVEN * float(soft[own].max()) - noise)
    _, _, stats, _ = cv2.connectedComponentsWithStats(core.astype(np.uint8), connectivity=8)
    longest = int(stats[1:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].max())
    return longest > WHOLE * max(own.shape)


def _stroke(ink: Floats, own: Mask, others: Mask, px_per_mm: float, blur: float) -> tuple[float, ...]:
    """What STROKE names, of one mark's ink."""
    fine, wide = softening(px_per_mm), WIDE_MM * px_per_mm
    low, high = (cv2.GaussianBlur(ink, (0, 0), sd, borderType=cv2.BORDER_CONSTANT) for sd in (wide, fine))
    inside = np.where(own, low, 0)
    ridge = inside > np.maximum(RIDGE * cv2.dilate(inside, _disc(round(wide))), LEAST_RIDGE * inside.max())
    ratio = max(float(high[ridge].mean() / low[ridge].mean()) ** 2, 1.01)
    variance = max((wide**2 - ratio * fine**2) / (ratio - 1), 0.1)
    widths = low[ridge] * np.sqrt(2 * np.pi * (wide**2 + variance)) / px_per_mm
    width, widest = (max(float(np.percentile(widths, share)), 1e-4) for share in (50, 95))
    length = max(float(ink.sum()) / px_per_mm**2, 1e-4) / width
    extent, turn = _axis(ink)
    away = cv2.distanceTransform((~others).astype(np.uint8), cv2.DIST_L2, 3)
    gap = min(float(away[own].min()) / px_per_mm, GAP_MM)
    broad = float(np.sqrt(12 * max(variance - blur**2, 0))) / px_per_mm
    return length, width, widest, broad, gap, turn, extent / px_per_mm / length


def _axis(ink: Floats) -> tuple[float, float]:
    """px of the bar with the mark's second moment along its long axis, and that axis' angle, rad."""
    y, x = np.indices(ink.shape)
    weight = np.clip(ink, 0, None)
    whole = max(float(weight.sum()), 1e-6)
    dy, dx = (m - float((weight * m).sum()) / whole for m in (y, x))
    yy, xx, xy = (float((weight * m).sum()) / whole for m in (dy * dy, dx * dx, dx * dy))
    along = (xx + yy) / 2 + np.hypot((xx - yy) / 2, xy)
    return float(np.sqrt(12 * along)), float(np.arctan2(2 * xy, xx - yy) / 2)


def pens_are_wider(finds: Finds, px_per_mm: float, limits: FiberLimits, pen: float) -> Mask:
    """(n,) FIBER finds that no pen drew, as far as one scan tells. pen : mm, the finest dot of the page's pen."""
    length, width, widest, broad, gap, _, straight = finds.stroke.T.astype(np.float64)
    ruled = (straight > STRAIGHT) & ((broad > NARROW_MM) | (px_per_mm < FINE_PX))
    most = np.where(ruled, limits.straight, limits.bent) * pen
    marks = (finds.kind == FIBER) & (widest < limits.bent * pen) & (widest > LEAST_MM) & (length > LONG_MM)
    drawn = marks & ((broad > limits.broad) | (_like(finds, px_per_mm) > 0))
    pale = (broad > limits.pale * width) | (px_per_mm < FINE_PX)
    thin = marks & ~drawn & pale & (widest < most) & (gap > limits.gap)
    thin &= (finds.kin < limits.kin) & (finds.hue < limits.hue)
    thin &= ~_many(finds, thin, px_per_mm)
    # whoever draws with a gray pen or a hard pencil here does so beside
    return thin & (float(drawn.sum()) <= SOME_DRAWN + limits.drawn * max(int(thin.sum()), 1))


def shown_whole(finds: Finds, page: Box) -> Finds:
    """The finds, no FIBER one apart from all else that runs out of the page: beyond its sides nothing was seen."""
    rows, cols = finds.rows, finds.cols
    out = (rows <= page.row) | (rows >= page.bottom - 1) | (cols <= page.col) | (cols >= page.right - 1)
    runs_out = np.bincount(finds.owner[out], minlength=len(finds.kind)) > 0
    stroke = finds.stroke.copy()
    stroke[runs_out, STROKE.index("gap")] = 0
    return replace(finds, stroke=stroke)


def _like(finds: Finds, px_per_mm: float) -> NDArray[np.int64]:
    """(n,) how many FIBER finds beside each, or two and more some way off, are as wide and run the same way."""
    which = np.flatnonzero(finds.kind == FIBER)
    like = np.zeros(len(finds.kind), np.int64)
    if len(which) < 2:
        return like
    places = np.stack([finds.row[which], finds.col[which]], axis=1).astype(np.float64) / px_per_mm
    pairs = cKDTree(places).query_pairs(LIKE_MM, output_type="ndarray")
    a, b = which[pairs[:, 0]], which[pairs[:, 1]]
    length, width, turn = (
        finds.stroke[:, STROKE.index(name)].astype(np.float64) for name in ("length", "width", "turn")
    )
    same = np.abs(np.sin(turn[a] - turn[b])) < np.sin(LIKE_TURN)
    same &= np.abs(np.log(width[a] / width[b])) < np.log(LIKE_WIDTH)
    same &= np.abs(np.log(length[a] / length[b])) < np.log(LIKE_LENGTH)
    apart = np.hypot(*(places[pairs[:, 0]] - places[pairs[:, 1]]).T)
    beside, far = np.zeros_like(like), np.zeros_like(like)
    for one in (a, b):
        np.add.at(far, one[same], 1)
        np.add.at(beside, one[same & (apart < BESIDE_MM)], 1)
    return np.where((beside > 0) | (far >= LIKE), far, 0)


def _many(finds: Finds, thin: Mask, px_per_mm: float) -> Mask:
    """(n,) where more thin marks lie than dust would: somebody drew a texture of them."""
    places = np.stack([finds.row, finds.col], axis=1).astype(np.float64) / px_per_mm
    many = np.zeros(len(thin), bool)
    if thin.any():
        count = cKDTree(places[thin]).query_ball_point(places[thin], TEXTURE_MM, return_length=True)
        many[thin] = np.asarray(count) > TEXTURE
    return many


def _disc(reach: int) -> NDArray[np.uint8]:
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1)), np.uint8)
