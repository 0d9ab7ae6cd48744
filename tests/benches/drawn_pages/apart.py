"""I draw pages of shapes that lie apart on bare paper, each with tone or words of its own, or an outline left open.

In: a seed. Out: the lines at 300 dpi, and for each pixel its area. Tone may end at a straight edge within a shape,
nets may be as coarse as a shape is small, and letters may be as tall as a balloon has room for.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from drawn_pages.pages import DrawnPage, seen
from drawn_pages.plain import SIZE
from drawn_pages.sheet import Area, Bytes, K, Points, Sheet
from drawn_pages.things import box, mirrored, oval
from drawn_pages.toned import any_hand, words
from drawn_pages.tones import hatched, laid, shade_side

KINDS = ("none", "hatch", "cut", "cross", "net", "stipple", "words", "half")
ROOM = 1.5  # mm between two shapes


def apart_page(seed: int) -> DrawnPage:
    """A page of shapes, by a hand of its own."""
    rng = np.random.default_rng([421, seed])
    pen = float(rng.uniform(0.25, 0.75))
    tone, gaps = min(pen, float(rng.uniform(0.14, 0.38))), float(rng.uniform(0, 0.6))
    hand = replace(any_hand(rng), pen=pen, tone=tone, pens=(), gaps=gaps, vary=0.1, wobble=float(rng.uniform(0, 0.25)))
    high, wide = (round(side * K) for side in SIZE[::-1])
    sheet = Sheet(
        hand, rng, np.zeros((high, wide), np.uint8), np.ones((high, wide), np.int32), np.ones((high, wide), np.uint8)
    )
    kinds = rng.permutation(np.array(KINDS))[: int(rng.integers(3, len(KINDS) + 1))].tolist()
    for x, y, size in _places(rng):
        _one(sheet, x, y, size, str(rng.choice(kinds)))
    return seen(sheet)


def _places(rng: np.random.Generator) -> list[tuple[float, float, float]]:
    """Middle and reach, mm, of shapes none of which touches another."""
    found: list[tuple[float, float, float]] = []
    for _ in range(500):
        size = float(rng.uniform(4, 20))
        x, y = (float(rng.uniform(size + 2, side - size - 2)) for side in SIZE)
        if all(np.hypot(x - a, y - b) > size + other + ROOM for a, b, other in found):
            found.append((x, y, size))
    return found


def _one(sheet: Sheet, x: float, y: float, size: float, kind: str) -> None:
    """A shape of one kind."""
    rng = sheet.rng
    lying = OUTLINES[int(rng.integers(len(OUTLINES)))](rng, size)
    outline = oval(x, y, size, 0.65 * size) if kind == "words" else _turned(lying, rng.uniform(0, 6.3)) + (x, y)
    area = sheet.area_of(outline)
    if area is None:
        return
    turn, pitch = float(rng.uniform(0, 180)), float(rng.uniform(0.6, 1.8))
    if kind == "words":
        tall = float(rng.uniform(0.15, 0.3)) * size
        for row in (np.arange(int(rng.integers(1, 4))) - 1) * 1.3 * tall:
            words(sheet, x, y + float(row), tall, 1.4 * size)
    elif kind in ("hatch", "cut"):
        hatched(sheet, area, turn, pitch=pitch, within=_cut(sheet, area) if kind == "cut" else None)
    elif kind in ("cross", "net"):
        within = shade_side(sheet, area) if kind == "cross" and sheet.chance(0.3) else None
        for way in (turn, turn + float(rng.uniform(45, 100))):
            hatched(sheet, area, way, pitch=pitch * (1.3 if kind == "net" else 1), within=within)
    else:
        laid(sheet, area, kind)
    sheet.outline(area)


def _cut(sheet: Sheet, area: Area) -> Bytes:
    """(h, w) 1 on one side of a straight line through an area's box."""
    way, (high, wide) = float(sheet.rng.uniform(0, 2 * np.pi)), area.mask.shape
    y, x = np.mgrid[0:high, 0:wide] / np.array([high, wide])[:, None, None] - 0.5
    return (x * np.cos(way) + y * np.sin(way) > sheet.rng.uniform(-0.2, 0.25)).astype(np.uint8)


def _turned(points: Points, by: float) -> Points:
    return points @ np.array([[np.cos(by), np.sin(by)], [-np.sin(by), np.cos(by)]])


def _star(rng: np.random.Generator, size: float) -> Points:
    way = np.linspace(0, 2 * np.pi, 2 * int(rng.integers(4, 9)), endpoint=False)
    reach = np.where(np.arange(len(way)) % 2, size * rng.uniform(0.4, 0.7), size)
    return np.stack([reach * np.cos(way), reach * np.sin(way)], axis=1)


def _blob(rng: np.random.Generator, size: float) -> Points:
    way = np.linspace(0, 2 * np.pi, 60)
    reach = 1 + sum(rng.uniform(0, 0.22) * np.cos(n * way + rng.uniform(0, 6.3)) for n in (2, 3, 4))
    reach *= size / reach.max()
    return np.stack([reach * np.cos(way), reach * np.sin(way)], axis=1)


OUTLINES: tuple[Callable[[np.random.Generator, float], Points], ...] = (
    lambda rng, size: box(-0.8 * size, -0.55 * size, 1.6 * size, 1.1 * size),
    lambda rng, size: oval(0, 0, size, size * float(rng.uniform(0.5, 1))),
    lambda rng, size: mirrored(0, [[0.01, -size], [0.8 * size, 0.6 * size]]),
    _star,
    _blob,
)
