"""I draw pages of plates in frames: bands of pieces within two rims, paper between the pieces, all of it worn.

In: a seed. Out: the lines at 300 dpi, and for each pixel its area. Pieces are a millimeter or two wide, bare ones by
hatched ones; what parts them from the paper round them is broken by up to a millimeter and a half.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
from drawn_pages.pages import DrawnPage, seen
from drawn_pages.plain import SIZE
from drawn_pages.plots import ruled
from drawn_pages.sheet import Area, K, Points, Sheet
from drawn_pages.things import box, shape
from drawn_pages.toned import any_hand, words
from drawn_pages.tones import hatched, laid

BOLD = 0.55  # mm; a line as wide has no breaks


def framed_page(seed: int) -> DrawnPage:
    """A page of plates, by a hand of its own."""
    rng = np.random.default_rng([613, seed])
    hand, (high, wide) = any_hand(rng), (round(side * K) for side in SIZE[::-1])
    fine = float(rng.uniform(0.14, 0.32))
    hand = replace(hand, pen=fine, tone=max(0.12, float(rng.uniform(0.6, 1.1)) * fine), pens=(), black=0.0, vary=0.1)
    sheet = Sheet(
        hand, rng, np.zeros((high, wide), np.uint8), np.ones((high, wide), np.int32), np.ones((high, wide), np.uint8)
    )
    for left, right in _parts(sheet, SIZE[0]):
        for top, foot in _parts(sheet, SIZE[1]):
            _plate(sheet, left, top, right - left, foot - top)
    _broken(sheet)
    return seen(sheet)


def _parts(sheet: Sheet, span: float) -> list[tuple[float, float]]:
    """From where to where, one to three parts of a side, mm."""
    edges = np.linspace(2, span - 2, int(sheet.rng.integers(1, 4)) + 1)
    return [(a + 0.7, b - 0.7) for a, b in pairwise(edges.tolist())]


def _plate(sheet: Sheet, left: float, top: float, wide: float, high: float) -> None:
    """One to three bands round a picture."""
    for _ in range(int(sheet.rng.integers(1, 4))):
        band = _band(sheet, left, top, wide, high)
        left, top, wide, high = left + band, top + band, wide - 2 * band, high - 2 * band
        if min(wide, high) < 15:
            return
    inner = shape(sheet, box(left, top, wide, high), amount=0.02, gaps=0)
    if inner is not None:
        _picture(sheet, left, top, wide, high)


def _band(sheet: Sheet, left: float, top: float, wide: float, high: float) -> float:
    """Pieces side by side within an outer rim; how far it reaches inward, mm."""
    rng, pen = sheet.rng, sheet.hand.pen
    rim = shape(sheet, box(left, top, wide, high), amount=0.02, gaps=0, pen=pen * float(rng.choice([1, 1, 1.6])))
    thick, long = float(rng.uniform(0.9, 2.2)) + pen, float(rng.uniform(2.5, 12))
    room = float(rng.choice([0.0, rng.uniform(0.3, 1.2)])) + (pen if rng.random() < 0.5 else 0.0)
    apart = float(rng.choice([0.0, room]))
    if rim is None:
        return thick
    every, fill = int(rng.choice([1, 2, 2, 2, 3])), str(rng.choice(["rule", "rule", "rule", "cross", "black", "none"]))
    pitch, turn = float(rng.uniform(0.3, 1.2)) + sheet.hand.tone, float(rng.choice([45, 135, 60, 0, 90]))
    for side in range(4):
        span = (wide, high)[side % 2]
        at = thick + 2 * room
        while at + long < span - thick - room:
            low = room if side < 2 else (high, wide)[side % 2] - room - thick
            place = box(left + at, top + low, long, thick) if side % 2 == 0 else box(left + low, top + at, thick, long)
            piece = shape(sheet, place, amount=0.02, gaps=0)
            if piece is not None and int(at / (long + apart)) % every == every - 1:
                _filled(sheet, piece, fill, turn, pitch)
            at += long + apart
    return thick + 2 * room


def _filled(sheet: Sheet, area: Area, fill: str, turn: float, pitch: float) -> None:
    if fill in ("rule", "cross"):
        ruled(sheet, area, turn, pitch)
        if fill == "cross":
            ruled(sheet, area, turn + 70, pitch)
    else:
        laid(sheet, area, fill)


def _picture(sheet: Sheet, left: float, top: float, wide: float, high: float) -> None:
    """Water along a coast with lines beside it, fields with strokes a millimeter and more apart, words."""
    rng = sheet.rng
    if sheet.chance(0.6):
        _coast(sheet, left, top, wide, high)
    for _ in range(int(rng.integers(0, wide * high / 70 + 2))):
        size = rng.uniform(1.5, 5.5, 2)
        x, y = left + rng.uniform(6, max(6.1, wide - 6)), top + rng.uniform(6, max(6.1, high - 6))
        way = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(4, 8))))
        field = np.stack([x + size[0] * np.cos(way), y + size[1] * np.sin(way)], axis=1)
        first, last = field.min(axis=0), field.max(axis=0)
        if np.ptp(way) > 4 and (first > (left + 1, top + 1)).all() and (last < (left + wide - 1, top + high - 1)).all():
            _field(sheet, field)
    if sheet.chance(0.5):
        words(sheet, left + wide / 2, top + high / 2, float(rng.uniform(1.6, 3)), 0.6 * wide)


def _field(sheet: Sheet, outline: Points) -> None:
    area = shape(sheet, outline, amount=0.05, gaps=0.1)
    if area is None:
        return
    kind, turn = str(sheet.rng.choice(["side", "side", "from", "net", "none"])), float(sheet.rng.uniform(0, 180))
    pitch = float(sheet.rng.uniform(0.7, 1.5)) + sheet.hand.tone
    if kind == "from":
        hatched(sheet, area, turn, pitch=pitch, broken=True)
    elif kind != "none":
        ruled(sheet, area, turn, pitch)
        if kind == "net":
            ruled(sheet, area, turn + float(sheet.rng.uniform(50, 90)), pitch)


def _coast(sheet: Sheet, left: float, top: float, wide: float, high: float) -> None:
    """Land above, water below, lines beside the coast."""
    rng = sheet.rng
    x = np.arange(left + 0.05, left + wide, 0.4)
    y = np.full(len(x), top + high * rng.uniform(0.3, 0.7))
    for wave in rng.uniform(0.1, 0.9, 4):
        y += 0.5 / wave * np.sin(wave * x + rng.uniform(0, 6))
    y = np.clip(y, top + 2, top + high - 2)
    foot = top + high - 0.02
    water = sheet.area_of(np.concatenate([np.stack([x, y], axis=1), [[x[-1], foot], [x[0], foot]]]), amount=0)
    sheet.line(np.stack([x, y], axis=1), sheet.hand.pen * float(rng.choice([1, 1.8])))
    sheet.line([[left, top], [left, foot], [left + wide, foot], [left + wide, top]], sheet.hand.pen)
    away, gap = float(rng.uniform(0.5, 1)), float(rng.uniform(0.5, 1.1))
    for n in range(int(rng.integers(0, 8))):
        kept = np.sin(0.5 * x + 1.9 * n) + np.sin(0.23 * x + 2.3 * n) > -2 + 0.3 * n
        line = np.stack([x, y + away], axis=1)
        for run in np.split(np.arange(len(x)), np.flatnonzero(np.diff(kept.astype(int))) + 1):
            if water is not None and kept[run[0]] and len(run) > 4:
                sheet.line(line[run], sheet.hand.tone, water)
        away, gap = away + gap, gap * float(rng.uniform(1, 1.2))


def _broken(sheet: Sheet) -> None:
    """Breaks in fine lines, up to a millimeter and a half long; on some pages most of them in level lines."""
    rng = sheet.rng
    bold = cv2.morphologyEx(sheet.ink, cv2.MORPH_OPEN, np.ones((round(BOLD * K),) * 2, np.uint8))
    rows, cols = np.nonzero(sheet.ink[::3, ::3] > 128)
    count = int(len(rows) * np.exp(rng.uniform(np.log(1e-3), np.log(1.6e-2))))
    level, most = rng.random() < 0.6, float(rng.uniform(0.3, 1.5))
    for n in rng.integers(0, max(1, len(rows)), count if len(rows) else 0).tolist():
        long = most * float(rng.beta(1.2, 2.5)) + 0.05
        high, wide = (0.35, long) if level and rng.random() < 0.8 else (0.7 * long, 0.7 * long)
        middle, half = (cols[n] * 3, rows[n] * 3), (max(1, round(wide * K / 2)), max(1, round(high * K / 2)))
        cv2.ellipse(sheet.ink, (int(middle[0]), int(middle[1])), half, 0, 0, 360, 0, -1)
    np.maximum(sheet.ink, bold, out=sheet.ink)
