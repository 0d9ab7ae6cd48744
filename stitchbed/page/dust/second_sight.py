"""I ask another scan of the same sheet which marks it shows too: what only one scan has is dust.

In: two pages of one sheet, finds of the first. Out: for each find, whether the other scan shows it, does not, or cannot
tell. The other scan may lie shifted or turned; it must be about as fine.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats, Indices
from stitchbed.imaging.box import Box, clipped
from stitchbed.imaging.parallel import in_order
from stitchbed.imaging.reduce import reduction_to, shrunk
from stitchbed.imaging.transforms import moved
from stitchbed.page.dust.candidates import Scale
from stitchbed.page.dust.finds import GRAY, HOLE, Finds
from stitchbed.page.dust.sweep import LOOK_DPI
from stitchbed.page.ground import Ground, relative
from stitchbed.page.ink import amount
from stitchbed.page.page import luminance

NEAR_MM = 0.12  # a mark may lie so far off: beds bend, dots spread
ABSENT, THERE = 0.35, 0.6  # of the mark's own strength
TOGETHER = 640  # px at LOOK_DPI looked at once
FURTHEST_MM, ALIKE = 0.6, 0.5  # that a block is shifted against the rest, and the response from which that is believed
UNKNOWN, SHOWN, MISSING = 0, 1, 2
PART = 3  # about half of it is there: dust that touches a drawn dot is so, and one scan alone must not take both
# a mark beside other ink
AROUND = 6  # times the farthest shift: how much round a mark is looked at
SOFT = 0.5  # of the farthest shift: one sd both are blurred by, for scans differ in sharpness and by parts of a pixel
NEAR = 0.15  # of the mark's own strength, squared and summed: less ink beside it tells no shift
STRONG = 0.35  # of the mark's darkest: paler ink so near would not seem to be the mark
JOINED = 0.6  # of the mark's darkest: ink that touches it and is darker may go on into it, and it is a stroke's end
EXPLAINED = 0.25  # of the squares of the ink beside a mark that may be left: more, and the scans do not fit there
AS_WELL = 1.5  # times what the best shift leaves
LONELY = 0.2  # of the mark's own, softened: so little ink from beside it does not darken where it lies
# of the mark's own, and of the squares of what lies beside it: less held there, and less left over, and a mark is
# lacking though it touches a stroke. Of 27,792 finds on ink on 41 pages at 300 dpi, none had so little of both
LACKING, PLAIN = 0.2, 0.1
NOTHING = 0.2  # of the mark's own, made as sharp as each other: whatever softening brings up to it is a stroke
PALER = 0.5  # of the stroke's darkest; the tip of a stroke, that another scan blurs away, is darker
PLAINEST = 0.05  # the same, from which on a stroke's ink so near may be as dark as it will
MOST_SOFTER, LEAST_SOFTER, HALVINGS = 3.0, 0.25, 6  # px by which one scan may be less sharp; steps of the search


@dataclass(frozen=True)
class Second:
    """ground : the other scan. other_from_page : 3x3 px. black : light of its ink relative to its paper."""

    ground: Ground
    other_from_page: Array
    black: float


def shown_there(
    ground: Ground, finds: Finds, second: Second, black: float, scale: Scale, *, workers: int = 1
) -> NDArray[np.int8]:
    """(n,) UNKNOWN, SHOWN, MISSING or PART in the second scan. black : of the page's own ink."""
    told = np.zeros(len(finds.kind), np.int8)
    if not len(told):
        return told
    cells = np.stack([finds.row, finds.col], axis=1).astype(np.int64) // TOGETHER
    order, start = np.unique(cells, axis=0, return_inverse=True)
    groups = [np.flatnonzero(start.ravel() == n) for n in range(len(order))]
    by = np.argsort(finds.owner, kind="stable")
    starts = np.searchsorted(finds.owner, np.arange(len(told) + 1), sorter=by)

    def work(group: Indices) -> NDArray[np.int8]:
        pixels = [by[starts[n] : starts[n + 1]] for n in group.tolist()]
        return _told(ground, finds, second, (group, pixels), black, scale)

    for group, part in zip(groups, in_order(work, groups, workers), strict=True):
        told[group] = part
    return told


def _told(
    ground: Ground, finds: Finds, second: Second, chosen: tuple[Indices, list[Indices]], black: float, scale: Scale
) -> NDArray[np.int8]:
    """What the second scan says of the finds of one block."""
    group, pixels = chosen
    factor = reduction_to(ground.page.dpi, LOOK_DPI)
    reach = max(2, round(NEAR_MM * scale.px_per_mm))
    whole = np.concatenate(pixels)
    rows, cols = finds.rows[whole], finds.cols[whole]
    room = (AROUND + 1) * reach
    box = Box(int(rows.min()) - room, int(cols.min()) - room,
              int(np.ptp(rows)) + 2 * room + 1, int(np.ptp(cols)) + 2 * room + 1)  # fmt: skip
    here = _ink(ground, box, factor, black)
    there, known = _moved_ink(second, box, factor)
    there, known = _aligned(here, there, known, FURTHEST_MM * scale.px_per_mm)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1,) * 2)
    # scans differ in sharpness, and a dot of a pixel in how dark it then is: compared as they are, and softened alike
    soft_here, soft_there = (cv2.GaussianBlur(ink, (0, 0), SOFT * reach) for ink in (here, there))
    softer = evenly_soft(soft_here, soft_there, known)
    looks = [(here, there)]
    for one, other in ((soft_here, soft_there), (here, there)):
        looks.append((_blurred(one, softer[0]), _blurred(other, softer[1])))
    extremes = [(mine, cv2.dilate(ink, disc), 1 - cv2.erode(ink, disc)) for mine, ink in looks]
    spread = cv2.dilate(there, np.ones((3, 3), np.uint8))
    sure = cv2.erode(known, disc)
    told = np.zeros(len(group), np.int8)
    for n, (find, own) in enumerate(zip(group.tolist(), pixels, strict=True)):
        r, c = finds.rows[own] - box.row, finds.cols[own] - box.col
        if not sure[r, c].all():
            continue
        hole = finds.kind[find] == HOLE
        sharp, soft, even = (_share(look, r, c, hole=hole) for look in extremes)
        beside = None
        if max(sharp, even) < NOTHING:
            soft = min(soft, max(sharp, even))
        if max(sharp, soft) >= ABSENT and finds.kind[find] not in (HOLE, GRAY):
            beside = _best_held((here, there), (r, c), reach, softer)  # a stroke beside it is not the mark
        theirs = _believed(sharp, soft, beside)
        told[n] = UNKNOWN if theirs is None else MISSING if theirs < ABSENT else SHOWN if theirs > THERE else UNKNOWN
        if told[n] == SHOWN or hole or _plainly_lacking(beside):
            continue
        if _in_part(here, spread, r, c) >= ABSENT:
            told[n] = SHOWN if told[n] == MISSING else PART  # what is taken would be dust and a drawn dot
    return told


@dataclass(frozen=True)
class Beside:
    """What the ink round a mark says of it. share : of its ink that the other scan holds, 0..1 and more.

    most : of its darkest, what the other scan holds anywhere in it. left_over : of the squares of the ink round it,
    what the best shift leaves. reaches : how far that ink, softened, comes up to the mark's own. apart : there is
    enough of it, none that the mark may go on into, and the scans fit there. paler : than a stroke beside it by so
    much that it is no end of that.
    """

    share: float
    most: float
    left_over: float
    reaches: float
    apart: bool
    paler: bool


def held_there(
    here: Floats,
    there: Floats,
    own: tuple[NDArray[np.int32], NDArray[np.int32]],
    reach: int,
    softer: tuple[float, float] = (0.0, 0.0),
) -> Beside | None:
    """How much of a mark's ink `there` holds; None where the pictures end too near, or nothing lies round it.

    What lies round the mark says how the scans are shifted just there. Of all shifts that explain it about as well as
    the best, the one that finds most of the mark is believed: what is drawn must not be missed.

    here, there : (h, w) ink, `there` off by at most `reach` px. own : rows and columns of the mark. softer : px,
    by which each is blurred more, so that both are as sharp.
    """
    rows, cols = own
    margin = AROUND * reach
    top, left = int(rows.min()) - margin, int(cols.min()) - margin
    high, wide = int(np.ptp(rows)) + 2 * margin + 1, int(np.ptp(cols)) + 2 * margin + 1
    if min(top, left) < reach or top + high + reach > here.shape[0] or left + wide + reach > here.shape[1]:
        return None
    patch = here[top : top + high, left : left + wide].astype(np.float64)
    mine = np.zeros(patch.shape, np.uint8)
    mine[rows - top, cols - left] = 1
    mark, rest = np.where(mine > 0, patch, 0), np.where(mine > 0, 0, patch)
    close, touching, near = (
        cv2.dilate(mine, np.ones((n,) * 2, np.uint8)) > 0 for n in (4 * reach + 1, 3, 2 * reach + 1)
    )
    paler = mark.max() < PALER * rest[close].max(initial=0)
    apart = rest[close].max(initial=0) >= STRONG * mark.max() and rest[touching].max(initial=0) < JOINED * mark.max()
    core = mark >= 0.7 * mark.max()
    mine_soft, theirs_soft = (float(np.hypot(SOFT * reach, more)) for more in softer)
    mark, rest = (cv2.GaussianBlur(one, (0, 0), mine_soft) for one in (mark, rest))
    energy, beside = float((mark**2).sum()), float((rest[~near] ** 2).sum())
    if energy <= 0 or beside <= 0:
        return None
    reaches = float(cv2.dilate(rest, np.ones((2 * reach + 1,) * 2, np.uint8))[core].max() / mark[core].max())
    around = there[top - reach : top + high + reach, left - reach : left + wide + reach]
    lying = cv2.GaussianBlur(around.astype(np.float64), (0, 0), theirs_soft)
    own_there, darkest = mine > 0, float(mark.max())
    left_over, share, most = [], [], []
    for dy in range(-reach, reach + 1):
        for dx in range(-reach, reach + 1):
            theirs = lying[reach + dy : reach + dy + high, reach + dx : reach + dx + wide]
            more = theirs - rest
            left_over.append(float((more[~near] ** 2).sum()))
            share.append(float((more * mark).sum()) / energy)
            most.append(float(more[own_there].max()) / darkest)
    least = min(left_over)
    as_well = [n for n, rest_of in enumerate(left_over) if rest_of <= AS_WELL * least]
    held, darkest_held = (max(values[n] for n in as_well) for values in (share, most))
    apart = apart and beside >= NEAR * energy and least <= EXPLAINED * beside
    return Beside(held, darkest_held, least / beside, reaches, apart, bool(paler))


def _best_held(
    looks: tuple[Floats, Floats], own: tuple[NDArray[np.int32], NDArray[np.int32]], reach: int,
    softer: tuple[float, float],
) -> Beside | None:  # fmt: skip
    """`held_there` of the scans as they are, or made as sharp as each other, whichever explains more."""
    tried = [held_there(*looks, own, reach, more) for more in dict.fromkeys(((0.0, 0.0), softer))]
    return min((one for one in tried if one is not None), key=lambda one: one.left_over, default=None)


def evenly_soft(here: Floats, there: Floats, known: Floats) -> tuple[float, float]:
    """Px, one sd, by which each of two pictures of ink is to be blurred so that both are as sharp; one of them is 0.

    How steep a picture is in sum does not change where it is shifted. here, there, known : (h, w), the latter 1 where
    both show the sheet.
    """
    steep_here, steep_there = (_steepness(ink, known) for ink in (here, there))
    sharper, least = (here, steep_there) if steep_here > steep_there else (there, steep_here)
    low, high = 0.0, MOST_SOFTER
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        still = _steepness(cv2.GaussianBlur(sharper, (0, 0), middle), known) > least
        low, high = (middle, high) if still else (low, middle)
    more = (low + high) / 2 if high > LEAST_SOFTER else 0.0
    return (more, 0.0) if steep_here > steep_there else (0.0, more)


def _blurred(ink: Floats, sd: float) -> Floats:
    return np.asarray(cv2.GaussianBlur(ink, (0, 0), sd), np.float32) if sd > 0 else ink


def _steepness(ink: Floats, known: Floats) -> float:
    """How steep ink is in sum, for its darkness: a scan whose black is not quite met is not less sharp."""
    across, down = (cv2.Sobel(ink, cv2.CV_32F, dx, 1 - dx, ksize=3) for dx in (1, 0))
    return float(((across**2 + down**2) * known).sum()) / max(float((ink**2 * known).sum()), 1e-6)


def _believed(sharp: float, soft: float, beside: Beside | None) -> float | None:
    """Share of a mark's ink that the other scan shows; None where that cannot be told.

    sharp, soft : the darkest of it near, of the mark's own, as the scans are and softened alike.
    """
    if max(sharp, soft) < ABSENT or beside is None:
        return max(sharp, soft)
    if beside.apart:
        return beside.share
    if beside.reaches <= LONELY:
        return max(sharp, soft, beside.share)
    # softened, a stroke beside a small mark is darker than the mark: only what the stroke leaves tells
    if _plainly_lacking(beside):
        return max(beside.share, beside.most)
    if sharp < THERE and beside.share <= LACKING and beside.left_over <= PLAIN:
        return beside.share
    if sharp >= ABSENT:
        return sharp
    return max(sharp, beside.share) if beside.left_over <= EXPLAINED else None


def _plainly_lacking(beside: Beside | None) -> bool:
    """Whether the ink round a mark explains all that the other scan shows there, however dark that is."""
    return (
        beside is not None
        and beside.paler
        and max(beside.share, beside.most) <= LACKING
        and beside.left_over <= PLAINEST
    )


def _in_part(here: Floats, there: Floats, r: NDArray[np.int32], c: NDArray[np.int32]) -> float:
    """The darkest that both scans show at one place of a mark, of the mark's own darkest."""
    mine = here[r, c]
    return float(np.minimum(mine, there[r, c]).max()) / max(float(mine.max()), 1e-3)


def _share(look: tuple[Floats, Floats, Floats], r: NDArray[np.int32], c: NDArray[np.int32], *, hole: bool) -> float:
    """Of a mark's own strength, what the other scan shows near. look : ink here; darkest and lightest near there."""
    here, darkest, lightest = look
    mine = (1 - here[r, c]) if hole else here[r, c]
    strong = mine >= 0.7 * mine.max()
    return float((lightest if hole else darkest)[r, c][strong].max()) / max(float(mine.max()), 1e-3)


def _ink(ground: Ground, box: Box, factor: int, black: float) -> Floats:
    """(h, w) ink of a box given in px of `factor` page px."""
    full = Box(box.row * factor, box.col * factor, box.height * factor, box.width * factor)
    return amount(luminance(shrunk(relative(ground, full), factor)), black)


def _moved_ink(second: Second, box: Box, factor: int) -> tuple[Floats, Floats]:
    """(h, w) ink of the second scan as it lies under `box`, and 1 where that scan shows it."""
    own = reduction_to(second.ground.page.dpi, LOOK_DPI)
    shrink = [np.array([[f, 0, (f - 1) / 2], [0, f, (f - 1) / 2], [0, 0, 1.0]]) for f in (factor, own)]
    other_from_box = np.linalg.inv(shrink[1]) @ second.other_from_page @ shrink[0] @ _shift(box.col, box.row)
    corners = np.array([(0, 0), (box.width, 0), (0, box.height), (box.width, box.height)], np.float64)
    at = moved(other_from_box, corners)
    low, high = np.floor(at.min(axis=0)).astype(int) - 3, np.ceil(at.max(axis=0)).astype(int) + 4
    around = Box(int(low[1]), int(low[0]), int(high[1] - low[1]), int(high[0] - low[0]))
    page = second.ground.page
    inside = clipped(around, Box(0, 0, page.height // own, page.width // own))
    size = (box.width, box.height)
    if inside.empty:
        return np.zeros(size[::-1], np.float32), np.zeros(size[::-1], np.float32)
    ink = _ink(second.ground, inside, own, second.black)
    matrix = np.linalg.inv(_shift(inside.col, inside.row)) @ other_from_box
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    there = cv2.warpPerspective(ink, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    known = cv2.warpPerspective(np.ones_like(ink), matrix, size, flags=flags, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(there, np.float32), np.asarray(known > 0.99, np.float32)


def _aligned(here: Floats, there: Floats, known: Floats, furthest: float) -> tuple[Floats, Floats]:
    """`there` and `known` shifted by what the block as a whole lies off, where it shows enough to tell."""
    window = cv2.createHanningWindow(here.shape[::-1], cv2.CV_32F)
    (dx, dy), response = cv2.phaseCorrelate(np.clip(here, 0, 1), np.clip(there, 0, 1), window)
    if response < ALIKE or np.hypot(dx, dy) > furthest:
        return there, known
    matrix = np.array([[1, 0, dx], [0, 1, dy]], np.float64)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size = here.shape[::-1]
    shifted = cv2.warpAffine(there, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    sure = cv2.warpAffine(known, matrix, size, flags=flags, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(shifted, np.float32), np.asarray(sure > 0.99, np.float32)


def _shift(x: float, y: float) -> Array:
    return np.array([[1, 0, x], [0, 1, y], [0, 0, 1]], np.float64)
