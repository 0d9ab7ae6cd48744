"""I draw pages of many kinds with tone: what the plain laws draw, scenes and charts, each page by a hand of its own.

In: a law, a seed. Out: the lines at 300 dpi, and for each pixel its area. No two pages are drawn by one hand, so that
what is tuned or learned on them is no hand's. Outlines are drawn with up to three pens, some as fine as those of tone.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from drawn_pages.hands import ALL, Hand
from drawn_pages.pages import FACES, WORDS, DrawnPage, scenes, seen
from drawn_pages.plain import DRAWN, PARTED, SIZE, nearest, parted, scattered
from drawn_pages.sheet import Area, Bytes, K, Sheet
from drawn_pages.things import bar, box, oval, shape
from drawn_pages.tones import any_kind, laid
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from scipy import ndimage

TONES = ("hatch", "half", "cross", "grain", "contour", "stipple", "feather", "ticks", "fur", "bricks")

Labels = NDArray[np.int64]


def any_hand(rng: np.random.Generator) -> Hand:
    """A hand nobody else has; pens from one for all to three times as bold as those of tone."""
    pen = float(np.exp(rng.uniform(np.log(0.2), np.log(0.7))))
    tone = max(0.12, pen * float(rng.uniform(0.4, 1.1)))
    low = max(2.2 * tone, float(rng.uniform(0.45, 0.9)))
    kinds = rng.permutation(np.array(TONES))[: int(rng.integers(2, 8))].tolist()
    things = rng.permutation(np.array(ALL))[: int(rng.integers(6, len(ALL) + 1))].tolist()
    return Hand(
        pen, tone, float(rng.uniform(0.03, 0.3)), (low, low * float(rng.uniform(1.1, 1.8))),
        {"none": float(rng.uniform(1, 6))} | {kind: float(rng.uniform(0.4, 3)) for kind in kinds},
        {thing: float(rng.uniform(0.5, 3)) for thing in things},
        size=SIZE, vary=float(rng.uniform(0.02, 0.4)), gaps=float(rng.uniform(0, 0.4)),
        touch=float(rng.uniform(0.3, 1)), uneven=float(rng.uniform(0.02, 0.3)), bend=float(rng.uniform(0, 0.3)),
        angles=(0, 180) if rng.random() < 0.4 else (20, 70), cross=(float(rng.uniform(30, 70)), 90),
        many=int(rng.integers(3, 9)), panels=bool(rng.random() < 0.3), doubled=float(rng.choice([0, 0, 0.2])),
        shadow=float(rng.uniform(0, 0.5)), sky=float(rng.uniform(0, 0.6)), stripes=float(rng.random()),
        tiles=float(rng.uniform(0, 0.5)), balloon=float(rng.random()), black=float(rng.choice([0, 0.05, 0.15, 0.4])),
        taper=float(rng.choice([0, 0, 0.6])),
        pens=() if rng.random() < 0.4 else (1.0, *np.clip(np.exp(rng.uniform(-1.1, 0.7, 2)), 0.12 / pen, 2).tolist()),
    )  # fmt: skip


def toned_page(law: str, seed: int) -> DrawnPage:
    """A page by the law of that name."""
    rng = np.random.default_rng([sum(law.encode()), 31, seed])
    hand, (high, wide) = any_hand(rng), (round(side * K) for side in SIZE[::-1])
    sheet = Sheet(
        hand, rng, np.zeros((high, wide), np.uint8), np.ones((high, wide), np.int32), np.ones((high, wide), np.uint8)
    )
    if law == "scene":
        scenes(sheet)
    elif law == "close":  # few things, large
        sheet.hand = replace(hand, many=3)
        scenes(sheet, 2.4)
    elif law == "chart":
        _chart(sheet)
    else:
        sheet.hand = replace(hand, fills={"none": 1}, black=0.0)
        if law in PARTED:
            parted(sheet, PARTED[law])
        else:
            DRAWN[law](sheet)
        sheet.hand = hand
        _tone(sheet, float(rng.uniform(0.1, 0.8)))
    return seen(sheet)


def _tone(sheet: Sheet, share: float) -> None:
    """Lay tone into a share of the areas that are there, on some pages all of one kind and one way."""
    hand, rng = sheet.hand, sheet.rng
    if sheet.chance(0.4):
        turn = float(rng.uniform(0, 180))
        sheet.hand = replace(hand, angles=(turn - 3, turn + 3), fills={str(rng.choice(["hatch", "cross"])): 1})
    for area in areas_of(sheet):
        if sheet.chance(share):
            laid(sheet, area, any_kind(sheet))
    sheet.hand = hand


def areas_of(sheet: Sheet, least_mm2: float = 2.0) -> list[Area]:
    """Each connected part of a shape, without the line round it."""
    found = []
    for number, place in enumerate(ndimage.find_objects(sheet.shape), 1):
        if place is None:
            continue
        count, parts, stats, _ = cv2.connectedComponentsWithStats(
            (sheet.shape[place] == number).astype(np.uint8), connectivity=4
        )
        for n in range(1, count):
            left, top, wide, high, size = stats[n].tolist()
            if size > least_mm2 * K**2:
                mask = (parts[top : top + high, left : left + wide] == n).astype(np.uint8)
                corner = left + place[1].start, top + place[0].start
                lines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
                line = max(lines, key=len)[::6, 0]
                found.append(Area(mask, corner[1], corner[0], (line + corner) / K))
    return found


def _chart(sheet: Sheet) -> None:
    """Land with blocks of houses, yards and gardens, a sea with lines along the coast, a frame in pieces, a legend."""
    rng = sheet.rng
    y, x = np.mgrid[0 : sheet.ink.shape[0], 0 : sheet.ink.shape[1]].astype(np.float32) / K
    turn = rng.uniform(0, 2 * np.pi)
    slope = (x - 50) * np.cos(turn) + (y - 65) * np.sin(turn) + rng.uniform(-15, 25)
    for _ in range(4):
        wave, way = rng.uniform(0.06, 0.5), rng.uniform(0, 2 * np.pi)
        slope = slope + 0.9 / wave * np.sin(wave * (x * np.cos(way) + y * np.sin(way)) + rng.uniform(0, 6))
    far = cv2.distanceTransform((slope > 0).astype(np.uint8), cv2.DIST_L2, 5) / K
    parted(sheet, lambda s, u, v: _blocks(s, u, v, slope, far))
    sea = sheet.shape == sheet.shape[slope < 0][0] if (slope < 0).any() else np.zeros(slope.shape, bool)
    yards = [area for area in areas_of(sheet) if area.mm2 < 400]
    share, kinds = float(rng.uniform(0.3, 0.9)), sheet.hand
    if sheet.chance(0.5):
        sheet.hand = replace(kinds, fills={"hatch": 2, "cross": 1, "stipple": 1, "none": 1})
    for area in yards:
        if sheet.chance(share):
            laid(sheet, area, any_kind(sheet))
    sheet.hand = kinds
    _water(sheet, slope, sea)
    for _ in range(int(rng.integers(0, 12))):
        _stop(sheet, *rng.uniform((8, 8), np.array(SIZE) - 8).tolist())
    _frame(sheet)
    if sheet.chance(0.7):
        _legend(sheet)
    for _ in range(int(rng.integers(0, 12))):
        words(sheet, *rng.uniform((15, 10), np.array(SIZE) - 15).tolist(), float(rng.uniform(1.6, 4)))


def _blocks(
    sheet: Sheet, x: NDArray[np.float32], y: NDArray[np.float32], slope: NDArray[np.float32], far: NDArray[np.float32]
) -> Labels:
    """Sea 0, streets and open land 1, blocks, some of them in two or more lots."""
    rng = sheet.rng
    apart, half = rng.uniform(7, 16), rng.uniform(0.8, 2.0) + sheet.hand.pen / 2
    parcel = nearest(scattered(rng, apart), x, y)
    edge = np.ones(parcel.shape, np.uint8)
    edge[:, 1:][parcel[:, 1:] != parcel[:, :-1]] = 0
    edge[1:][parcel[1:] != parcel[:-1]] = 0
    inner = cv2.distanceTransform(edge, cv2.DIST_L2, 5) / K
    lots = nearest(scattered(rng, rng.uniform(2.6, 5)), x, y)
    built = rng.random(int(parcel.max()) + 1)[parcel]
    one = (parcel.astype(np.int64) + 1) * 100_000
    block = np.where(built < 0.45, one + lots + 1, one)
    open_ = (inner < half) | (far < rng.uniform(1.0, 4.0)) | (built > 0.9)
    return np.where(slope < 0, 0, np.where(open_, 1, block))


def _water(sheet: Sheet, slope: NDArray[np.float32], sea: NDArray[np.bool_]) -> None:
    """Lines along the coast, farther apart and more broken the farther out; or small waves."""
    rng = sheet.rng
    out = cv2.distanceTransform((slope < 0).astype(np.uint8), cv2.DIST_L2, 5) / K
    away, step = rng.uniform(0.5, 1.0) + sheet.hand.pen / 2, rng.uniform(1.05, 1.3)
    y, x = np.mgrid[0 : out.shape[0], 0 : out.shape[1]].astype(np.float32) / K
    gap, broken = max(2.2 * sheet.hand.tone, rng.uniform(0.5, 0.9)), rng.uniform(0.0, 0.5)
    for n in range(int(rng.choice([0, 3, 4, 5, 6, 8]))):
        wave = np.sin(0.8 * x + 2.1 * n) + np.sin(0.7 * y + 1.3 * n) + np.sin(0.31 * (x - y) + n)
        kept = sea & (wave > -3 + 6 * (broken * (0.3 + 0.1 * n)))
        half = sheet.hand.tone * K / 2
        line = np.clip(half + 0.5 - np.abs(out - away) * K, 0, 1) * kept
        np.maximum(sheet.ink, np.rint(255 * line).astype(np.uint8), out=sheet.ink)
        away, gap = away + gap, gap * step
        if gap > 1.5:
            break
    for _ in range(int(rng.integers(0, 60))):
        at = rng.uniform((5, 5), np.array(SIZE) - 5)
        if sea[tuple(np.rint(at[::-1] * K).astype(int))]:
            way = np.linspace(0, 2 * np.pi, 12)
            sheet.line(np.stack([at[0] + 0.35 * way, at[1] + 0.25 * np.sin(way)], axis=1), sheet.hand.tone)


def _stop(sheet: Sheet, x: float, y: float) -> None:
    """A ring on a thick line."""
    turn = sheet.rng.uniform(0, np.pi)
    way = 7 * np.array([np.cos(turn), np.sin(turn)])
    beside = 0.45 * np.array([-np.sin(turn), np.cos(turn)])
    bar(sheet, [way + beside + (x, y), way - beside + (x, y), (x, y) - way - beside, (x, y) - way + beside])
    size = float(sheet.rng.uniform(0.9, 1.6))
    shape(sheet, oval(x, y, size, size), amount=0.02, gaps=0)


def _frame(sheet: Sheet) -> None:
    """Pieces along the edge, every other one dark or hatched."""
    wide, long = float(sheet.rng.uniform(1.9, 3.5)) + sheet.hand.pen, float(sheet.rng.uniform(5, 12))
    dark = str(sheet.rng.choice(["hatch", "black", "none", "cross"]))
    for n, at in enumerate(np.arange(2, SIZE[0] - 2 - long, long)):
        for top in (2.0, SIZE[1] - 2 - wide):
            shape(sheet, box(at, top, long, wide), dark if n % 2 else "none", amount=0.02, gaps=0)


def _legend(sheet: Sheet) -> None:
    rng = sheet.rng
    wide, high = rng.uniform(28, 45), rng.uniform(20, 35)
    left, top = rng.uniform(6, SIZE[0] - 6 - wide), rng.uniform(8, SIZE[1] - 8 - high)
    shape(sheet, box(left, top, wide, high), amount=0.03, gaps=0)
    size = float(rng.uniform(2, 3))
    for row in np.arange(top + 3, top + high - 3, 1.7 * size):
        words(sheet, left + 0.55 * wide, float(row), size, 0.75 * wide)
        if sheet.chance(0.5):
            kind = any_kind(sheet) if sheet.chance(0.5) else "none"
            shape(sheet, box(left + 1.5, row - 1.2, 4, 2.4), kind, amount=0.02, gaps=0)


def words(sheet: Sheet, x: float, y: float, size: float, room: float = 40.0) -> None:
    """A row of words round a place, as wide as there is room; size, room : mm."""
    face = ImageFont.truetype(f"{sheet.rng.choice(FACES)}.ttf", int(size * K))
    text = str(sheet.rng.choice(WORDS))
    wide = min(room, 0.8 * size * len(text))
    picture = Image.new("L", (max(1, int(wide * K)), int(1.6 * size * K)))
    ImageDraw.Draw(picture).text((picture.width / 2, picture.height / 2), text, 255, face, anchor="mm")
    _stamped(sheet, np.asarray(picture), x, y)


def _stamped(sheet: Sheet, picture: Bytes, x: float, y: float) -> None:
    """Ink of a small picture, its middle at x, y mm."""
    top, left = round(y * K) - picture.shape[0] // 2, round(x * K) - picture.shape[1] // 2
    high, wide = sheet.ink.shape
    rows, cols = (
        slice(max(0, top), min(high, top + picture.shape[0])),
        slice(max(0, left), min(wide, left + picture.shape[1])),
    )
    part = picture[rows.start - top : rows.stop - top, cols.start - left : cols.stop - left]
    np.maximum(sheet.ink[rows, cols], part, out=sheet.ink[rows, cols])


LAWS: tuple[str, ...] = ("chart", "scene", "close", *PARTED, *DRAWN)
