"""I follow small patches from one scan to its neighbor and say how their way along the bed differs.

In: two looks and the motion between them. Out: where patches lie in both, the relative stretch along both axes, jumps;
without a motion, how little two scans share along a side.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.imaging.box import Box
from stitchbed.imaging.transforms import inverse, moved
from stitchbed.inspection.looks import Glance
from stitchbed.matching.laid_over import unseen_ends
from stitchbed.matching.robust import robust_spread

PATCH, STEP = 40, 30  # view px a side, and from patch to patch
SEARCH_SHARE = (
    0.014  # of the view's long side a patch may be away: a stretch of 1 % over an A4 piece, or a jump, and more
)
MOST_PATCHES = 70
LEAST_CONTRAST = 5.0  # gray levels
LIKE = 0.75  # correlation of a patch found again
ONE_PLACE = 3  # view px about where a patch is found ...
PLACE_LEAST, PLACE_NOISE = 0.002, 0.25  # ... and by how much it is less like all others, at least; of what noise takes
NEAR, FAR = 45, 220  # view px between two patches whose shifts give a slope: far apart, but seldom over a jump
GOES_ON = 0.3  # of the slope over a long way that shows nearby too, at least: it is no jump's
LITTLE = 0.002  # of a slope nearby that is next to none
SURE_SLOPE = 0.001  # standard error of a slope that is believed
LEAST_WAY = 140  # view px of an overlap along which a jump is sought
LEAST_PATCHES = 8
LEAST_BESIDE, ALIKE_PX = 3, 0.4  # patches on each side of a jump; view px by which so few may differ
JUMP_PX = 1.0  # view px
LOST_PX, ONE_LEVEL = 3.0, 0.75  # view px; share of the patches of a side
OTHER_LEVEL = 0.12  # share of the patches of a side that lie where the other side does
BESIDE, AT_ONCE = 5, 0.6  # patches on each side of a jump; share of its height between these
WAVE_WAY = 150  # view px on each side of a jump over which a wave of the head is about straight
JUMP_FIT = 0.55  # of what a straight line leaves: a step has to explain the shifts clearly better
STRIP, STRIPS = 48, (24, 14)  # view px along and across a side: patches of what is shared where it is little, and less
STRIP_SHARE, STRIP_SLIP = 0.09, 0.15  # of the long side: what may be shared, and slipped along the side
STRIP_TURN, STRIP_NEAR = 0.04, 2.0  # rad between two scans laid down alike; view px of patches that agree
STRIP_LEAST, STRIP_MOST = 4, 0.3  # patches that must agree, and their share: chance brings two


@dataclass(frozen=True)
class Overlay:
    """Two views on each other where they may both be seen: gray (h, w) of a, and of b laid on it; `both` where both
    are. corner : (row, col) in the view of a.
    """

    a: Floats
    b: Floats
    both: Mask
    corner: tuple[int, int] = (0, 0)


@dataclass(frozen=True)
class Course:
    """How b lies on a. stretch : (2,) relative size of b over a along a's x and y, 0 alike, NaN unknown. jumps : (row
    in a, row in b, px) of steps along the travel, px of full resolution. spans : rows (first, last) patches were found
    in, of a and of b, but for the few at both ends that tell no jump. ways : px of a over which they were found along
    its x, along its y. slips : (N, 3) row in a, row in b of each patch, px that it lies off along a's y.
    """

    a: int
    b: int
    stretch: Array
    jumps: tuple[tuple[float, float, float], ...]
    spans: tuple[tuple[float, float], tuple[float, float]]
    ways: tuple[float, float] = (math.inf, math.inf)
    slips: Array = field(default_factory=lambda: np.zeros((0, 3)))


def overlay(a: Glance, b: Glance, b_from_a: Array) -> Overlay:
    """b's view on a's."""
    inside = np.where(unseen_ends(b.gray), 0, 255).astype(np.uint8)
    whole = view_motion(a, b, b_from_a)
    part = _reached(whole, a.gray.shape, b.gray.shape)
    motion = (whole @ np.array([[1, 0, part.col], [0, 1, part.row], [0, 0, 1.0]]))[:2]
    size = part.width, part.height
    fine, plain = (kernel | cv2.WARP_INVERSE_MAP for kernel in (cv2.INTER_CUBIC, cv2.INTER_LINEAR))
    there = cv2.warpAffine(b.gray.astype(np.float32), motion, size, flags=fine, borderMode=cv2.BORDER_REPLICATE)
    both = cv2.warpAffine(inside, motion, size, flags=plain) == 255
    both &= ~unseen_ends(a.gray)[part.slices]
    own = a.gray[part.slices].astype(np.float32)
    return Overlay(own, np.asarray(there, np.float32), both, (part.row, part.col))


def _reached(motion: Array, own: tuple[int, ...], other: tuple[int, ...]) -> Box:
    """The part of a view of shape `own` that one of shape `other` may reach, from a multiple of STEP on: patches lie on
    one grid whatever is reached."""
    corners = np.array([[x, y] for y in (-0.5, other[0] - 0.5) for x in (-0.5, other[1] - 0.5)])
    at = moved(inverse(motion), corners)
    low, high = np.floor(at.min(0) / STEP).astype(int) * STEP, np.ceil(at.max(0)).astype(int) + 2
    col, row = (min(max(0, int(first)), (side - 1) // STEP * STEP) for first, side in zip(low, own[1::-1], strict=True))
    right, bottom = (min(max(int(last), 0), side) for last, side in zip(high, own[1::-1], strict=True))
    return Box(row, col, max(1, bottom - row), max(1, right - col))


def course_of(
    looks: Sequence[Glance], pair: tuple[int, int], b_from_a: Array, ratio: float, laid: Overlay | None = None
) -> Course:
    """The course of a pair. ratio : size of b's pixels on a's by their dpi. laid : the looks on each other, where
    known."""
    a, b = looks[pair[0]], looks[pair[1]]
    laid = laid or overlay(a, b, b_from_a)
    places, shifts = _shifts(laid, max(4, round(SEARCH_SHARE * max(a.gray.shape))))
    places += laid.corner[::-1]
    size = float(np.hypot(b_from_a[0, 0], b_from_a[1, 0])) / ratio
    unknown = ((0.0, 0.0), (0.0, 0.0))
    if len(places) < LEAST_PATCHES or abs(b_from_a[1, 0]) > 0.3 * abs(b_from_a[0, 0]):
        return Course(*pair, np.full(2, np.nan), (), unknown)
    stretch = np.array([_sure_slope(places[:, axis], shifts[:, axis]) for axis in (0, 1)]) + size - 1
    full = (places + 0.5) * a.reduction - 0.5
    there = moved(b_from_a, full)
    spans = tuple(_told_rows(rows) for rows in (full[:, 1], there[:, 1]))
    jump = _jump(places[:, 1], shifts[:, 1])
    jumps: tuple[tuple[float, float, float], ...] = ()
    if jump is not None:
        row = (jump[0] + 0.5) * a.reduction - 0.5
        middle = np.array([[float(np.median(full[:, 0])), row]])
        jumps = ((row, float(moved(b_from_a, middle)[0, 1]), jump[1] * a.reduction),)
    across, along = (float(reach) for reach in np.ptp(full, axis=0))
    slips = np.column_stack([full[:, 1], there[:, 1], shifts[:, 1] * a.reduction])
    return Course(*pair, stretch, jumps, (spans[0], spans[1]), (across, along), slips)


def _told_rows(rows: Array) -> tuple[float, float]:
    """Rows (first, last) between which enough patches lie on both sides to tell a jump."""
    ordered = np.sort(rows)
    return float(ordered[LEAST_BESIDE - 1]), float(ordered[-LEAST_BESIDE])


def view_motion(a: Glance, b: Glance, b_from_a: Array) -> Array:
    """3x3 from px of a's view to px of b's; pixel centers at whole numbers."""
    up = np.array([[a.reduction, 0, (a.reduction - 1) / 2], [0, a.reduction, (a.reduction - 1) / 2], [0, 0, 1]])
    down = np.array([[b.reduction, 0, (b.reduction - 1) / 2], [0, b.reduction, (b.reduction - 1) / 2], [0, 0, 1]])
    return np.asarray(np.linalg.inv(down) @ b_from_a @ up, np.float64)


def _shifts(laid: Overlay, reach: int) -> tuple[Array, Array]:
    """Middles (N, 2) of patches in a's view and where b shows them, less where it should, px of a's view."""
    corners = _corners(laid, reach)
    places, shifts = [], []
    for row, col in corners:
        patch = laid.a[row : row + PATCH, col : col + PATCH]
        around = laid.b[row - reach : row + PATCH + reach, col - reach : col + PATCH + reach]
        likeness = cv2.matchTemplate(around, patch, cv2.TM_CCOEFF_NORMED)
        at = np.unravel_index(int(likeness.argmax()), likeness.shape)
        if likeness[at] > LIKE and all(0 < index < 2 * reach for index in at) and _one_place(likeness, at):
            fine = [_peak(line, int(index)) for line, index in ((likeness[at[0]], at[1]), (likeness[:, at[1]], at[0]))]
            places.append((col + (PATCH - 1) / 2, row + (PATCH - 1) / 2))
            shifts.append((fine[0] - reach, fine[1] - reach))
    return np.array(places, np.float64).reshape(-1, 2), np.array(shifts, np.float64).reshape(-1, 2)


def _one_place(likeness: NDArray[np.float32], at: tuple[np.intp, ...]) -> bool:
    """True where a patch is like one place only: along a straight line it is as like all others, but for noise."""
    best = float(likeness[at])
    others = likeness.copy()
    others[tuple(slice(max(0, index - ONE_PLACE), index + ONE_PLACE + 1) for index in at)] = -1
    return best - float(others.max()) > PLACE_LEAST + PLACE_NOISE * (1 - best)


def _corners(laid: Overlay, reach: int) -> list[tuple[int, int]]:
    """Corners (row, col) of the patches with most contrast that lie, with their search, where both are seen."""
    side = PATCH + 2 * reach
    found = []
    for row in range(reach, laid.a.shape[0] - PATCH - reach, STEP):
        for col in range(reach, laid.a.shape[1] - PATCH - reach, STEP):
            patch = laid.a[row : row + PATCH, col : col + PATCH]
            seen = laid.both[row - reach : row - reach + side, col - reach : col - reach + side].all()
            if seen and cv2.meanStdDev(patch)[1][0, 0] > LEAST_CONTRAST:
                found.append((row, col))
    # an even choice along the overlap: what is drawn strongest in one place says nothing of the rest
    step = max(1, -(-len(found) // MOST_PATCHES))
    return found[::step]


def _peak(line: NDArray[np.float32], at: int) -> float:
    """Place of a maximum between samples, by a parabola through three."""
    left, middle, right = (float(value) for value in line[at - 1 : at + 2])
    bend = left - 2 * middle + right
    return at + (0.5 * (left - right) / bend if bend < 0 else 0.0)


def _slope(at: Array, value: Array, near: float = NEAR, far: float = FAR) -> float:
    """Median of the slopes between pairs (Theil-Sen), NaN over too short a way. near, far : between which they lie from
    each other. Reference: Sen (1968), doi 10.1080/01621459.1968.10480934.
    """
    run = at[:, None] - at[None]
    apart = (run > near) & (run < far)
    if apart.sum() < LEAST_PATCHES:
        return float("nan")
    return float(np.median((value[:, None] - value[None])[apart] / run[apart]))


def _sure_slope(at: Array, value: Array) -> float:
    """Slope over a way, NaN where its error is more than SURE_SLOPE: a few patches of a corner tell no stretch."""
    slope = _slope_of_all(at, value)
    error = robust_spread(value - slope * at) / max(1e-9, float(at.std()) * math.sqrt(len(at)))
    return slope if error < SURE_SLOPE else float("nan")


def _slope_of_all(at: Array, value: Array) -> float:
    """Slope over the whole way, where that is long: a wave of the head is steep for a part of it. What is far apart may
    have a jump between: where next to none shows nearby, the lesser of both counts; NaN where some does, but far less,
    as on both sides of a bare place, where a wave of the head may be what shows.
    """
    near, whole = _slope(at, value), _slope(at, value, max(FAR, float(np.ptp(at)) / 2), math.inf)
    if math.isnan(near) or math.isnan(whole):
        return near
    share = near / whole if whole else 0.0
    if share > GOES_ON or share <= 0:
        return whole if share > 0 else 0.0
    return near if abs(near) < LITTLE else float("nan")


def _jump(at: Array, value: Array) -> tuple[float, float] | None:
    """(place, height) of a step in values along a way; None where a straight line explains them about as well, or where
    they pass over from one side to the other little by little.
    """
    order = np.argsort(at, kind="stable")
    at, value = at[order], value[order]
    if np.ptp(at) < LEAST_WAY:
        return None
    straight = _off(value - np.polyval(np.polyfit(at, value, 1), at))
    best = None
    for split in range(LEAST_BESIDE, len(at) - LEAST_BESIDE + 1):
        if at[split - 1] == at[split]:
            continue
        slope = _slope_beside(at, value, split)
        if math.isnan(slope):  # too few patches are far enough from each other
            continue
        level = value - slope * at
        if not (_agree(level[:split]) and _agree(level[split:])):
            continue
        before, after = float(np.median(level[:split])), float(np.median(level[split:]))
        left = _off(np.concatenate([level[:split] - before, level[split:] - after]))
        if best is None or left < best[0]:
            best = (left, split, after - before, level)
    if best is None or abs(best[2]) < JUMP_PX or best[0] > JUMP_FIT * straight:
        return None
    _, split, height, level = best
    sides = level[:split], level[split:]
    if not all(_of_one_level(side, abs(height) / 2) for side in sides) or _both_ways(sides, abs(height)):
        return None
    near = float(np.median(level[split : split + BESIDE]) - np.median(level[max(0, split - BESIDE) : split]))
    place = float((at[split - 1] + at[split]) / 2)
    at_once = min(near / height, _between(at - place, value, split) / height)
    return (place, near) if at_once > AT_ONCE else None


def _between(at: Array, value: Array, split: int) -> float:
    """Height of a step at 0 between what the values on each side of it lead to: a wave of the head, however high, leads
    from one side to the other."""
    before, after = (_led_to(at[side], value[side]) for side in (slice(0, split), slice(split, None)))
    return after - before


def _led_to(at: Array, value: Array) -> float:
    """Where the values near 0 lead to at 0; their middle where too few tell."""
    away = np.abs(at)
    near = away <= max(WAVE_WAY, float(np.sort(away)[LEAST_BESIDE - 1]))
    slope = _slope(at[near], value[near])
    return float(np.median(value[near] - (0.0 if math.isnan(slope) else slope) * at[near]))


def _slope_beside(at: Array, value: Array, split: int) -> float:
    """Slope of values along a sorted way but for a step before number `split`, NaN where too little tells."""
    run = at[:, None] - at[None]
    one_side = (np.arange(len(at)) < split)[:, None] == (np.arange(len(at)) < split)[None]
    apart = (run > NEAR) & (run < FAR) & one_side
    if apart.sum() < LEAST_PATCHES:
        return _slope(at, value)
    return float(np.median((value[:, None] - value[None])[apart] / run[apart]))


def _of_one_level(values: Array, near: float) -> bool:
    """True where most patches lie nearer to their own side's level than to the other's: those in a printed screen lie
    now on one of its dots and now on the next."""
    return bool((np.abs(values - np.median(values)) < near).mean() > ONE_LEVEL)


def _both_ways(sides: tuple[Array, Array], height: float) -> bool:
    """True where some patches of a side lie just where most of the other one do: these are two ways to lay a screen or
    a motif that comes again on itself, and no jump between them."""
    levels = [float(np.median(side)) for side in sides]
    others = zip(sides, reversed(levels), strict=True)
    return any(float((np.abs(side - other) < height / 4).mean()) > OTHER_LEVEL for side, other in others)


def _off(values: Array) -> float:
    """How far patches lie off, on the whole; one that took a motif which comes again for its own counts no more than
    one that is LOST_PX off."""
    return float(np.minimum(np.abs(values), LOST_PX).mean())


def _agree(values: Array) -> bool:
    """True for many patches, and for few that are as one."""
    return len(values) > LEAST_BESIDE or float(np.ptp(values)) < ALIKE_PX


def thin_shared(a: Glance, b: Glance) -> float | None:
    """How wide a strip (px of a) two scans of one dpi share along a side where it is too narrow for a link, b as it is
    or upside down; None where nothing is found.
    """
    found = []
    for half in (0, 2):
        for side in range(4):
            ways = [np.ascontiguousarray(way) for way in (np.rot90(a.gray, side), np.rot90(b.gray, side + half))]
            strips = (_strip(ways[0], ways[1], wide) for wide in STRIPS)
            found += [strip for strip in strips if strip is not None][:1]
    return max(found)[1] * a.reduction if found else None


def _strip(a: NDArray[np.uint8], b: NDArray[np.uint8], wide: int) -> tuple[int, float] | None:
    """(patches that agree, width px) of what the right side of one view and the left side of another share, by patches
    so many px wide."""
    tall = STRIP
    slip, reach = (round(share * max(a.shape)) for share in (STRIP_SLIP, STRIP_SHARE))
    tried, found = 0, []
    for row in range(0, min(a.shape[0], b.shape[0]) - tall, tall):
        patch = a[row : row + tall, -wide:]
        if patch.std() > LEAST_CONTRAST:
            tried += 1
            top = max(0, row - slip)
            likeness = cv2.matchTemplate(b[top : row + tall + slip, :reach], patch, cv2.TM_CCOEFF_NORMED)
            at = np.unravel_index(int(likeness.argmax()), likeness.shape)
            if likeness[at] > LIKE:
                found.append((row, at[1] + wide, at[0] + top - row))
    agree = _in_line(np.array(found, np.float64).reshape(-1, 3))
    if len(agree) < max(STRIP_LEAST, STRIP_MOST * tried):
        return None
    return len(agree), float(np.median(agree[:, 1]))


def _in_line(found: Array) -> Array:
    """Those of (row, width, slip) that one small turn and one slip explain, as many as agree."""
    best = found[:0]
    for row, width, slip in found:
        run = found[:, 0] - row
        slopes = (found[:, 1] - width) / np.where(run == 0, np.inf, run)
        for slope in slopes[np.abs(slopes) < STRIP_TURN]:
            off = np.abs(found[:, 1] - width - slope * run), np.abs(found[:, 2] - slip)
            agree = found[np.maximum(*off) <= STRIP_NEAR]
            best = agree if len(agree) > len(best) else best
    return best
