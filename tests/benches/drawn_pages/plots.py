"""I draw pages of narrow plots and of loose nets: fields, pans and frames beside water; shapes hatched side to side.

In: a law, a seed. Out: the lines at 300 dpi, and for each pixel its area. What parts areas here is as thin as what does
not, strokes run from outline to outline, and between two of them lies as much paper as between two plots.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
from drawn_pages.pages import DrawnPage, seen
from drawn_pages.plain import DRAWN, SIZE, nearest, scattered
from drawn_pages.sheet import Area, K, Points, Sheet, runs
from drawn_pages.things import bar, box, oval, shape
from drawn_pages.toned import any_hand, areas_of, words
from drawn_pages.tones import hatched, laid
from numpy.typing import NDArray

Floats = NDArray[np.float32]


def plotted_page(law: str, seed: int) -> DrawnPage:
    """A page by the law of that name, by a hand of its own."""
    rng = np.random.default_rng([sum(law.encode()), 53, seed])
    hand, (high, wide) = any_hand(rng), (round(side * K) for side in SIZE[::-1])
    fine = float(rng.uniform(0.16, 0.35))
    like = float(rng.choice([0.7, 1.0, 1.0, 1.1]))
    hand = replace(hand, pen=fine, tone=max(0.14, like * fine), gaps=0.05, pens=(), black=0.0, vary=0.1)
    sheet = Sheet(
        hand, rng, np.zeros((high, wide), np.uint8), np.ones((high, wide), np.int32), np.ones((high, wide), np.uint8)
    )
    LAWS[law](sheet)
    return seen(sheet)


def _plots(sheet: Sheet) -> None:
    """Fields, pans, blocks and roads on land, water beside it, a box of words, a frame."""
    rng, pen = sheet.rng, sheet.hand.pen
    out = _coast(sheet)
    if sheet.chance(0.7):
        _waves(sheet, out)
    far = -out
    for mask_line in _parcels(sheet, far):
        area = shape(sheet, mask_line, amount=0.05, pen=pen * float(rng.choice([1.0, 1.0, 1.6])))
        if area is not None:
            _worked(sheet, area)
    for _ in range(int(rng.integers(1, 4))):
        x, y = rng.uniform((8, 8), np.array(SIZE) - 30)
        if far[round(y * K), round(x * K)] > 3:
            _pans(sheet, float(x), float(y))
    for _ in range(int(rng.integers(0, 5))):
        _road(sheet)
    for _ in range(int(rng.integers(2, 9))):
        words(sheet, *rng.uniform((15, 10), np.array(SIZE) - 15).tolist(), float(rng.uniform(1.6, 3)))
    _framed(sheet)
    if sheet.chance(0.6):
        _boxed(sheet)


def _coast(sheet: Sheet) -> Floats:
    """(h, w) mm from the coast, on land below 0; its line is drawn, with a bolder pen on some pages."""
    rng = sheet.rng
    y, x = np.mgrid[0 : sheet.ink.shape[0], 0 : sheet.ink.shape[1]].astype(np.float32) / K
    turn = rng.uniform(0, 2 * np.pi)
    tilt = (x - SIZE[0] / 2) * np.cos(turn) + (y - SIZE[1] / 2) * np.sin(turn) - rng.uniform(0, 45)
    for wave in rng.uniform(0.05, 0.7, 5):
        way = rng.uniform(0, 2 * np.pi)
        tilt = tilt + 0.7 / wave * np.sin(wave * (x * np.cos(way) + y * np.sin(way)) + rng.uniform(0, 6))
    wet = (tilt > 0).astype(np.uint8)
    out = (
        cv2.distanceTransform(wet, cv2.DIST_L2, 5) - cv2.distanceTransform(np.asarray(1 - wet), cv2.DIST_L2, 5)
    ) / np.float32(K)
    half = sheet.hand.pen * float(rng.choice([1.0, 1.0, 1.8])) / 2
    sheet.ink[:] = np.rint(255 * np.clip((half - np.abs(out)) * K + 0.5, 0, 1)).astype(np.uint8)
    sheet.shape[:], sheet.count = 1 + wet, 2
    return np.asarray(out, np.float32)


def _waves(sheet: Sheet, out: Floats) -> None:
    """Lines along the coast, broken, farther apart the farther out."""
    rng, away = sheet.rng, float(sheet.rng.uniform(0.55, 1.0))
    gap, wider = float(rng.uniform(0.6, 1.1)), float(rng.uniform(1.0, 1.2))
    y, x = np.mgrid[0 : out.shape[0], 0 : out.shape[1]].astype(np.float32) / K
    for n in range(int(rng.integers(2, 9))):
        kept = np.sin(0.5 * x + 1.9 * n) + np.sin(0.43 * y + 2.3 * n) > -2 + 0.28 * n
        line = np.clip((sheet.hand.tone / 2 - np.abs(out - away)) * K + 0.5, 0, 1) * kept
        np.maximum(sheet.ink, np.rint(255 * line).astype(np.uint8), out=sheet.ink)
        away, gap = away + gap, gap * wider


def _parcels(sheet: Sheet, far: Floats) -> list[Points]:
    """Outlines of fields on dry land, narrow ways between them. far : mm from the coast, on land above 0."""
    rng = sheet.rng
    high, wide = far.shape
    y, x = np.mgrid[0:high:2, 0:wide:2].astype(np.float32) / K
    lane, dry = float(rng.uniform(0.35, 1.4)) + sheet.hand.pen, float(rng.uniform(0.8, 3))
    parcel = nearest(scattered(rng, float(rng.uniform(6, 15))), x * rng.uniform(0.6, 1), y)
    edge = np.ones(parcel.shape, np.uint8)
    edge[:, 1:][parcel[:, 1:] != parcel[:, :-1]] = 0
    edge[1:][parcel[1:] != parcel[:-1]] = 0
    inner = cv2.distanceTransform(edge, cv2.DIST_L2, 5) * 2 / K
    tilled = rng.random(int(parcel.max()) + 1) < rng.uniform(0.4, 0.95)
    mask = (tilled[parcel] & (inner > lane / 2) & (far[::2, ::2] > dry)).astype(np.uint8)
    found = []
    for line in cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]:
        if cv2.contourArea(line) * (2 / K) ** 2 > 4:
            corners = cv2.approxPolyDP(line, 0.3 * K / 2, True)[:, 0]
            if len(corners) > 2:
                found.append(np.asarray(corners * 2 / K, np.float64))
    return found


def _worked(sheet: Sheet, area: Area) -> None:
    """A field: furrows from side to side or from one side, a net of them, tufts, or nothing."""
    rng = sheet.rng
    kind = str(rng.choice(["side", "side", "from", "net", "stipple", "ticks", "none", "none"]))
    angle, pitch = float(rng.uniform(0, 180)), float(rng.uniform(0.6, 1.6)) + sheet.hand.tone
    if kind in ("stipple", "ticks"):
        laid(sheet, area, kind)
    elif kind in ("side", "net"):
        ruled(sheet, area, angle, pitch)
        if kind == "net":
            ruled(sheet, area, angle + float(rng.uniform(50, 90)), pitch * float(rng.uniform(0.85, 1.2)))
    elif kind == "from":
        hatched(sheet, area, angle, pitch=0.8 * pitch, broken=True)


def ruled(sheet: Sheet, area: Area, angle: float, pitch: float) -> None:
    """Strokes that run from outline to outline. angle : degrees. pitch : mm."""
    rng = sheet.rng
    along = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    across = np.array([-along[1], along[0]])
    ways, offs = area.outline @ along, area.outline @ across
    t, at = np.arange(ways.min() - 0.5, ways.max() + 0.5, 0.1), float(offs.min() + pitch * rng.uniform(0.4, 1))
    while at < offs.max() - 0.3 * pitch:
        tilt = rng.normal(0, 0.015) * (t - t.mean()) + 0.04 * np.sin(t / rng.uniform(1, 4) + rng.uniform(0, 6))
        stroke = t[:, None] * along + (at + tilt)[:, None] * across
        for run in runs(area.inside(stroke), 5):
            sheet.line(stroke[run], sheet.hand.tone, area)
        at += pitch * max(0.5, 1 + rng.normal(0, 0.08))


def _pans(sheet: Sheet, x: float, y: float) -> None:
    """Rows of small four-sided plots, some of them with strokes from one side."""
    rng = sheet.rng
    size, lane = float(rng.uniform(1.8, 4.5)), float(rng.uniform(0.35, 1.0)) + sheet.hand.pen
    turn, share = float(rng.normal(0, 0.3)), float(rng.uniform(0, 0.9))
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    tall = size * float(rng.uniform(0.6, 1.3))
    for row in range(int(rng.integers(2, 6))):
        for col in range(int(rng.integers(3, 8))):
            corner = np.array([col * (size + lane), row * (max(1.6, tall) + lane)]) @ axes + (x, y)
            plot = corner + (box(0, 0, size, max(1.6, tall)) + rng.normal(0, 0.06, (4, 2))) @ axes
            area = shape(sheet, plot, amount=0.02, gaps=0.05)
            if area is not None and sheet.chance(share):
                hatched(sheet, area, float(np.degrees(turn)), pitch=float(rng.uniform(0.5, 0.9)), broken=True)


def _road(sheet: Sheet) -> None:
    """A thick line with a ring on it."""
    rng = sheet.rng
    ends = rng.uniform((5, 5), np.array(SIZE) - 5, (2, 2))
    way = (ends[1] - ends[0]) / max(float(np.hypot(*(ends[1] - ends[0]))), 1)
    beside, bend = np.array([-way[1], way[0]]), float(rng.normal(0, 6))
    t = np.linspace(0, 1, 30)
    middle = ends[0] + t[:, None] * (ends[1] - ends[0]) + (bend * np.sin(np.pi * t))[:, None] * beside
    if sheet.chance(0.6):
        sheet.line(middle, float(rng.uniform(0.7, 1.4)))
    else:
        half = 0.4 * beside
        bar(sheet, np.concatenate([middle - half, (middle + half)[::-1]]))
    size = float(rng.uniform(0.85, 1.6))
    for n in rng.integers(0, 30, int(rng.integers(1, 4))).tolist():
        shape(sheet, oval(*middle[n], size, size), amount=0.02, gaps=0)


def _framed(sheet: Sheet) -> None:
    """One or two lines round the page, and pieces within them, every other one hatched or black."""
    rng, pen = sheet.rng, sheet.hand.pen
    wide, long, room = float(rng.uniform(1.3, 2.3)) + pen, float(rng.uniform(4, 11)), float(rng.uniform(0, 0.6))
    inset, dark = float(rng.uniform(2, 5)), str(rng.choice(["hatch", "hatch", "black", "none"]))
    bolder = float(rng.choice([1.0, 1.5]))
    for edge in (inset + wide + 2 * room, inset):
        _cleared_beyond(sheet, edge)
        rim = box(edge, edge, SIZE[0] - 2 * edge, SIZE[1] - 2 * edge)
        sheet.line(sheet.by_hand(np.concatenate([rim, rim[:1]]), 0.03), bolder * pen)
    step = long + (room if room > 0.2 else 0.0)
    for side in range(4):
        span = SIZE[side % 2] - 2 * inset - wide - room
        for n, at in enumerate(np.arange(inset + wide + 2 * room, inset + span - long, step)):
            low = inset + room if side < 2 else SIZE[1 - side % 2] - inset - wide - room
            piece = box(at, low, long, wide) if side % 2 == 0 else box(low, at, wide, long)
            area = shape(sheet, piece, amount=0.02, gaps=0)
            if area is not None and n % 2:
                if dark == "hatch":
                    ruled(sheet, area, float(rng.choice([45, 60, 135])), sheet.hand.tone + float(rng.uniform(0.3, 0.7)))
                else:
                    laid(sheet, area, dark)


def _cleared_beyond(sheet: Sheet, edge: float) -> None:
    """Another paper from `edge` mm of the page's edge on outward, and nothing on it yet."""
    beyond = np.ones(sheet.shape.shape, bool)
    low, (right, foot) = round(edge * K), (round((side - edge) * K) for side in SIZE)
    beyond[low:foot, low:right] = False
    sheet.count += 1
    sheet.shape[beyond], sheet.ink[beyond] = sheet.count, 0


def _boxed(sheet: Sheet) -> None:
    """Words in a box with a double outline."""
    rng = sheet.rng
    wide, high = rng.uniform(25, 45), rng.uniform(18, 32)
    left, top = rng.uniform(10, SIZE[0] - 10 - wide), rng.uniform(10, SIZE[1] - 10 - high)
    shape(sheet, box(left, top, wide, high), amount=0.03, gaps=0)
    lane = float(rng.uniform(0.5, 2.2)) + sheet.hand.pen
    shape(sheet, box(left + lane, top + lane, wide - 2 * lane, high - 2 * lane), amount=0.03, gaps=0)
    size = float(rng.uniform(1.8, 2.8))
    for row in np.arange(top + lane + 3, top + high - lane - 2, 1.8 * size):
        words(sheet, left + 0.6 * wide, float(row), size, 0.6 * wide)
        if sheet.chance(0.6):
            x = left + lane + 4
            sheet.line([[x - 3, row], [x + 3, row]], float(rng.uniform(0.6, 1.1)))
            shape(sheet, oval(x, float(row), 0.9, 0.9), amount=0.02, gaps=0)


def _nets(sheet: Sheet) -> None:
    """Large and small shapes, many of them with strokes from side to side, one way or two, as wide apart as a plot."""
    rng, hand = sheet.rng, sheet.hand
    law = str(rng.choice(["coloring", "rosettes", "buildings", "machines", "plants", "panels"]))
    sheet.hand = replace(hand, fills={"none": 1})
    DRAWN[law](sheet)
    share, least = float(rng.uniform(0.3, 0.8)), float(rng.uniform(0.7, 1.2))
    for area in areas_of(sheet, 6.0):
        if not sheet.chance(share):
            continue
        angle, pitch = float(rng.uniform(0, 180)), least * float(rng.uniform(1, 1.5)) + hand.tone
        ruled(sheet, area, angle, pitch)
        if sheet.chance(0.6):
            ruled(sheet, area, angle + float(rng.uniform(40, 90)), pitch * float(rng.uniform(0.85, 1.2)))
    sheet.hand = hand


LAWS: dict[str, Callable[[Sheet], None]] = {"plots": _plots, "nets": _nets}
