"""I draw plain pages by one of many laws: outlines only, no tone, every closed space an area somebody would color.

In: a law, a seed. Out: the lines at 300 dpi, and for each pixel its area. Where bars, grids and scales stand close they
are areas all the same: from 1.9 mm of paper on they are drawn to be colored.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from drawn_pages.hands import Hand
from drawn_pages.pages import FACES, DrawnPage, seen
from drawn_pages.sheet import K, Points, Sheet
from drawn_pages.things import box, bulging, mirrored, oval, shape
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from scipy.spatial import cKDTree

SIZE = (100, 130)  # mm
PENS = (0.2, 0.3, 0.5, 0.8)  # mm, one after the other
LEAST = 1.9  # mm of paper between two lines

Labels = NDArray[np.int32]


def plain_page(law: str, seed: int) -> DrawnPage:
    """A page by the law of that name; every fourth seed has the same pen."""
    rng = np.random.default_rng([sum(law.encode()), 7, seed])
    hand = Hand(
        PENS[seed % len(PENS)], 0.2, float(rng.uniform(0.03, 0.2)), (1.0, 1.0), {"none": 1}, size=SIZE, gap=(0.3, 1.0)
    )
    wide, high = (round(side * K) for side in SIZE)
    sheet = Sheet(
        hand, rng, np.zeros((high, wide), np.uint8), np.ones((high, wide), np.int32), np.ones((high, wide), np.uint8)
    )
    if law in PARTED:
        parted(sheet, PARTED[law])
    else:
        DRAWN[law](sheet)
    return seen(sheet)


def parted(sheet: Sheet, law: Callable[[Sheet, NDArray[np.float32], NDArray[np.float32]], NDArray[np.int64]]) -> None:
    """Part the whole sheet; lines run where two parts meet, as unsteady as the hand."""
    rng, (high, wide) = sheet.rng, sheet.ink.shape
    y, x = np.mgrid[0:high, 0:wide].astype(np.float32) / K
    for _ in range(3):
        down, across = rng.uniform(0.05, 0.4, 2)
        x = x + 3 * sheet.hand.wobble * np.sin(down * y + rng.uniform(0, 6)).astype(np.float32)
        y = y + 3 * sheet.hand.wobble * np.sin(across * x + rng.uniform(0, 6)).astype(np.float32)
    parts = np.unique(law(sheet, x, y), return_inverse=True)[1].reshape(high, wide).astype(np.int32)
    edge = np.ones((high, wide), np.uint8)
    edge[:, 1:][parts[:, 1:] != parts[:, :-1]] = 0
    edge[1:][parts[1:] != parts[:-1]] = 0
    pens = np.array(sheet.hand.pens or (1.0,))
    bold = parts % len(pens)  # the bolder pen draws what two parts share
    for n, pen in enumerate(sheet.hand.pen * pens):
        own = edge if len(pens) == 1 else edge | (cv2.dilate((bold == n).astype(np.uint8), np.ones((3, 3))) ^ 1)
        if not own.all():
            away = cv2.distanceTransform(own, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
            line = np.rint(255 * np.clip(pen * K / 2 + 0.5 - away, 0, 1)).astype(np.uint8)
            np.maximum(sheet.ink, line, out=sheet.ink)
    sheet.shape[:] = parts + 1
    sheet.count = int(parts.max()) + 1


def scattered(rng: np.random.Generator, apart: float) -> Points:
    """(n, 2) mm, no two nearer than `apart`."""
    kept: list[Points] = []
    for point in rng.uniform((-apart, -apart), (SIZE[0] + apart, SIZE[1] + apart), (6000, 2)):
        if not kept or np.hypot(*(np.array(kept) - point).T).min() > apart:
            kept.append(point)
    return np.array(kept)


def nearest(points: Points, x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.int64]:
    places = np.stack([x, y], axis=2).reshape(-1, 2)
    return np.asarray(cKDTree(points).query(places)[1].reshape(x.shape), np.int64)


def _map(sheet: Sheet, x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.int64]:
    rng = sheet.rng
    for _ in range(4):
        turn, wave = rng.uniform(0, 6), rng.uniform(0.3, 1.2)
        x = x + 0.5 / wave * np.sin(wave * y + turn)
        y = y + 0.5 / wave * np.sin(wave * x + turn)
    return nearest(scattered(rng, rng.uniform(7, 18)), x, y)


def _mosaic(sheet: Sheet, x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.int64]:
    rng, pitch = sheet.rng, sheet.rng.uniform(3.2, 5.5) + sheet.hand.pen
    rows, cols = np.mgrid[-pitch : SIZE[1] + pitch : pitch, -pitch : SIZE[0] + pitch : pitch]
    points = np.stack([cols.ravel(), rows.ravel()], axis=1)
    return nearest(points + rng.normal(0, 0.1 * pitch, points.shape), x, y)


def _glass(sheet: Sheet, x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.int64]:
    """Rings of panes round two roses."""
    rng = sheet.rng
    middles = rng.uniform((20, 20), (SIZE[0] - 20, SIZE[1] - 20), (2, 2))
    rose, ring = nearest(middles, x, y), rng.uniform(LEAST + 2, 9) + sheet.hand.pen
    off = np.stack([x, y], axis=2) - middles[rose]
    far, way = np.hypot(off[..., 0], off[..., 1]), np.arctan2(off[..., 1], off[..., 0])
    level = np.floor(far / ring).astype(np.int64)
    count = np.maximum(1, np.floor(2 * np.pi * level * ring / rng.uniform(5, 10))).astype(np.int64)
    pane = np.floor((way / (2 * np.pi) + 0.5 + 0.37 * level) % 1 * count).astype(np.int64)
    return np.asarray((rose * 1000 + level) * 1000 + pane)


def _fields(sheet: Sheet, x: NDArray[np.float32], y: NDArray[np.float32]) -> tuple[Labels, Points, Points]:
    """Fields of a page, and the places along and across each of them, mm."""
    rng = sheet.rng
    field = nearest(scattered(rng, rng.uniform(18, 40)), x, y)
    turn = rng.uniform(0, np.pi, field.max() + 1)[field]
    return field.astype(np.int32), x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)


def _steps(sheet: Sheet, low: float, high: float) -> Points:
    """(n,) mm where bars begin, from far left on."""
    widths = sheet.rng.uniform(low, high, 200) + sheet.hand.pen
    return np.asarray(np.cumsum(widths) - 200)


def _bars(sheet: Sheet, x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.int64]:
    field, along, _ = _fields(sheet, x, y)
    wide = sheet.rng.uniform(LEAST, 5)
    return np.asarray(field.astype(np.int64) * 1000 + np.searchsorted(_steps(sheet, wide, 1.5 * wide), along))


def _grid(sheet: Sheet, x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.int64]:
    field, along, across = _fields(sheet, x, y)
    wide, tall = sheet.rng.uniform(LEAST, 6, 2)
    column = np.searchsorted(_steps(sheet, wide, 1.1 * wide), along)
    return np.asarray(
        (field.astype(np.int64) * 1000 + column) * 1000 + np.searchsorted(_steps(sheet, tall, tall), across)
    )


def _bricks(sheet: Sheet, x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.int64]:
    tall = sheet.rng.uniform(LEAST, 5) + sheet.hand.pen
    row = np.floor(y / tall).astype(np.int64)
    return np.asarray(row * 1000 + np.floor(x / (2.2 * tall) + 0.5 * (row % 2)).astype(np.int64))


def _streets(sheet: Sheet, x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.int64]:
    """Blocks of houses; all streets are one area."""
    rng, half = sheet.rng, (sheet.rng.uniform(LEAST, 3.5) + sheet.hand.pen) / 2
    free = np.ones(x.shape, np.uint8)
    for turn in (*rng.normal(0, 0.1, 6), *(np.pi / 2 + rng.normal(0, 0.1, 7))):
        at = rng.uniform((0, 0), SIZE)
        free[np.abs((x - at[0]) * np.sin(turn) - (y - at[1]) * np.cos(turn)) < half] = 0
    return np.asarray(cv2.connectedComponents(free, connectivity=4)[1], np.int64)


def _letters(sheet: Sheet) -> None:
    rng, top = sheet.rng, 4.0
    while top < SIZE[1] - 8:
        tall, left = rng.uniform(10, 32), 3.0
        face = ImageFont.truetype(f"{rng.choice(FACES)}.ttf", int(1.2 * tall * 8))
        while left < SIZE[0] - 0.5 * tall:
            picture = Image.new("L", (int(1.6 * tall * 8), int(1.8 * tall * 8)))
            ImageDraw.Draw(picture).text((16, 16), chr(int(rng.choice([*range(65, 91), *range(97, 123)]))), 255, face)
            lines, _ = cv2.findContours(
                (np.asarray(picture) > 127).astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE
            )
            for line in sorted((one for one in lines if len(one) > 20), key=lambda one: -cv2.contourArea(one)):
                shape(sheet, line[::3, 0] / 8 + (left, top), amount=0.02, gaps=0)
            left += 0.95 * tall
        top += 1.25 * tall


def _plants(sheet: Sheet) -> None:
    rng = sheet.rng
    for _ in range(9):
        x, foot, tall = rng.uniform(8, SIZE[0] - 8), rng.uniform(50, SIZE[1]), rng.uniform(30, 60)
        shape(sheet, mirrored(x, [[1.1, foot - tall], [1.4, foot]]), gaps=0)
        for n in range(int(rng.integers(2, 6))):
            side, long = 1 - 2 * (n % 2), rng.uniform(8, 20)
            _leaf(sheet, np.array([x + 1.2 * side, foot - tall * (0.1 + 0.13 * n)]), long, side * rng.uniform(0.2, 0.9))
        count, far = int(rng.integers(5, 13)), rng.uniform(6, 10)
        for turn in 2 * np.pi * np.arange(count) / count:
            at = np.array([x, foot - tall]) + 0.75 * far * np.array([np.cos(turn), np.sin(turn)])
            shape(sheet, oval(*at, 0.6 * far, max(1.8, 2.2 * far / count), turn))
        shape(sheet, oval(x, foot - tall, 0.4 * far, 0.4 * far), gaps=0)


def _leaf(sheet: Sheet, at: Points, long: float, turn: float) -> None:
    """A leaf of two halves."""
    way = np.linspace(0, 1, 20)
    ahead = np.array([np.sign(turn) * np.cos(turn), -abs(np.sin(turn))])
    beside = np.array([-ahead[1], ahead[0]])
    middle = at + long * way[:, None] * ahead
    for side in (-0.22, 0.22):
        rim = middle + side * long * np.sin(np.pi * way)[:, None] * beside
        shape(sheet, np.concatenate([middle, rim[::-1]]), amount=0.05, gaps=0)


def _buildings(sheet: Sheet) -> None:
    rng, foot = sheet.rng, 0.0
    while foot < SIZE[1] - 20:
        foot, left = foot + 42, -4.0
        while left < SIZE[0]:
            wide, tall = rng.uniform(16, 34), rng.uniform(18, 34)
            shape(sheet, box(left, foot - tall, wide, tall))
            if sheet.chance(0.6):
                shape(sheet, mirrored(left + wide / 2, [[0.05, foot - tall - 8], [0.55 * wide, foot - tall]]))
            pane, gap = rng.uniform(LEAST, 4) + sheet.hand.pen, rng.uniform(LEAST, 3) + sheet.hand.pen
            for x in np.arange(left + gap, left + wide - pane - gap, pane + gap):
                for y in np.arange(foot - tall + gap, foot - 1.6 * pane - gap, 1.6 * pane + gap):
                    shape(sheet, box(x, y, pane, 1.6 * pane), amount=0.03, gaps=0)
            left += wide + rng.uniform(0, 6)


def _coloring(sheet: Sheet) -> None:
    """Large blobs, stars and balls over each other."""
    rng = sheet.rng
    for _ in range(26):
        x, y, far = *rng.uniform((0, 0), SIZE), rng.uniform(5, 18)
        turn, kind = np.linspace(0, 2 * np.pi, 60), int(rng.integers(3))
        if kind == 0:
            shape(sheet, bulging(sheet, x, y, far, 0.7 * far))
        elif kind == 1:
            out = far * (0.72 + 0.28 * np.cos(5 * turn + rng.uniform(0, 6)))
            shape(sheet, np.stack([x + out * np.cos(turn), y + out * np.sin(turn)], axis=1))
        else:
            shape(sheet, oval(x, y, far, far))
            shape(sheet, oval(x, y, 0.45 * far, 0.98 * far), gaps=0)


def _panels(sheet: Sheet) -> None:
    rng = sheet.rng
    for top in (4.0, 46.0, 88.0):
        cut = rng.uniform(30, 65)
        for left, wide in ((4.0, cut - 6), (cut, SIZE[0] - cut - 4)):
            area = shape(sheet, box(left, top, wide, 38), amount=0.03, gaps=0, pen=1.3 * sheet.hand.pen)
            if area is None:
                continue
            sheet.window = np.zeros_like(sheet.ink)
            rows, cols = (
                slice(area.top, area.top + area.mask.shape[0]),
                slice(area.left, area.left + area.mask.shape[1]),
            )
            sheet.window[rows, cols] = area.mask
            for _ in range(int(rng.integers(1, 3))):
                x, y = left + rng.uniform(0.2, 0.8) * wide, top + rng.uniform(17, 28)
                shape(sheet, mirrored(x, [[3, y + 5], [8, y + 10], [9, y + 40]]))
                for side in (-1, 1):
                    shape(sheet, oval(x + 9 * side, y + 16, 2.4, 8, 0.3 * side))
                shape(sheet, oval(x, y, 5.5, 6.5))
                for side in (-1, 1):
                    shape(sheet, oval(x + 2 * side, y - 1, 1.1, 1.3), amount=0.02, gaps=0)
            shape(sheet, oval(left + wide / 2, top + 7, 0.35 * wide, 5), gaps=0)
            sheet.window = None
            sheet.outline(area, pen=1.3 * sheet.hand.pen, gaps=0)


def _rosettes(sheet: Sheet) -> None:
    """Rings of petals, the largest behind, and rings."""
    rng = sheet.rng
    for middle in ((30, 32), (72, 36), (34, 92), (74, 98)):
        for far in np.arange(30, 5, -rng.uniform(4, 6) - sheet.hand.pen):
            if sheet.chance(0.3):
                shape(sheet, oval(*middle, far, far), gaps=0)
                continue
            count = max(5, int(2 * np.pi * far / rng.uniform(5, 9)))
            for turn in 2 * np.pi * (np.arange(count) + rng.random()) / count:
                at = middle + far * np.array([np.cos(turn), np.sin(turn)])
                shape(sheet, oval(*at, 4.5, 0.85 * np.pi * far / count, turn), amount=0.03, gaps=0)
        shape(sheet, oval(*middle, 3, 3), gaps=0)


def _scales(sheet: Sheet) -> None:
    size = sheet.rng.uniform(4.5, 8) + sheet.hand.pen
    for row, y in enumerate(np.arange(SIZE[1] + size, -size, -0.6 * size)):
        for x in np.arange(-size, SIZE[0] + size, size):
            shape(sheet, oval(x + (row % 2) * size / 2, y, size / 2, 0.62 * size), amount=0.03, gaps=0)


def _machines(sheet: Sheet) -> None:
    """Wheels with teeth and spokes, and pipes side by side."""
    rng = sheet.rng
    for _ in range(4):
        turn, at = rng.uniform(0, np.pi), rng.uniform((20, 20), (SIZE[0] - 20, SIZE[1] - 20))
        along, wide = np.array([np.cos(turn), np.sin(turn)]), rng.uniform(LEAST, 3.5) + sheet.hand.pen
        across = np.array([-along[1], along[0]])
        for n in range(int(rng.integers(2, 8))):
            side = at + n * wide * across
            shape(
                sheet,
                [
                    side - 60 * along,
                    side + 60 * along,
                    side + 60 * along + wide * across,
                    side - 60 * along + wide * across,
                ],
                amount=0.05,
                gaps=0,
            )
    for _ in range(7):
        x, y, far, teeth = (
            *rng.uniform((5, 5), (SIZE[0] - 5, SIZE[1] - 5)),
            rng.uniform(7, 16),
            int(rng.integers(8, 16)),
        )
        turn = np.linspace(0, 2 * np.pi, 12 * teeth)
        out = far * np.where(np.sin(teeth * turn) > 0, 1.0, 0.84)
        shape(sheet, np.stack([x + out * np.cos(turn), y + out * np.sin(turn)], axis=1), amount=0.03, gaps=0)
        for part in (0.68, 0.35):
            if far * 0.33 > LEAST + sheet.hand.pen:
                shape(sheet, oval(x, y, part * far, part * far), gaps=0)


PARTED = {
    "map": _map, "mosaic": _mosaic, "glass": _glass, "bars": _bars, "grid": _grid, "bricks": _bricks,
    "streets": _streets,
}  # fmt: skip
DRAWN: dict[str, Callable[[Sheet], None]] = {
    "letters": _letters, "plants": _plants, "buildings": _buildings, "coloring": _coloring, "panels": _panels,
    "rosettes": _rosettes, "scales": _scales, "machines": _machines,
}  # fmt: skip
LAWS = (*PARTED, *DRAWN)
