"""I find the sheet's edge and its skew, and say what to crop.

In: a page, seen small and then at its edges in full. Out: a `Sheet`: where its four sides run, and how surely.

A side is a long straight step of light with something uniform outside it that is not paper: the lid, the bed's frame, a
shadow, or nothing at all where no scan reached. A frame line drawn on the sheet has paper on both sides and is no edge.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats
from stitchbed.core.progress import Progress, counted, silent
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.core.settings import Setting
from stitchbed.imaging.box import Box
from stitchbed.imaging.reduce import reduction_to
from stitchbed.page.page import Page, linear, overview
from stitchbed.page.sheet.edges import edge_of, measured
from stitchbed.page.sheet.frame import Framing, framing

SIDES = ("top", "right", "bottom", "left")
LOOK_DPI = 100.0
MOST_LOOK_PX = 8e6  # a sheet larger than A1 is looked at more coarsely; its edges are measured in full all the same
PLACES = 120  # along a side at which it is measured in full
SHOWN = 100_000  # px of the middle that colors are looked for in
LEVEL, GRAY_LEVEL, TINT = 0.08, 0.05, 0.015  # shares by which paper may be lighter, darker, tinted, from place to place
PAPER_SHARE = 0.01  # of the middle that bare paper takes at least
SAME = 1e-5  # of light; codes of one value come out of the reduction as alike as that
MOST_FILLED = 0.001  # of the middle that may look filled
SQUARE = 0.012  # slope by which sides of a cut sheet differ at most, .7 degrees; common practice, no source
ALONE_SLOPE = 0.025  # slope up to which a single side is believed
# fewer sides than that are believed only where each is no faint one and shows along so much of its length: a large
# black shape within a page has two sides as straight, and half as long
FEW_SIDES, FEW_SHARE = 3, 0.75
HALF_MM = 1.5  # that far to both sides of the guess the edge is looked for


@dataclass(frozen=True)
class BorderSettings:
    """crop, straighten : what to do. inset : mm cut off inside the edge, where light mixes with what lies outside.

    turn : degrees clockwise the result is turned: 0, 90, 180 or 270.
    """

    crop: bool = True
    straighten: bool = True
    inset: Annotated[float, Setting("Cut off inside the edge.", unit="mm", low=0, high=50)] = 0.1
    turn: Annotated[int, Setting("Turn clockwise.", unit="degrees", choices=(0, 90, 180, 270))] = 0


@dataclass(frozen=True)
class Side:
    """One side of the sheet: places (x, y) px on the page with x (or y) = offset + slope * along, px.

    along runs over x for top and bottom, over y for left and right. found : by "step", "faint", "shadow", "end" of what
    was scanned, or "" when not found.
    spread : px, one sd of the measured edge about the line. share : of the looked-at places that agree.
    """

    name: str
    offset: float
    slope: float
    found: str
    spread: float
    share: float


def find_sheet(page: Page, *, workers: int = 1, progress: Progress = silent) -> tuple[Side, ...]:
    """The four sides in the order of SIDES."""
    factor = max(reduction_to(page.dpi, LOOK_DPI), math.ceil((page.height * page.width / MOST_LOOK_PX) ** 0.5))
    seen = overview(page, factor, workers=workers, progress=progress)
    light = _scanned(*seen, page.dpi / factor / MM_PER_INCH)
    is_paper = _paper_test(light)
    names = counted(SIDES, "finding the sheet's edges", len(SIDES), progress)
    return _agreeing(tuple(_side(page, name, light, is_paper, factor) for name in names))


def frame_of(page: Page, sides: Sequence[Side], settings: BorderSettings) -> Framing:
    """The frame that crops and straightens as the settings say; others than the found sides stay at the page's edge."""
    angle = skew(sides) if settings.straighten else 0.0
    inset = settings.inset / MM_PER_INCH * page.dpi
    found = {side.name: side for side in sides if side.found and settings.crop}
    edges = {"top": 0.0, "right": page.width - 1.0, "bottom": page.height - 1.0, "left": 0.0}
    lines = {}
    for name, edge in edges.items():
        inward_px = inset if name in ("top", "left") else -inset
        lines[name] = (found[name].offset + inward_px, found[name].slope) if name in found else (edge, 0.0)
    top, right, bottom, left = (lines[name] for name in SIDES)
    corners = [_crossing(across, down) for across, down in ((top, left), (top, right), (bottom, right), (bottom, left))]
    return framing(np.array(corners), angle, settings.turn, page.dpi)


def skew(sides: Sequence[Side]) -> float:
    """rad, how far the sheet is turned clockwise: the mean of its sides, each trusted by how well it was seen."""
    found = [side for side in sides if side.found]
    if not found:
        return 0.0
    angles = [np.arctan(s.slope) * (1 if s.name in ("top", "bottom") else -1) for s in found]
    weights = [s.share / (0.3 + s.spread) for s in found]
    return float(np.average(angles, weights=weights))


def _crossing(across: tuple[float, float], down: tuple[float, float]) -> tuple[float, float]:
    """(x, y) where y = a + b x meets x = c + d y."""
    (a, b), (c, d) = across, down
    y = (a + b * c) / (1 - b * d)
    return c + d * y, y


def _scanned(light: Floats, cover: Floats | None, px_per_mm: float) -> Floats:
    """(h, w, c) light, 0 where nothing was scanned: not covered, or filled with one color from the page's edge inward.

    A scan has grain, so a field of exactly one color was put there, unless the middle of the page shows such fields
    too: then white was cut off before, and tells nothing.
    """
    if cover is not None:
        light = np.where(cover[..., None] > 0.5, light, 0).astype(np.float32)
    rim = np.concatenate([light[0], light[-1], light[:, 0], light[:, -1]])
    colors, count = np.unique(rim, axis=0, return_counts=True)
    filled = np.ones(light.shape[:2], np.uint8)
    for channel, value in enumerate(colors[count.argmax()]):
        filled &= np.abs(light[..., channel] - value) < SAME
    side = max(3, round(px_per_mm))
    fields = cv2.morphologyEx(np.pad(filled, side, mode="edge"), cv2.MORPH_OPEN, np.ones((side, side), np.uint8))
    fields = fields[side:-side, side:-side]
    if _middle(fields).mean() > MOST_FILLED:
        return light
    return np.where(fields[..., None] > 0, np.float32(0), light)


def _middle(picture: NDArray[Any]) -> NDArray[Any]:
    """The inner nine twenty-fifths of a picture."""
    high, wide = picture.shape[0] // 5, picture.shape[1] // 5
    return picture[high : -high or None, wide : -wide or None]


def _paper_test(light: Floats) -> Callable[[Floats], bool]:
    """A test of colors (c,): whether the middle of the page shows a fair share of that color, as bare paper would be.

    A lamp's fall-off changes how light paper is, not its tint, so where there is color the tint decides.
    """
    channels = light.shape[2]
    middle = _middle(light).reshape(-1, channels)
    middle = middle[:: max(1, len(middle) // SHOWN)]

    def is_paper(color: Floats) -> bool:
        ratio = middle / np.maximum(color, 1e-3)
        level = ratio.mean(axis=1)
        tint = np.abs(ratio - level[:, None]).max(axis=1) < TINT
        return bool(((np.abs(level - 1) < (LEVEL if channels > 1 else GRAY_LEVEL)) & tint).mean() > PAPER_SHARE)

    return is_paper


def _agreeing(sides: tuple[Side, ...]) -> tuple[Side, ...]:
    """The sides, less those that run askew to most others: a sheet is a rectangle, a line across a painting is not."""
    angle = skew(sides)
    slopes = {s.name: s.slope * (1 if s.name in ("top", "bottom") else -1) for s in sides if s.found}
    if len(slopes) == 1:
        kept = {name for name, slope in slopes.items() if abs(slope) < ALONE_SLOPE}
    else:
        middle = float(np.median(list(slopes.values()))) if slopes else angle
        kept = {name for name, slope in slopes.items() if abs(slope - middle) < SQUARE}
    if len(kept) < FEW_SIDES:
        kept &= {s.name for s in sides if s.found != "faint" and s.share >= FEW_SHARE}
    return tuple(s if s.name in kept else replace(s, found="", slope=0.0) for s in sides)


def _side(page: Page, name: str, light: Floats, is_paper: Callable[[Floats], bool], factor: int) -> Side:
    """Find one side: roughly on the view, then at many places in full."""
    length, depth = (page.width, page.height) if name in ("top", "bottom") else (page.height, page.width)
    far = name in ("right", "bottom")
    line, found = edge_of(inward(light, name), is_paper, page.dpi / factor / MM_PER_INCH)
    if line is None:
        return Side(name, depth - 1.0 if far else 0.0, 0.0, "", 0.0, 0.0)
    along = np.linspace(0.05, 0.95, PLACES) * (length - 1)
    # pixel r of the view is the mean of the page's pixels r * factor .. r * factor + factor - 1
    guess = (line.offset + line.slope * ((along + 0.5) / factor - 0.5) + 0.5) * factor - 0.5
    profiles = [_profile(page, name, float(u), float(v)) for u, v in zip(along, guess, strict=True)]
    fine, spread, share = measured(along, guess, profiles, HALF_MM / MM_PER_INCH * page.dpi)
    if fine is None:
        return Side(name, depth - 1.0 if far else 0.0, 0.0, "", 0.0, 0.0)
    offset, slope = (depth - 1 - fine.offset, -fine.slope) if far else (fine.offset, fine.slope)
    return Side(name, offset, slope, found, spread, share)


def inward(picture: Floats, name: str) -> Floats:
    """The picture flipped so that row 0 lies at the named side and columns run along it as x or y do."""
    flipped = {"top": picture, "bottom": picture[::-1], "left": picture, "right": picture[:, ::-1]}[name]
    return flipped if name in ("top", "bottom") else np.swapaxes(flipped, 0, 1)


def _profile(page: Page, name: str, along: float, depth: float) -> Floats:
    """(n, c) light across the edge at one place: from HALF_MM outside `depth` (px from that side) to as far inside."""
    half, wide = round(HALF_MM / MM_PER_INCH * page.dpi), max(2, round(0.5 / MM_PER_INCH * page.dpi))
    start = round(depth) - half
    u = round(along) - wide // 2
    if name in ("top", "bottom"):
        row = start if name == "top" else page.height - start - 2 * half - 1
        box = Box(row, u, 2 * half + 1, wide)
    else:
        col = start if name == "left" else page.width - start - 2 * half - 1
        box = Box(u, col, wide, 2 * half + 1)
    return np.asarray(np.median(inward(linear(page, box), name), axis=1), np.float32)
