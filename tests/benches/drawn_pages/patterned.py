"""I draw pages of large things with a pattern or folds on them: scales, courses, quilts, folds, strands of hair.

In: a seed. Out: a page; each thing is one area, however many cells its pattern closes in. Patterns are drawn with a
finer pen than outlines: of one pen, nobody could say which is which. Panes of leaded glass, plots within a block and
the squares of a board are drawn with a finer pen too, and are areas each: they are larger than a pattern is, or unlike.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
from drawn_pages.pages import DrawnPage, seen
from drawn_pages.plain import nearest
from drawn_pages.sheet import Area, K, Points, Sheet, runs
from drawn_pages.things import ANY, box, bulging, detail, mirrored, oval, shape, window
from drawn_pages.toned import any_hand
from drawn_pages.tones import any_kind, laid, pitch_of, shade_side

SIZE = (110, 140)  # mm
FINER = 0.6  # of the outlines' pen, at most; bolder folds and bows could be outlines
LONG_FOLD = 16.0  # mm


def patterned_page(seed: int) -> DrawnPage:
    """A page of five to a dozen things, by a hand of its own."""
    rng = np.random.default_rng([419, seed])
    pen = float(np.exp(rng.uniform(np.log(0.25), np.log(0.9))))
    tone = float(rng.uniform(0.12, min(0.4, FINER * pen)))
    hand = replace(
        any_hand(rng),
        pen=pen,
        tone=tone,
        pens=(),
        black=0.0,
        vary=float(rng.uniform(0.02, 0.2)),
        taper=float(rng.choice([0, 0.5])),
    )
    high, wide = (round(side * K) for side in SIZE[::-1])
    sheet = Sheet(
        hand, rng, np.zeros((high, wide), np.uint8), np.ones((high, wide), np.int32), np.ones((high, wide), np.uint8)
    )
    if sheet.chance(0.5):
        _ground(sheet)
    for _ in range(int(rng.integers(5, 13))):
        _thing(sheet, rng.uniform(6, SIZE[0] - 6), rng.uniform(8, SIZE[1] - 8), rng.uniform(5, 22))
    return seen(sheet)


def _ground(sheet: Sheet) -> None:
    """Land with a skyline, from side to side."""
    x = np.linspace(-3, SIZE[0] + 3, 8)
    line = np.stack([x, sheet.rng.uniform(0.2, 0.6) * SIZE[1] + sheet.rng.normal(0, 5, 8)], axis=1)
    _filled(sheet, np.concatenate([line, [[SIZE[0] + 3, SIZE[1] + 3], [-3, SIZE[1] + 3]]]))


def _thing(sheet: Sheet, x: float, y: float, size: float) -> None:
    """One of five outlines, patterned, and at times something small on it."""
    rng = sheet.rng
    tall = size * rng.uniform(0.7, 1.6)
    outlines: tuple[Callable[[], Points], ...] = (
        lambda: oval(x, y, size, tall * 0.8, rng.uniform(0, 3)),
        lambda: bulging(sheet, x, y, size, 0.8 * tall),
        lambda: box(x - size, y - tall, 2 * size, 2 * tall),
        lambda: mirrored(x, [[0.2 * size, y - tall], [0.5 * size, y], [size, y + tall]]),
        lambda: mirrored(x, [[0.01, y - tall], [size, y - 0.2 * tall], [0.8 * size, y + 0.5 * tall], [0.01, y + tall]]),
    )
    area = _filled(sheet, outlines[int(rng.integers(0, len(outlines)))]())
    if area is None or size < 8:
        return
    for n in range(int(rng.integers(0, 4))):
        at = x + (n - 1) * 0.35 * size, y + rng.uniform(-0.3, 0.3) * tall
        if sheet.chance(0.3):
            window(sheet, *at, rng.uniform(2.5, 6), rng.uniform(3, 7))
        elif sheet.chance(0.5):
            detail(sheet, oval(*at, rng.uniform(0.7, 2), rng.uniform(0.7, 1.5)), 0.8)
        else:
            shape(sheet, oval(*at, rng.uniform(1.5, 5), rng.uniform(1.5, 4)), ANY)


def _filled(sheet: Sheet, outline: Points) -> Area | None:
    """A shape with a pattern, with tone, or plain."""
    area = sheet.area_of(outline)
    if area is None:
        return None
    kind = str(sheet.rng.choice([*PATTERNS, "tone", "none"]))
    if kind in PATTERNS:
        PATTERNS[kind](sheet, area)
    elif kind == "tone":
        laid(sheet, area, any_kind(sheet))
    if sheet.chance(0.15):
        _folds(sheet, area)
    sheet.outline(area)
    return area


def _turned(sheet: Sheet, area: Area, line: Points, turn: float) -> None:
    """A line of the pattern, given round the area's middle, turned by radians, where it lies inside."""
    low, high = area.outline.min(axis=0), area.outline.max(axis=0)
    cos, sin = np.cos(turn), np.sin(turn)
    at = line @ np.array([[cos, sin], [-sin, cos]]) + (low + high) / 2
    for run in runs(area.inside(at), 3):
        sheet.line(at[run], sheet.hand.tone, area)


def _reach(area: Area) -> float:
    return float(np.hypot(*np.ptp(area.outline, axis=0))) / 2


def _scales(sheet: Sheet, area: Area) -> None:
    """Rows of bows, or of points, one behind the other."""
    rng, reach = sheet.rng, _reach(area)
    wide, turn, share = rng.uniform(1.1, 3.4), rng.uniform(0, 2 * np.pi), rng.uniform(0, 0.15)
    tall, step = wide * rng.uniform(0.5, 1.1), rng.uniform(0.6, 0.95)
    bow = np.linspace(0, np.pi, 15)
    down = np.sin(bow) if sheet.chance(0.75) else 1 - np.abs(np.linspace(-1, 1, 15))
    for row, y in enumerate(np.arange(-reach, reach, step * tall)):
        for x in np.arange(-reach + (row % 2) * wide / 2, reach, wide):
            if not sheet.chance(share):
                off = rng.normal(0, 0.04, 2)
                arc = np.stack([x + wide / 2 * (1 - np.cos(bow)), y + tall * down], axis=1)
                _turned(sheet, area, arc + off, turn)


def _courses(sheet: Sheet, area: Area) -> None:
    """Bricks or stones in rows; a share of the joints is left out."""
    rng, reach = sheet.rng, _reach(area)
    long, tall = rng.uniform(1.8, 5), rng.uniform(0.9, 2.4)
    turn, left_out = rng.normal(0, 0.06), rng.choice([0, 0, 0.15, 0.5])
    for row, y in enumerate(np.arange(-reach, reach, tall)):
        edges = np.arange(-reach + (row % 2) * long / 2, reach, long)
        edges = edges + rng.uniform(-0.12, 0.12, len(edges)) * long
        for x, end in pairwise(edges.tolist()):
            if not sheet.chance(left_out):
                _turned(sheet, area, np.linspace((x, y), (end, y + rng.normal(0, 0.05)), 25), turn)
            if not sheet.chance(left_out):
                _turned(sheet, area, np.linspace((x, y), (x + rng.normal(0, 0.05), y + tall), 12), turn)


def _quilt(sheet: Sheet, area: Area) -> None:
    """Two sets of lines that cross, wider apart than hatching."""
    rng, reach = sheet.rng, _reach(area)
    pitch, turn = rng.uniform(1.2, 3), rng.uniform(0, np.pi)
    for way in (0, rng.uniform(0.9, 1.7)):
        for y in np.arange(-reach, reach, pitch):
            line = np.linspace((-reach, y + rng.normal(0, 0.06)), (reach, y + rng.normal(0, 0.06)), 160)
            _turned(sheet, area, line, turn + way)


def _strands(sheet: Sheet, area: Area) -> None:
    """Long waves side by side, as hair, bark or water has; most end somewhere on the way."""
    rng, reach, turn = sheet.rng, _reach(area), sheet.rng.uniform(0, np.pi)
    pitch, bow, wave = rng.uniform(0.5, 1.6), rng.normal(0, 0.3), rng.uniform(0.1, 0.5)
    whole, y = rng.uniform(0.1, 0.7), -1.5 * reach
    within = shade_side(sheet, area) if sheet.chance(0.25) else None
    low, high = area.outline.min(axis=0), area.outline.max(axis=0)
    t = np.arange(-reach, reach, 0.15)
    while y < 1.5 * reach:
        rise = y + bow * t**2 / reach + wave * np.sin(t * rng.uniform(0.3, 0.9) + rng.uniform(0, 6))
        at = np.stack([t * np.cos(turn) - rise * np.sin(turn), t * np.sin(turn) + rise * np.cos(turn)], axis=1)
        at = at + (low + high) / 2
        for run in runs(area.inside(at, within=within), 6):
            first, last = (0.0, 1.0) if sheet.chance(whole) else np.sort(rng.uniform(0, 1, 2))
            kept = run[int(first * len(run)) : int(last * len(run)) + 1]
            sheet.line(at[kept], sheet.hand.tone * rng.uniform(0.8, 1.4), area, taper=sheet.hand.taper)
        y += pitch * rng.uniform(0.5, 1.6)


def _folds(sheet: Sheet, area: Area) -> None:
    """Strokes from the outline inward that thin out; here and there they meet or cross."""
    rng, line, reach = sheet.rng, area.outline, _reach(area)
    for start in rng.integers(0, len(line), int(rng.integers(2, 9))).tolist():
        middle = (area.outline.min(axis=0) + area.outline.max(axis=0)) / 2
        inward = (middle - line[start]) / max(1e-6, float(np.hypot(*(middle - line[start]))))
        lean, bow = rng.normal(0, 0.6), rng.normal(0, 0.25)
        way = np.array([inward[0] - lean * inward[1], inward[1] + lean * inward[0]])
        way, t = way / np.hypot(*way), np.linspace(0, 1, 40)[:, None]
        long = min(reach, LONG_FOLD) * rng.uniform(0.25, 1.1)
        at = line[start] + long * (t * way + bow * t**2 * np.array([-way[1], way[0]]))
        pen = max(sheet.hand.tone, sheet.hand.pen * rng.uniform(0.35, FINER))
        sheet.line(at, pen, area, taper=float(rng.choice([0.4, 0.8])))


def _shelves(sheet: Sheet, area: Area) -> None:
    """Strokes from one side to the other, wider apart than hatching, some of them short: planks, ripples, rungs."""
    rng, reach, turn = sheet.rng, _reach(area), sheet.rng.uniform(0, np.pi)
    pitch = pitch_of(sheet) * rng.uniform(1.2, 2.2)
    for y in np.arange(-reach, reach, pitch):
        first, last = (-reach, reach) if sheet.chance(0.5) else np.sort(rng.uniform(-reach, reach, 2))
        _turned(sheet, area, np.linspace((first, y), (last, y + rng.normal(0, 0.15)), 160), turn)


def _panes(sheet: Sheet, area: Area) -> None:
    """Areas of their own within the thing, uneven ones or squares; every third board has dark squares."""
    rng = sheet.rng
    high, wide = area.mask.shape
    y, x = np.mgrid[0:high, 0:wide].astype(np.float32) / K
    if even := sheet.chance(0.4):
        turn, pitch = rng.normal(0, 0.3), rng.uniform(3.5, 9, 2)
        along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
        col, row = (np.floor(of / step).astype(np.int64) for of, step in zip((along, across), pitch, strict=True))
        part = (row - row.min()) * (np.ptp(col) + 1) + col - col.min()
    else:
        apart = float(rng.uniform(2.8, 9))
        points = rng.uniform((-apart, -apart), (wide / K + apart, high / K + apart), (400, 2))
        kept = [points[0]]
        for point in points[1:]:
            if np.hypot(*(np.array(kept) - point).T).min() > apart:
                kept.append(point)
        part = nearest(np.array(kept), x * float(rng.uniform(0.6, 1)), y)
    edge = np.ones((high, wide), np.uint8)
    edge[:, 1:][part[:, 1:] != part[:, :-1]] = 0
    edge[1:][part[1:] != part[:-1]] = 0
    pen = sheet.hand.pen * float(rng.uniform(0.45, 1.0))
    away = cv2.distanceTransform(edge, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    line = np.rint(255 * np.clip(pen * K / 2 + 0.5 - away, 0, 1) * area.mask).astype(np.uint8)
    place = slice(area.top, area.top + high), slice(area.left, area.left + wide)
    inside = area.mask > 0
    if even and sheet.chance(0.33):
        line[((col + row) % 2 == 0) & inside] = 255
    np.maximum(sheet.ink[place], line, out=sheet.ink[place])
    sheet.shape[place][inside] = (sheet.count + 1 + part)[inside]
    sheet.count += int(part.max()) + 1


PATTERNS: dict[str, Callable[[Sheet, Area], None]] = {
    "scales": _scales, "courses": _courses, "quilt": _quilt, "strands": _strands, "folds": _folds, "shelves": _shelves,
    "panes": _panes,
}  # fmt: skip
