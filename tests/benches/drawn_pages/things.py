"""I draw things of a harbor town, each as closed shapes from back to front, with tone as the hand lays it.

In: a sheet, where a thing stands (mm, the middle of its foot), how tall it is. Out: the sheet, drawn on.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
from drawn_pages.sheet import Area, Points, Sheet
from drawn_pages.tones import any_kind, hatched, laid, shade_side
from numpy.typing import ArrayLike

ANY = "any"


def shape(
    sheet: Sheet,
    outline: ArrayLike,
    kind: str = "none",
    *,
    amount: float | None = None,
    gaps: float | None = None,
    pen: float | None = None,
) -> Area | None:
    """A closed shape with tone of a kind, or of any. amount : mm, of wobble. gaps : see `Sheet.outline`."""
    area = sheet.area_of(outline, amount=amount)
    if area is not None:
        laid(sheet, area, any_kind(sheet) if kind == ANY else kind)
        sheet.outline(area, pen=pen, gaps=gaps)
    return area


def detail(sheet: Sheet, outline: ArrayLike, pen: float = 1.0) -> None:
    """A small shape with care: without tone, closed. pen : of the hand's."""
    shape(sheet, outline, amount=0.03, gaps=0, pen=pen * sheet.hand.pen)


def bar(sheet: Sheet, outline: ArrayLike) -> None:
    """Something so thin that nobody is asked whether it is an area."""
    area = shape(sheet, outline, amount=0.05, gaps=0)
    if area is not None:
        sheet.nobodys(area)


def oval(x: float, y: float, a: float, b: float, turn: float = 0.0) -> Points:
    t = np.linspace(0, 2 * np.pi, 60)
    c, s = a * np.cos(t), b * np.sin(t)
    return np.stack([x + c * np.cos(turn) - s * np.sin(turn), y + c * np.sin(turn) + s * np.cos(turn)], axis=1)


def box(x: float, y: float, wide: float, high: float) -> Points:
    return np.array([[x, y], [x + wide, y], [x + wide, y + high], [x, y + high]], np.float64)


def mirrored(x: float, rights: ArrayLike) -> Points:
    """A shape of equal halves. rights : (n, 2) how far right of x, y; from top to bottom."""
    half = np.asarray(rights, np.float64)
    return np.concatenate(
        [np.stack([x - half[:, 0], half[:, 1]], axis=1), np.stack([x + half[:, 0], half[:, 1]], axis=1)[::-1]]
    )


def bulging(sheet: Sheet, x: float, y: float, a: float, b: float) -> Points:
    """A rim of bows, as of a cloud or a crown of leaves."""
    count, bow = int(sheet.rng.integers(7, 12)), np.sin(np.linspace(0, np.pi, 9)[:-1])
    corners = np.stack([x + a * np.cos(t := np.linspace(0, 2 * np.pi, count + 1)), y + b * np.sin(t)], axis=1)
    parts = []
    for one, two in pairwise(corners):
        out = (one + two) / 2 - (x, y)
        parts.append(
            one + np.linspace(0, 1, 9)[:-1, None] * (two - one) + 0.44 * min(a, b) * bow[:, None] * out / np.hypot(*out)
        )
    return np.concatenate(parts)


def furry(sheet: Sheet, outline: Points, long: float) -> Points:
    line = sheet.by_hand(outline, closed=True)
    out = line - line.mean(axis=0)
    tips = long * sheet.rng.uniform(0.5, 1.5, len(line)) * (np.arange(len(line)) % 2)
    return line + tips[:, None] * out / np.maximum(np.hypot(*out.T), 1e-6)[:, None]


def window(sheet: Sheet, x: float, y: float, wide: float, high: float) -> None:
    shape(sheet, box(x, y, wide, high), amount=0.04, gaps=0)
    bars = 1.2 * sheet.hand.pen + 0.35
    across, down = (wide - 3 * bars) / 2, (high - 3 * bars) / 2
    for n in range(4 if min(wide, high) > 4 else 0):
        left, top = x + bars + (n % 2) * (across + bars), y + bars + (n // 2) * (down + bars)
        pane = shape(sheet, box(left, top, across, down), amount=0.03, gaps=0, pen=0.8 * sheet.hand.pen)
        if pane is not None and sheet.chance(0.4):
            hatched(sheet, pane, 45, pitch=0.9, within=shade_side(sheet, pane))


def tiled(sheet: Sheet, area: Area) -> None:
    """Rows of bows over a roof; whether each is an area, or the roof, nobody says."""
    sheet.nobodys(area)
    size, bow = sheet.rng.uniform(2, 3), np.linspace(0, np.pi, 9)
    low, high = area.outline.min(axis=0), area.outline.max(axis=0)
    for row, y in enumerate(np.arange(high[1] - size, low[1] - size, -0.7 * size)):
        for x in np.arange(low[0] - size + (row % 2) * size / 2, high[0], size):
            arc = np.stack([x + size / 2 * (1 - np.cos(bow)), y + 0.75 * size * np.sin(bow)], axis=1)
            sheet.line(arc, sheet.hand.tone, area)


def house(sheet: Sheet, x: float, y: float, tall: float) -> None:
    wide, high = tall * sheet.rng.uniform(0.7, 1.2), 0.55 * tall
    shape(sheet, box(x - wide / 2, y - high, wide, high), ANY)
    if sheet.chance(0.5):
        shape(sheet, box(x + 0.2 * wide, y - high - 0.5 * tall, 0.1 * tall, 0.35 * tall), "bricks")
    ridge = 0.3 * wide if sheet.chance(0.6) else 0.01
    tiles = sheet.chance(sheet.hand.tiles)
    roof = sheet.area_of(mirrored(x, [[ridge, y - tall], [0.6 * wide, y - high]]))
    if roof is not None:
        (tiled if tiles else lambda s, a: laid(s, a, any_kind(s)))(sheet, roof)
        sheet.outline(roof)
    count = max(1, int(wide / 9))
    for n in range(count):
        middle, room = x - wide / 2 + wide * (n + 0.5) / count, min(5.5, 0.6 * wide / count)
        if n == count // 2 and high > 10:
            shape(sheet, box(middle - room / 2, y - 0.6 * high, room, 0.6 * high), ANY)
        else:
            window(sheet, middle - room / 2, y - 0.85 * high, room, 0.42 * high)


def tree(sheet: Sheet, x: float, y: float, tall: float) -> None:
    stem = tall * sheet.rng.uniform(0.06, 0.12)
    shape(sheet, mirrored(x, [[0.6 * stem, y - 0.5 * tall], [stem, y]]), sheet.rng.choice(["grain", "half", "none"]))
    crown = tall * sheet.rng.uniform(0.25, 0.4)
    shape(sheet, bulging(sheet, x, y - 0.68 * tall, crown, crown * sheet.rng.uniform(0.8, 1.1)), ANY)
    if sheet.chance(0.4):
        shape(sheet, bulging(sheet, x + crown / 2, y - 0.5 * tall, crown / 2, 0.4 * crown), ANY)


def fir(sheet: Sheet, x: float, y: float, tall: float) -> None:
    for n in range(3):
        wide, foot = tall * (0.34 - 0.08 * n), y - tall * (0.1 + 0.27 * n)
        shape(sheet, mirrored(x, [[0.01, foot - 0.36 * tall], [0.5 * wide, foot - 0.2 * tall], [wide, foot]]), ANY)


def barrel(sheet: Sheet, x: float, y: float, tall: float) -> None:
    way = np.linspace(-1, 1, 12)
    staves = np.stack([0.4 * tall * (1.18 - 0.18 * way**2), y - tall / 2 * (1 - way)], axis=1)
    shape(sheet, mirrored(x, staves), sheet.rng.choice(["contour", "grain", ANY]))
    for way_ in (-0.55, 0.45):
        half = 0.4 * tall * (1.18 - 0.18 * way_**2)
        hoop = box(x - half, y - tall / 2 * (1 - way_), 2 * half, max(1.6, 0.09 * tall))
        shape(sheet, hoop, ANY if sheet.chance(0.4) else "none", amount=0.06, gaps=0.05)


def boat(sheet: Sheet, x: float, y: float, tall: float) -> None:
    half = tall * sheet.rng.uniform(0.5, 0.7)
    bar(sheet, box(x - 0.4, y - tall, 0.9, 0.8 * tall))
    shape(sheet, [[x + 1, y - 0.95 * tall], [x + 0.8 * half, y - 0.35 * tall], [x + 1, y - 0.33 * tall]], ANY)
    shape(sheet, [[x - 1, y - 0.85 * tall], [x - 0.7 * half, y - 0.35 * tall], [x - 1, y - 0.33 * tall]], ANY)
    if sheet.chance(0.6):
        detail(sheet, [[x, y - tall], [x + 0.14 * tall, y - 0.96 * tall], [x, y - 0.92 * tall]])
    plank = max(2.2, 0.075 * tall)
    count = int(0.25 * tall / plank)
    for n in range(count):
        upper, lower, top = half * (1 - 0.12 * n), half * (0.88 - 0.12 * n), y - plank * (count - n)
        board = mirrored(x, [[upper, top], [lower, top + plank]])
        shape(sheet, board, ANY if sheet.chance(0.5) else "none", amount=0.06, gaps=0.1)
    for n in range(3 if tall > 30 else 0):
        detail(sheet, oval(x + half * (0.35 * n - 0.4), y - 0.6 * plank * count, 0.9, 0.9))


def person(sheet: Sheet, x: float, y: float, tall: float) -> None:
    for side in (-1, 1):
        leg = [[0.02 * tall, -0.4 * tall], [0.12 * tall, -0.4 * tall], [0.11 * tall, -2], [0.03 * tall, -2]]
        shape(sheet, np.array(leg) * (side, 1) + (x, y), ANY)
        shoe = oval(x + side * 0.08 * tall, y - 1, 0.07 * tall, max(1.1, 0.03 * tall))
        shape(sheet, shoe, "black" if sheet.chance(0.4) else "none", gaps=0.05)
        arm = np.array([[0.12, -0.7], [0.26, -0.52], [0.21, -0.47], [0.1, -0.58]]) * tall
        shape(sheet, arm * (side, 1) + (x, y), ANY, gaps=0.1)
        detail(sheet, oval(x + side * 0.25 * tall, y - 0.48 * tall, 0.035 * tall, 0.035 * tall))
    _shirt(sheet, x, y, tall)
    head = 0.13 * tall
    shape(sheet, oval(x, y - 0.84 * tall, 0.75 * head, head), "half" if sheet.chance(0.25) else "none", gaps=0.1)
    if head > 3:
        _face(sheet, x, y, tall, head)
    brim, crown = y - 0.92 * tall, y - 1.03 * tall
    kind = int(sheet.rng.integers(0, 3))
    if kind == 0:
        shape(sheet, mirrored(x, [[0.5 * head, crown], [0.9 * head, brim]]), ANY)
    elif kind == 1:
        hair = bulging(sheet, x, y - 0.95 * tall, 0.8 * head, 0.35 * head)
        shape(sheet, hair, sheet.rng.choice(["contour", "black", "hatch"]))
    else:
        shape(sheet, mirrored(x, [[0.01, y - 1.1 * tall], [0.7 * head, brim]]), ANY)


def _shirt(sheet: Sheet, x: float, y: float, tall: float) -> None:
    """Striped, or with buttons."""

    def strip(first: float, last: float) -> Points:
        return mirrored(x, [[tall * (0.13 + 0.03 * a), y - tall * (0.72 - 0.34 * a)] for a in (first, last)])

    if not sheet.chance(sheet.hand.stripes):
        shape(sheet, strip(0, 1), ANY)
        for n in range(3 if tall > 28 else 0):
            detail(sheet, oval(x, y - tall * (0.66 - 0.08 * n), 0.65, 0.65))
        return
    count = max(3, int(0.34 * tall / sheet.rng.uniform(1.6, 2.6)))
    for n in range(count):
        dark = "black" if sheet.chance(2 * sheet.hand.black) else "hatch" if sheet.chance(0.3) else "none"
        shape(sheet, strip(n / count, (n + 1) / count), dark if n % 2 else "none", amount=0.05, gaps=0)


def _face(sheet: Sheet, x: float, y: float, tall: float, head: float) -> None:
    for side in (-1, 1):
        eye = np.array([x + 0.3 * side * head, y - 0.86 * tall])
        detail(sheet, oval(*eye, 0.17 * head, 0.14 * head), 0.7)
        sheet.line([eye, eye + 0.05], 0.13 * head)
    mouth, nose = np.array([[-0.25, 0.46], [0, 0.58], [0.25, 0.46]]), np.array([[0, 0], [0.12, 0.19], [0, 0.23]])
    for part in (mouth, nose):
        sheet.line(sheet.by_hand(part * head + (x, y - 0.84 * tall), 0.03), 0.8 * sheet.hand.pen)


def cat(sheet: Sheet, x: float, y: float, tall: float) -> None:
    long = 0.02 * tall
    shape(sheet, oval(x + 0.5 * tall, y - 0.25 * tall, 0.35 * tall, 0.07 * tall, -0.6), ANY)
    body = furry(sheet, oval(x, y - 0.3 * tall, 0.42 * tall, 0.3 * tall), long)
    shape(sheet, body, sheet.rng.choice(["fur", "fur", "contour", "ticks"]), amount=0.02)
    face = x - 0.35 * tall
    for side in (-1, 1):
        ear = np.array([[0.2, -0.62], [0.2, -0.9], [0.03, -0.72]]) * tall
        shape(sheet, ear * (side, 1) + (face, y), ANY if sheet.chance(0.3) else "none", gaps=0)
    head = furry(sheet, oval(face, y - 0.6 * tall, 0.22 * tall, 0.19 * tall), long)
    shape(sheet, head, "fur" if sheet.chance(0.5) else "none", amount=0.02)
    for side in (-1, 1):
        eye = np.array([face + 0.08 * side * tall, y - 0.63 * tall])
        detail(sheet, oval(*eye, max(0.7, 0.04 * tall), max(0.6, 0.035 * tall)), 0.8)
        sheet.line([eye, eye + 0.03], 0.03 * tall)
        for n in (-1, 0, 1):
            hair = np.array([[0.06 * side, -0.55], [0.3 * side, -0.55 + 0.05 * n]]) * tall + (face, y)
            sheet.line(sheet.by_hand(hair, 0.03), sheet.hand.tone)


def fish(sheet: Sheet, x: float, y: float, tall: float) -> None:
    tail = np.array([[0.35, -0.3], [0.65, -0.52], [0.57, -0.3], [0.65, -0.08]]) * tall + (x, y)
    shape(sheet, tail, sheet.rng.choice(["hatch", "none"]))
    shape(sheet, oval(x, y - 0.3 * tall, 0.43 * tall, 0.24 * tall), ANY)
    eye, bow = np.array([x - 0.25 * tall, y - 0.35 * tall]), np.linspace(-1, 1, 9)
    detail(sheet, oval(*eye, 1, 1))
    sheet.line([eye, eye + 0.01], 0.7)
    gill = np.stack([x - 0.13 * tall + 0.6 * np.cos(1.4 * bow), y + tall * (0.15 * bow - 0.3)], axis=1)
    sheet.line(gill, sheet.hand.pen)


def umbrella(sheet: Sheet, x: float, y: float, tall: float) -> None:
    bar(sheet, box(x - 0.6, y - 0.5 * tall, 1.2, 0.45 * tall))
    rim = x - 0.5 * tall * np.cos(np.pi * np.arange(6) / 5)
    for one, two in pairwise(rim):
        cloth = [[x, y - tall], [one, y - 0.5 * tall], [two, y - 0.5 * tall]]
        shape(sheet, cloth, ANY if sheet.chance(0.5) else "none", amount=0.05, gaps=0)


def ball(sheet: Sheet, x: float, y: float, tall: float) -> None:
    radius = 0.35 * tall
    kind = sheet.rng.choice(["contour", "stipple", "cross", "none", "feather"])
    shape(sheet, oval(x, y - radius, radius, radius), kind)
    if sheet.chance(0.5):
        shape(sheet, oval(x, y - radius, 0.35 * radius, 0.95 * radius), ANY, gaps=0)


def crate(sheet: Sheet, x: float, y: float, tall: float) -> None:
    half, high, deep = 0.3 * tall, 0.5 * tall, 0.2 * tall
    side = [[x + half, y - high], [x + half + deep, y - high - deep], [x + half + deep, y - deep], [x + half, y]]
    shape(sheet, side, sheet.rng.choice(["cross", "hatch", ANY]))
    top = [
        [x - half, y - high],
        [x - half + deep, y - high - deep],
        [x + half + deep, y - high - deep],
        [x + half, y - high],
    ]
    shape(sheet, top, ANY if sheet.chance(0.4) else "none")
    for n in range(3):
        board = box(x - half, y - high + n * high / 3, 2 * half, high / 3)
        shape(sheet, board, "grain" if sheet.chance(0.5) else "none", amount=0.06, gaps=0.08)


def fence(sheet: Sheet, x: float, y: float, tall: float) -> None:
    count, wide = int(sheet.rng.integers(4, 9)), max(2.4, 0.1 * tall)
    for n in range(count):
        middle = x + 1.5 * wide * (n - count / 2)
        slat = mirrored(middle, [[0.01, y - 0.52 * tall], [wide / 2, y - 0.45 * tall], [wide / 2, y]])
        shape(sheet, slat, "grain" if sheet.chance(0.25) else "none", amount=0.06, gaps=0.1)


def flower(sheet: Sheet, x: float, y: float, tall: float) -> None:
    size, middle = 0.12 * tall, y - 0.6 * tall
    bar(sheet, box(x - 0.5, y - 0.5 * tall, 1.0, 0.5 * tall))
    for t in np.linspace(0, 2 * np.pi, 7)[:-1]:
        petal = oval(x + 1.3 * size * np.cos(t), middle + 1.3 * size * np.sin(t), 0.85 * size, 0.55 * size, t)
        shape(sheet, petal, sheet.rng.choice(["feather", "none", "none", "none"]), amount=0.05, gaps=0.05)
    kind = sheet.rng.choice(["cross", "stipple", "none"])
    shape(sheet, oval(x, middle, 0.6 * size, 0.6 * size), kind, amount=0.03, gaps=0)
    leaf = oval(x + 0.12 * tall, y - 0.2 * tall, 0.12 * tall, 0.04 * tall, -0.5)
    shape(sheet, leaf, sheet.rng.choice(["hatch", "none"]), gaps=0.1)


def lighthouse(sheet: Sheet, x: float, y: float, tall: float) -> None:
    wide, count = 0.16 * tall, int(sheet.rng.integers(4, 7))
    for n in range(count):
        band = [[wide * (1 - 0.45 * a), y - 0.75 * tall * a] for a in ((n + 1) / count, n / count)]
        shape(sheet, mirrored(x, band), ANY if n % 2 else "none", gaps=0.05)
    for n in range(3):
        detail(sheet, box(x + wide * (0.433 * n - 0.65), y - 0.88 * tall, 0.433 * wide, 0.13 * tall))
    shape(sheet, mirrored(x, [[0.01, y - tall], [0.75 * wide, y - 0.88 * tall]]), ANY, gaps=0)


THINGS: dict[str, Callable[[Sheet, float, float, float], None]] = {
    "house": house, "tree": tree, "fir": fir, "barrel": barrel, "boat": boat, "person": person, "cat": cat,
    "fish": fish, "umbrella": umbrella, "ball": ball, "crate": crate, "fence": fence, "flower": flower,
    "lighthouse": lighthouse,
}  # fmt: skip
