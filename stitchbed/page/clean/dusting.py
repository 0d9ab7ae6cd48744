"""I do the dust step of a clean-up: find specks, leave what is excepted, mend the rest, and tell what was doubtful.

In: what was seen of the page, a plan, settings. Out: the plan with its dust; numbers, places and pictures of it.

Places are mm from the top left of the clean page, as everywhere, so that what is read in the record can be said again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Mask
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.core.record import Record
from stitchbed.imaging.box import Box, clipped
from stitchbed.imaging.gray import least_of
from stitchbed.imaging.reduce import reduction_to
from stitchbed.imaging.transforms import moved
from stitchbed.page.clean.context import CleanContext
from stitchbed.page.clean.other_scan import laid_over, spread_mm
from stitchbed.page.clean.paper_doubts import lighter_near
from stitchbed.page.clean.pictures import show_places, show_step, write_mask
from stitchbed.page.clean.plan import CleanPlan, ground_of
from stitchbed.page.dust.candidates import Scale
from stitchbed.page.dust.classify import LEARNED_MM, DustSettings, asked, believed, judged
from stitchbed.page.dust.finds import ALONE, FIBER, GRAY, HOLE, Finds
from stitchbed.page.dust.second_sight import MISSING, PART, SHOWN, UNKNOWN, Second, shown_there
from stitchbed.page.dust.seen_twice import pieces_of, seen_twice
from stitchbed.page.dust.sweep import LOOK_DPI, dust_map, ink_of, sweep, weighed
from stitchbed.page.ground import Ground
from stitchbed.page.ink import InkTraits
from stitchbed.page.page import Page, page_of
from stitchbed.page.sheet.white import PaperSettings, paper_small, survey
from stitchbed.reading.formats import open_windows

COARSE_DPI = 200.0  # a speck of .1 mm is then .8 px
KINDS = ("alone", "on_strokes", "in_ink", "fibers")
MOSTLY = 0.6  # of a find's pixels
KEEP_MM = 1.0  # round a place to keep; it is read off a picture by hand
LEAST_SECOND, LEAST_PALE = 0.15, 0.08  # of full ink, of light in ink the former; less is the noise of either scan
LISTED, PICTURED = 40, 8  # places told in the record, and shown
FAR_MM = 5.0  # from anything drawn, on pages in pencil or paint
# on pages in pencil or paint: which finds may be taken, from which are near to what is drawn
SOFT_PAGES: dict[str, Callable[[Mask], Mask]] = {
    "careful": np.zeros_like,
    "normal": np.logical_not,
    "eager": np.ones_like,
}
# one sd of where a mark lies in another scan, from which on that scan is not asked; it is looked for within .12 mm
FAR_OFF_MM = 0.06
LOOKED = 24  # places across the page at which that is asked
MARKED, SMALL_MM = 0.015, 1.2  # of the paper's light; a mark no longer than that may be a speck itself


@dataclass(frozen=True)
class Seen:
    """finds of the page; their (n, 2) places mm on the clean page; traits and scale they were judged by.

    twice : (n,) finds two scans showed, or None. near : (n,) nearer than FAR_MM to what is drawn. second : (n,) what
    another scan says of each, `second_sight`; UNKNOWN where none was given. unsure : share of the page where that scan
    cannot be laid over exactly enough to be asked. covered : (n,) finds at chalk or white paint, which ink shows
    through in grays, or None where nothing was asked.
    """

    finds: Finds
    places: Array
    traits: InkTraits
    scale: Scale
    twice: Mask | None
    near: Mask
    second: NDArray[np.int8]
    unsure: float = 0.0
    covered: Mask | None = None


def dust(desk: CleanContext, plan: CleanPlan, settings: DustSettings, record: Record) -> CleanPlan:
    """Find dust and mend it."""
    wish, settings = settings, believed(settings, plan.medium.name)
    seen = _seen(desk, plan, settings)
    left = excepted(seen.places, settings)
    judge = _judged(seen, plan, settings) & ~left
    doubt = _judged(seen, plan, replace(settings, strength="eager")) & ~left & (seen.second != SHOWN)
    doubt &= ~touched(seen.finds, judge)
    light = settings.in_ink or bool((judge & (seen.finds.kind == HOLE)).any())
    found = dust_map(desk.page, seen.finds, judge, in_ink=light)
    after = replace(plan, dust=found if found.count else None)
    record.numbers = _numbers(desk, plan, seen, judge, doubt) | {"excepted": int(left.sum())}
    record.warnings += _warnings(desk, plan, seen, settings) + _too_long(wish, settings)
    _show(desk, (plan, after), seen, judge, doubt)
    if found.count:
        write_mask(desk.album, desk.page, found, plan.frame, workers=desk.workers, progress=desk.progress)
    return after


def excepted(places: Array, settings: DustSettings) -> Mask:
    """(n,) which of (n, 2) places mm lie where the user said to keep what is there."""
    left = np.zeros(len(places), bool)
    for x, y in settings.keep:
        left |= np.hypot(places[:, 0] - x, places[:, 1] - y) <= KEEP_MM
    for x, y, width, height in settings.spare:
        inside = (places >= (x, y)) & (places <= (x + width, y + height))
        left |= inside.all(axis=1)
    return left


def touched(finds: Finds, chosen: Mask) -> Mask:
    """(n,) finds that share a pixel with a chosen one: a gray in a speck goes with it."""
    rows, cols = finds.rows.astype(np.int64), finds.cols.astype(np.int64)
    pixels = rows * (int(cols.max(initial=0)) + 1) + cols
    taken = np.unique(pixels[chosen[finds.owner]])
    if not taken.size:
        return np.zeros(len(finds.kind), bool)
    # few are taken: looked up among them, not sorted together with all others
    shared = taken[np.minimum(np.searchsorted(taken, pixels), taken.size - 1)] == pixels
    return np.bincount(finds.owner[shared], minlength=len(finds.kind)) > 0


def covered_by(finds: Finds, chosen: Mask) -> Mask:
    """(n,) finds most of whose pixels are those of chosen ones."""
    rows, cols = finds.rows.astype(np.int64), finds.cols.astype(np.int64)
    pixels = rows * (int(cols.max(initial=0)) + 1) + cols
    shared = np.isin(pixels, pixels[chosen[finds.owner]])
    count = np.bincount(finds.owner, minlength=len(finds.kind))
    return np.asarray(np.bincount(finds.owner, shared, len(finds.kind)) > MOSTLY * np.maximum(count, 1))


def _seen(desk: CleanContext, plan: CleanPlan, settings: DustSettings) -> Seen:
    page = desk.page
    factor = reduction_to(page.dpi, LOOK_DPI)
    scale = Scale(page.dpi / factor / MM_PER_INCH, settings.largest)
    ground = ground_of(page, plan)
    traits = plan.traits if factor == 1 else ink_of(ground, list(desk.boxes), factor)
    finds = sweep(ground, desk.area, traits, scale, workers=desk.workers, progress=desk.progress)
    small = asked(finds, scale)
    finds = weighed(ground, finds, small, traits, scale, workers=desk.workers, progress=desk.progress)
    x, y = ((at.astype(np.float64) + 0.5) * factor - 0.5 for at in (finds.col, finds.row))
    on_frame = np.stack([x, y, np.ones_like(x)], axis=1) @ np.linalg.inv(plan.frame.page_from_out).T
    places = (on_frame[:, :2] + 0.5) / page.dpi * MM_PER_INCH
    pieces = pieces_of(desk.source)
    twice = seen_twice(pieces, x, y, page.dpi) if pieces else None
    drawn = _drawn(desk, plan)
    rows = np.clip((y / desk.factor).astype(int), 0, drawn.shape[0] - 1)
    cols = np.clip((x / desk.factor).astype(int), 0, drawn.shape[1] - 1)
    second, unsure = _second(desk, ground, (finds, np.stack([x, y], axis=1)), settings, traits, scale)
    lighter = lighter_near(desk, plan)
    return Seen(finds, places, traits, scale, twice, drawn[rows, cols], second, unsure, lighter[rows, cols])


def _second(
    desk: CleanContext,
    ground: Ground,
    placed: tuple[Finds, Array],
    settings: DustSettings,
    traits: InkTraits,
    scale: Scale,
) -> tuple[NDArray[np.int8], float]:
    """(n,) what the other scan says of each find, and the share of the page where it cannot be asked.

    placed : the finds, and (n, 2) px x, y where they lie on the page.

    Raises
    ------
    BadSettings : the other scan is too coarse, or shows another sheet. UnreadableTile : it cannot be read.
    """
    finds, at = placed
    if settings.second is None:
        return np.zeros(len(finds.kind), np.int8), 0.0
    with open_windows(settings.second) as windows:
        other = page_of(windows, dpi=None if windows.raster.dpi else desk.page.dpi)
        laid = laid_over(desk.page, other, name=settings.second.name)
        motion = laid.other_from_page
        theirs = Ground(other, survey(other, other.box, PaperSettings(), workers=desk.workers))
        second = Second(theirs, motion, ink_of(theirs, _boxes_there(desk, other, motion), 1).black)
        told = shown_there(ground, finds, second, traits.black, scale, workers=desk.workers)
    every = np.stack(np.meshgrid(*(np.linspace(0, n - 1, LOOKED) for n in (desk.page.width, desk.page.height))), -1)
    lost, unsure = (spread_mm(laid, xy, desk.page.dpi) > FAR_OFF_MM for xy in (at, every.reshape(-1, 2)))
    return np.where(lost, np.int8(UNKNOWN), told), float(unsure.mean())


def _boxes_there(desk: CleanContext, other: Page, motion: Array) -> list[Box]:
    """The samples that show the page's ink, as they lie in the other scan."""
    found = []
    for box in desk.boxes:
        x, y = moved(motion, np.array([[box.col + box.width / 2, box.row + box.height / 2]]))[0]
        there = Box(round(y - box.height / 2), round(x - box.width / 2), box.height, box.width)
        found.append(clipped(there, other.box))
    return [box for box in found if not box.empty]


def _judged(seen: Seen, plan: CleanPlan, settings: DustSettings) -> Mask:
    dust = judged(seen.finds, seen.traits, seen.scale, settings, twice=seen.twice, medium=plan.medium.name)
    # where nothing is as dark as ink, what is drawn may be as gray as dust
    if plan.medium.name != "ink" or not (seen.traits.found or plan.medium.asked):
        dust = dust & SOFT_PAGES[settings.strength](seen.near)
    if seen.covered is not None and settings.strength != "eager":
        dust = dust & ~seen.covered
    small = seen.finds.extent <= settings.largest
    # what one scan alone shows was not drawn, so that a hair may be longer than a grain
    small |= (seen.finds.kind == FIBER) & (settings.largest >= LEARNED_MM)
    dark = np.isin(seen.finds.kind, (ALONE, FIBER))
    small &= seen.finds.peak > np.where(dark, LEAST_PALE, LEAST_SECOND)
    dust &= (seen.second != SHOWN) & ((seen.second != PART) | (settings.strength == "eager"))
    lacking = (seen.second == MISSING) & small
    # a gray seen in the same pixels is the same speck, with the stroke beside it
    same = (seen.finds.kind == GRAY) & (seen.finds.extent <= settings.largest) & covered_by(seen.finds, lacking)
    return np.asarray(dust | lacking | same)


def _drawn(desk: CleanContext, plan: CleanPlan) -> Mask:
    """(h, w) of the page seen small: within FAR_MM of a mark too long to be a speck."""
    px_per_mm = desk.page.dpi / desk.factor / MM_PER_INCH
    light = least_of(desk.view / paper_small(plan.white, desk.factor, desk.view.shape))
    marked = (light < 1 - MARKED).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(marked, connectivity=8)
    longest = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    large = (longest > SMALL_MM * px_per_mm + 1) & (np.arange(count) > 0)
    side = 2 * round(FAR_MM * px_per_mm) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    return np.asarray(cv2.dilate(large[labels].astype(np.uint8), disc) > 0)


def _numbers(desk: CleanContext, plan: CleanPlan, seen: Seen, judge: Mask, doubt: Mask) -> dict[str, Any]:
    page, finds, count = desk.page, seen.finds, int(judge.sum())
    factor = reduction_to(page.dpi, LOOK_DPI)
    area = desk.area.height * desk.area.width
    kinds = np.bincount(finds.kind[judge], minlength=len(KINDS))
    largest = float(finds.extent[judge].max()) if count else None
    words = f"{count} speck{'' if count == 1 else 's'} taken"
    words += f", the largest {largest:.2f} mm" if largest and count > 1 else f" of {largest:.2f} mm" if largest else ""
    if doubt.any():
        left = "was left: --dust eager takes it too" if doubt.sum() == 1 else "were left: --dust eager takes them too"
        words += f"; {int(doubt.sum())} more may be dust or drawn and {left}"
    return {
        "candidates": len(finds.kind),
        "dust": count,
        **{f"dust_{name}": int(number) for name, number in zip(KINDS, kinds, strict=True)},
        "doubtful": int(doubt.sum()),
        "largest_mm": largest,
        "taken_places": listed_places(seen.places, finds, judge),
        "doubtful_places": listed_places(seen.places, finds, doubt),
        "second_shows": int((seen.second == SHOWN).sum()),
        "second_lacks": int((seen.second == MISSING).sum()),
        "second_unsure_share": seen.unsure,
        "seen_by_two_pieces": int(seen.twice.sum()) if seen.twice is not None else None,
        "dust_per_cm2": count / max(area * (MM_PER_INCH / page.dpi) ** 2 / 100, 1e-9),
        "median_size_mm": float(np.median(finds.size[judge])) if count else None,
        "changed_share": float(judge[finds.owner].sum() * factor**2 / area),
        "blur_px": plan.traits.blur,
        "words": words,
    }


def listed_places(places: Array, finds: Finds, chosen: Mask) -> list[dict[str, float]]:
    """Places mm and sizes of the finds that changed or would change most, those first."""
    return [
        {"x_mm": round(float(places[n, 0]), 2), "y_mm": round(float(places[n, 1]), 2), "size_mm": float(finds.size[n])}
        for n in _first(finds, chosen)[:LISTED]
    ]


def _first(finds: Finds, chosen: Mask) -> list[int]:
    """Numbers of the chosen finds, those with most ink in sum first."""
    which = np.flatnonzero(chosen)
    return [int(n) for n in which[np.argsort(-finds.size[which], kind="stable")]]


def _warnings(desk: CleanContext, plan: CleanPlan, seen: Seen, settings: DustSettings) -> list[str]:
    said = []
    if seen.unsure:
        said.append(
            f"on {max(seen.unsure, 0.01):.0%} of the page too little is drawn to lay the other scan over it exactly: "
            "nothing was decided by it there"
        )
    taken = {
        "careful": "no dust was taken; --dust normal takes what lies far from all drawing, --second SCAN what it lacks",
        "normal": "only specks far from everything drawn were taken for dust",
        "eager": "look whether what was taken was dust",
    }[settings.strength]
    if plan.medium.name != "ink":
        told = "you said" if plan.medium.asked else "it looks like"
        way = "" if plan.medium.asked else "; --medium ink, if that is what it is, takes dust as of ink"
        said.append(f"{told} {plan.medium.name}, where a speck and a drawn dot look the same: {taken}{way}")
    elif not seen.traits.found and not plan.medium.asked:
        said.append(f"no solid ink was found: {taken}, --medium ink too, where it is thin ink")
    elif not seen.traits.found:
        said.append("no solid ink was found, so only specks far from everything drawn were taken for dust")
    if desk.page.dpi < COARSE_DPI:
        said.append(f"at {desk.page.dpi:.0f} dpi most dust is no larger than a pixel and cannot be told from dots")
    return said


def _too_long(wish: DustSettings, settings: DustSettings) -> list[str]:
    if wish.largest <= settings.largest:
        return []
    return [
        f"of one scan of ink, marks longer than {settings.largest:g} mm were left, but for hairs, though dust up to "
        f"{wish.largest:g} mm was asked for: they look like drawn strokes; --second SCAN tells them apart, --dust "
        "eager takes them, and dots with them"
    ]


def _show(desk: CleanContext, plans: tuple[CleanPlan, CleanPlan], seen: Seen, judge: Mask, doubt: Mask) -> None:
    """The place that changed most, the places of the largest specks, and of those in doubt."""
    factor = reduction_to(desk.page.dpi, LOOK_DPI)
    at = [(float(x) * factor, float(y) * factor) for x, y in zip(seen.finds.col, seen.finds.row, strict=True)]
    taken, doubted = (_first(seen.finds, chosen)[:PICTURED] for chosen in (judge, doubt))
    if taken:
        show_step(desk.album, "dust", desk.page, plans, at[taken[0]])
        show_places(desk.album, "dust_places", desk.page, plans, [at[n] for n in taken])
    if doubted:
        show_places(desk.album, "dust_doubtful", desk.page, plans, [at[n] for n in doubted])
