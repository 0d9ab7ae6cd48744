"""I draw whole pages by one of the hands: a scene, or panels with scenes, balloons over them.

In: a hand, a seed. Out: the lines as they come off paper at 300 dpi, and for each pixel the area a person would color.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from drawn_pages.hands import HANDS
from drawn_pages.sheet import Area, Bytes, K, Sheet
from drawn_pages.things import ANY, THINGS, box, bulging, oval, shape
from drawn_pages.tones import hatched, pitch_of, shade_side
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from scipy import ndimage

DPI, LINE = 300.0, 64  # of the page; alpha that is line
CELL = 25.4 / DPI
LEAST_MM2, LEAST_MM, LEAST_FREE = 1.2, 1.3, 0.35  # of an area that is asked for; of it that is free of lines
WORDS = (
    "ROPE",
    "IS WET",
    "AND",
    "TIDE",
    "COMES IN",
    "LOOK OUT",
    "GULLS",
    "WHERE ARE",
    "MY BOOTS",
    "NO FISH",
    "SAIL HOME",
)
FACES = ("DejaVuSans-Bold", "DejaVuSans", "DejaVuSansCondensed-Oblique", "DejaVuSansMono")


@dataclass(frozen=True)
class DrawnPage:
    """alpha : (h, w) of black lines. truth : (h, w) area of each pixel, from 1; 0 where nobody says."""

    alpha: Bytes
    truth: NDArray[np.int32]


def drawn_page(name: str, seed: int) -> DrawnPage:
    """A page by the hand of that name."""
    hand = HANDS[name]
    rng = np.random.default_rng([sum(name.encode()), seed])
    wide, high = hand.size
    px = round(high * K), round(wide * K)
    sheet = Sheet(hand, rng, np.zeros(px, np.uint8), np.ones(px, np.int32), np.ones(px, np.uint8))
    scenes(sheet)
    return seen(sheet)


def scenes(sheet: Sheet, scale: float = 1.0) -> None:
    """One scene, or two rows of panels with one each. scale : of what is drawn."""
    wide, high = sheet.hand.size
    if not sheet.hand.panels:
        _scene(sheet, (0, 0, wide, high), scale)
        return
    for top, tall in ((6, high * 94 / 210), (high * 102 / 210, high * 102 / 210)):
        cuts = [6, wide * sheet.rng.uniform(0.4, 0.6), wide - 3] if sheet.chance(0.5) else [6, wide - 3]
        for left, right in pairwise(cuts):
            _panel(sheet, (left, top, right - left - 3, tall), scale * (0.75 if len(cuts) == 3 else 0.9))


def _panel(sheet: Sheet, frame: tuple[float, float, float, float], scale: float) -> None:
    area = shape(sheet, box(*frame), amount=0.03, gaps=0)
    assert area is not None
    window, (high, wide) = np.zeros_like(sheet.ink), area.mask.shape
    window[area.top : area.top + high, area.left : area.left + wide] = area.mask
    sheet.window = window
    _scene(sheet, frame, scale)
    sheet.window = None
    sheet.outline(area, pen=1.2 * sheet.hand.pen, gaps=0)


def _scene(sheet: Sheet, frame: tuple[float, float, float, float], scale: float) -> None:
    """Sky, hills, things from far to near, balloons. frame : left, top, width, height mm."""
    rng, hand, (left, top, wide, high) = sheet.rng, sheet.hand, frame
    horizon = top + high * rng.uniform(0.35, 0.6)
    _sky(sheet, frame, horizon, scale)
    for n in range(int(rng.integers(1, 4))):
        way = np.linspace(0, 1, 25)
        rise = horizon + 0.18 * n * high + 3 * np.sin(way * rng.uniform(3, 9) + rng.uniform(0, 6))
        ridge = np.stack([left - 5 + way * (wide + 10), rise], axis=1)
        ground = np.array([[left + wide + 5, top + high + 5], [left - 5, top + high + 5]])
        shape(sheet, np.concatenate([ridge, ground]), ANY if sheet.chance(0.7) else "none")
    names, often = list(hand.things), np.array(list(hand.things.values()))
    feet = np.sort(rng.uniform(horizon + 2, top + 1.02 * high, hand.many))
    for n, foot in enumerate(feet.tolist()):
        x = left + (0.618 * n + rng.random()) % 1 * wide
        tall = rng.uniform(18, 46) * scale * (0.6 + 0.6 * (foot - horizon) / (top + high - horizon))
        THINGS[str(rng.choice(names, p=often / often.sum()))](sheet, x, foot, tall)
        if sheet.chance(hand.shadow):
            _shadow(sheet, x + 0.3 * tall, foot, tall)
    if sheet.chance(hand.balloon):
        for _ in range(int(rng.integers(1, 3))):
            _balloon(sheet, left + rng.uniform(0.3, 0.7) * wide, top + rng.uniform(0.12, 0.3) * high)


def _sky(sheet: Sheet, frame: tuple[float, float, float, float], horizon: float, scale: float) -> None:
    rng, (left, top, wide, high) = sheet.rng, frame
    if sheet.chance(sheet.hand.sky):
        outline = box(left, top, wide, horizon + 3 - top)
        mask = np.ones((round((horizon + 3 - top) * K), round(wide * K)), np.uint8)
        sky, angle = Area(mask, round(top * K), round(left * K), outline), rng.uniform(-5, 25)
        for turn in (0, rng.uniform(30, 90))[: 2 if sheet.chance(0.4) else 1]:
            hatched(sheet, sky, angle + turn, pitch=1.1 * pitch_of(sheet), within=shade_side(sheet, sky))
    for _ in range(int(rng.integers(1, 4))):
        x, y, size = (
            left + rng.uniform(0.1, 0.9) * wide,
            top + high * rng.uniform(0.08, 0.22),
            scale * rng.uniform(12, 26),
        )
        if sheet.chance(0.7):
            shape(sheet, bulging(sheet, x, y, size / 2, size / 5), ANY if sheet.chance(0.4) else "none")
            continue
        shape(sheet, oval(x, y, size / 5, size / 5))
        for t in np.linspace(0, 2 * np.pi, 14)[:-1]:
            ray = np.array([[0.26, 0.26], [0.36, 0.36]]) * size * (np.cos(t), np.sin(t)) + (x, y)
            sheet.line(sheet.by_hand(ray, 0.05), sheet.hand.pen)


def _shadow(sheet: Sheet, x: float, y: float, tall: float) -> None:
    """Strokes across all that lies there, outlines too."""
    outline = oval(x, y, 0.4 * tall, 0.1 * tall)
    low, high = (np.rint(side * K).astype(int) for side in (outline.min(axis=0), outline.max(axis=0)))
    mask = np.zeros((high[1] - low[1] + 1, high[0] - low[0] + 1), np.uint8)
    cv2.fillPoly(mask, [np.rint(outline * K).astype(np.int32) - low.astype(np.int32)], 1)
    hatched(sheet, Area(mask, int(low[1]), int(low[0]), outline), sheet.rng.uniform(-10, 20))


def _balloon(sheet: Sheet, x: float, y: float) -> None:
    rng, size = sheet.rng, sheet.rng.uniform(2.2, 3.6)
    rows = [" ".join(rng.choice(WORDS, int(rng.integers(2, 4))).tolist()) for _ in range(int(rng.integers(1, 4)))]
    high, wide = 1.45 * size * len(rows), 0.78 * size * max(map(len, rows))
    x, y = float(np.clip(x, 0.8 * wide, max(0.8 * wide, sheet.hand.size[0] - 0.8 * wide))), max(y, high + 6)
    rim = oval(x, y, 0.625 * wide + 2, 0.65 * high + 2.5)
    shape(sheet, rim if sheet.chance(0.7) else box(x - wide / 2 - 2, y - high / 2 - 2, wide + 4, high + 4), amount=0.15)
    picture = Image.new("L", sheet.ink.shape[::-1])
    face = ImageFont.truetype(f"{rng.choice(FACES)}.ttf", int(size * K))
    for n, row in enumerate(rows):
        at = x * K, (y - high / 2 + (n + 0.5) * 1.45 * size) * K
        ImageDraw.Draw(picture).text(at, row, 255, face, anchor="mm")
    letters = np.asarray(picture) if sheet.window is None else np.where(sheet.window > 0, picture, 0).astype(np.uint8)
    np.maximum(sheet.ink, letters, out=sheet.ink)


def seen(sheet: Sheet) -> DrawnPage:
    """The page at DPI; parts of what is hidden in part are areas of their own, slight ones nobody's."""
    alpha = cv2.GaussianBlur(cv2.resize(sheet.ink, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), (0, 0), 0.55)
    high, wide = alpha.shape
    shapes, asked = (part[1::2, 1::2][:high, :wide] for part in (sheet.shape, sheet.asked))
    truth, count = np.zeros(alpha.shape, np.int32), 0
    for number, place in enumerate(ndimage.find_objects(shapes), 1):
        if place is None:
            continue
        parts, found = ndimage.label(shapes[place] == number)
        for part in range(1, found + 1):
            inside = parts == part
            free = int((inside & (alpha[place] < LINE)).sum())
            across = 2 * float(cv2.distanceTransform(np.pad(inside.astype(np.uint8), 1), cv2.DIST_L2, 3).max()) * CELL
            if free * CELL**2 >= LEAST_MM2 and across >= LEAST_MM and free >= LEAST_FREE * inside.sum():
                count += 1
                truth[place][inside & (asked[place] > 0)] = count
    return DrawnPage(alpha, truth)
