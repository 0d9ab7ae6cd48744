"""I draw ink pages whose every dot, stroke and speck of dust is known.

In: dpi and a seed. Out: the page as a scanner sees it with and without dust, and maps that say which mark owns a pixel.

Everything is drawn in mm as exact area coverage, blurred like optics do in linear light, then given grain and noise.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float32]
MM = 25.4
SIDE = 120  # mm of the drawn sheet
PAPER = 0.86  # linear; cartridge paper, common practice, no source
INK = 0.03  # linear; L* 20, drawing ink, common practice, no source
BLUR_MM = 0.022  # optics' sigma; a flatbed resolves little below 50 um (Simcoe, ASP Conf. Ser. 410, 2009)
BLUR_PX = 0.35  # what the sampling adds to the optics
GRAIN = 0.012  # relative, one sd at .1 mm; common practice, no source
NOISE = 0.006  # encoded, one sd per sample


@dataclass
class Sheet:
    """A drawing in progress: ink coverage 0..1 and two maps of owners (0 nobody)."""

    dpi: float
    ink: Floats
    dots: NDArray[np.int32]
    strokes: NDArray[np.int32]
    dot_list: list[tuple[float, float, float]] = field(default_factory=list)
    stroke_count: int = 0


@dataclass
class InkPage:
    """light: (h, w) linear without noise. specks: owner map. marks: 1 where a dot, 2 where hatching."""

    dpi: float
    clean: Floats
    dirty: Floats
    dots: NDArray[np.int32]
    strokes: NDArray[np.int32]
    specks: NDArray[np.int32]
    ink: Floats
    speck_list: list[tuple[float, float, float, float]]


def blank(width_mm: float, height_mm: float, dpi: float) -> Sheet:
    """An empty sheet."""
    shape = (round(height_mm / MM * dpi), round(width_mm / MM * dpi))
    return Sheet(dpi, np.zeros(shape, np.float32), np.zeros(shape, np.int32), np.zeros(shape, np.int32))


def capsule(sheet: Sheet, a: Sequence[float], b: Sequence[float], width: float) -> tuple[tuple[slice, slice], Floats]:
    """Coverage of a round-ended stroke from a to b (x, y mm), width mm, and where it lies."""
    k = sheet.dpi / MM
    (ax, ay), (bx, by), w = (np.array(a) * k - 0.5, np.array(b) * k - 0.5, width * k)
    pad = w / 2 + 2
    rows = slice(max(0, int(min(ay, by) - pad)), max(0, min(sheet.ink.shape[0], int(max(ay, by) + pad) + 2)))
    cols = slice(max(0, int(min(ax, bx) - pad)), max(0, min(sheet.ink.shape[1], int(max(ax, bx) + pad) + 2)))
    y = np.arange(rows.start, rows.stop, dtype=np.float32)[:, None]
    x = np.arange(cols.start, cols.stop, dtype=np.float32)[None]
    dx, dy = bx - ax, by - ay
    t = np.clip(((x - ax) * dx + (y - ay) * dy) / max(dx * dx + dy * dy, 1e-9), 0, 1)
    distance = np.hypot(x - ax - t * dx, y - ay - t * dy)
    # a box of width w seen through a pixel of width 1
    return (rows, cols), np.clip((w + 1) / 2 - distance, 0, min(1.0, w)).astype(np.float32)


def stroke(sheet: Sheet, points: Sequence[Sequence[float]], width: float, *, known: bool = False) -> None:
    """A line through points (x, y mm); each 3 mm of a `known` stroke gets an owner number."""
    place = _bounds(sheet, points, width)
    own = np.zeros(sheet.ink[place].shape, np.float32)
    for a, b in itertools.pairwise(points):
        steps = max(1, int(np.hypot(b[0] - a[0], b[1] - a[1]) / 3))
        knots = np.linspace(a, b, steps + 1)
        for p, q in itertools.pairwise(knots):
            where, cover = capsule(sheet, p, q, width)
            part = own[where[0].start - place[0].start :, where[1].start - place[1].start :]
            part = part[: cover.shape[0], : cover.shape[1]]
            np.maximum(part, cover, out=part)
            if known:
                sheet.stroke_count += 1
                sheet.strokes[where][cover > 0.3] = sheet.stroke_count
    # what two strokes leave bare in a pixel is what each leaves of the other's rest
    sheet.ink[place] = 1 - (1 - sheet.ink[place]) * (1 - own)


def _bounds(sheet: Sheet, points: Sequence[Sequence[float]], width: float) -> tuple[slice, slice]:
    """Where a stroke lies, with room for its edge."""
    k = sheet.dpi / MM
    low, high = np.min(points, axis=0) * k, np.max(points, axis=0) * k
    pad = width * k / 2 + 6
    first = [max(0, int(low[i] - pad)) for i in (1, 0)]
    last = [max(0, min(sheet.ink.shape[1 - i], int(high[i] + pad))) for i in (1, 0)]
    return slice(first[0], last[0]), slice(first[1], last[1])


def dot(sheet: Sheet, x: float, y: float, diameter: float) -> None:
    """A round dot of the pen at (x, y) mm."""
    sheet.dot_list.append((x, y, diameter))
    place, cover = capsule(sheet, (x, y), (x, y), diameter)
    sheet.ink[place] = 1 - (1 - sheet.ink[place]) * (1 - cover)
    sheet.dots[place][cover > 0.3] = len(sheet.dot_list)


def scatter(
    rng: np.random.Generator, area: Sequence[float], count: int, *, apart: float, taken: list[tuple[float, float]]
) -> list[tuple[float, float]]:
    """Up to `count` points in area (x0, y0, x1, y1 mm), none nearer than `apart` mm to one another or to `taken`."""
    found: list[tuple[float, float]] = []
    for _ in range(count * 60):
        if len(found) == count:
            break
        x, y = float(rng.uniform(area[0], area[2])), float(rng.uniform(area[1], area[3]))
        near = taken + found
        if not near or np.hypot(*(np.array(near) - (x, y)).T).min() > apart:
            found.append((x, y))
    return found


def hatch(
    sheet: Sheet, area: Sequence[float], pitch: float, width: float, slope: float, rng: np.random.Generator
) -> None:
    """Parallel strokes by hand inside area (x0, y0, x1, y1 mm), with wobble and tapering ends left out."""
    x0, y0, x1, y1 = area
    for x in np.arange(x0, x1, pitch):
        top = (x + rng.normal(0, 0.05), y0 + rng.uniform(0, 0.8))
        bottom = (x + slope * (y1 - y0) + rng.normal(0, 0.05), y1 - rng.uniform(0, 0.8))
        middle = ((top[0] + bottom[0]) / 2 + rng.normal(0, 0.08), (top[1] + bottom[1]) / 2)
        stroke(sheet, [top, middle, bottom], width, known=True)


def wobbly(center: ArrayLike, radius: float, rng: np.random.Generator, *, rough: float = 0.06) -> NDArray[np.float64]:
    """(n, 2) mm, a closed curve by hand round center. rough : of the radius, one sd of each of its three waves."""
    angle, (x, y) = np.linspace(0, 2 * np.pi, 73), np.asarray(center, np.float64)
    wave = sum(rng.normal(0, rough) * np.cos(k * angle + rng.uniform(0, 6)) for k in (2, 3, 4))
    reach = radius * (1 + wave)
    return np.stack([x + reach * np.cos(angle), y + reach * np.sin(angle)], 1)


def solid(sheet: Sheet, outline: NDArray[np.float64]) -> None:
    """A filled shape; its rim is drawn so that it is soft like any stroke."""
    k = sheet.dpi / MM
    mask = np.zeros(sheet.ink.shape, np.uint8)
    cv2.fillPoly(mask, [np.rint(outline * k - 0.5).astype(np.int32)], 1)
    sheet.ink[mask > 0] = 1
    stroke(sheet, outline.tolist(), 0.4)


def drawing(dpi: float, rng: np.random.Generator) -> Sheet:
    """A 120 x 120 mm sheet: 400 dots (stipple and lone ones), hatching of three pens, outlines, solids, lettering."""
    sheet = blank(SIDE, SIDE, dpi)
    for cx, cy, radius in ((12, 12, 6), (77, 14, 7), (45, 45, 7)):
        solid(sheet, wobbly((cx, cy), radius, rng))
    for center, radius, width in (((30, 70), 9, 0.3), ((70, 45), 8, 0.5), ((18, 42), 9, 0.2), ((45, 14), 8, 0.1)):
        stroke(sheet, wobbly(center, radius, rng).tolist(), width)
    hatch(sheet, (40, 62, 52, 74), 0.5, 0.1, 0.3, rng)
    hatch(sheet, (54, 60, 64, 72), 0.8, 0.2, -0.2, rng)
    hatch(sheet, (68, 60, 80, 74), 1.0, 0.3, 0.1, rng)
    hatch(sheet, (70, 60, 82, 74), 1.1, 0.2, -0.5, rng)
    for area, size, apart in (((22, 2, 36, 12), 0.2, 0.7), ((56, 2, 68, 14), 0.3, 0.8), ((4, 54, 18, 66), 0.5, 1.1)):
        for x, y in scatter(rng, area, 100, apart=apart, taken=[]):
            dot(sheet, x, y, size * rng.uniform(0.9, 1.15))
    _letters(sheet, rng)
    taken = [d[:2] for d in sheet.dot_list]
    for x, y in scatter(rng, (2, 78, 118, 118), 400 - len(taken), apart=0.8, taken=taken):
        dot(sheet, x, y, rng.choice([0.25, 0.3, 0.4, 0.5]))
    return sheet


def _letters(sheet: Sheet, rng: np.random.Generator) -> None:
    """Twelve small stems with a dot over each, and ticks as short as .5 mm."""
    for i in range(12):
        x, y = 26 + 2.0 * i, 30 + rng.uniform(-0.2, 0.2)
        stroke(sheet, [(x, y), (x + 0.05, y + 1.6)], 0.25, known=True)
        dot(sheet, x + 0.05, y - 0.6, 0.3)
        stroke(sheet, [(x, y + 4), (x + 0.3, y + 4.4)], 0.2, known=True)


def with_dust(sheet: Sheet, rng: np.random.Generator, *, specks: int = 600, white: int = 60) -> InkPage:
    """The sheet seen clean and with dust: dark specks .08-.35 mm on paper and beside ink, white ones inside solids."""
    clean = PAPER + (INK - PAPER) * sheet.ink
    dirty, owner, listed = clean.copy(), np.zeros(clean.shape, np.int32), []
    inside = round(0.5 / MM * sheet.dpi)
    core = cv2.erode((sheet.ink > 0.99).astype(np.uint8), np.ones((3, 3), np.uint8), iterations=inside)
    while len(listed) < specks:
        light = len(listed) < white
        size = float(np.exp(rng.uniform(np.log(0.08), np.log(0.35))))
        x, y = rng.uniform(1, SIDE - 1, 2)
        row, col = (int(v / MM * sheet.dpi) for v in (y, x))
        if light != bool(core[row, col]):
            continue
        low, high = (0.4, 0.9) if light else (0.2, 0.55) if rng.random() < 0.95 else (0.06, 0.2)
        tone = rng.uniform(low, high)
        place, cover = _grain_of_dust(sheet, (x, y), size, rng)
        seen = np.abs(cover * (tone - clean[place]))
        if seen.sum() < 0.5 * cover.sum() * abs(tone - (INK if light else PAPER)):
            continue  # it lies on ink of its own darkness, where nobody could see it
        if owner[place].any():
            continue  # two in one place would be counted as two
        listed.append((float(x), float(y), size, float(tone)))
        dirty[place] += cover * (tone - dirty[place])
        owner[place][cover > 0.3 * cover.max()] = len(listed)
    optics = [_through_optics(light, sheet.dpi) for light in (clean, dirty)]
    return InkPage(sheet.dpi, optics[0], optics[1], sheet.dots, sheet.strokes, owner, sheet.ink, listed)


def _grain_of_dust(
    sheet: Sheet, at: Sequence[float], size: float, rng: np.random.Generator
) -> tuple[tuple[slice, slice], Floats]:
    """An irregular speck of about `size` mm across: two or three lumps."""
    reach = size * 1.2
    place, cover = capsule(sheet, at, at, 2 * reach)
    cover[:] = 0
    for _ in range(rng.integers(2, 4)):
        a = np.array(at) + rng.normal(0, 0.18 * size, 2)
        b = a + rng.normal(0, 0.15 * size, 2)
        where, lump = capsule(sheet, a, b, 0.6 * size)
        top, left = where[0].start - place[0].start, where[1].start - place[1].start
        h, w = min(lump.shape[0], cover.shape[0] - top), min(lump.shape[1], cover.shape[1] - left)
        if top >= 0 and left >= 0 and h > 0 and w > 0:
            part = cover[top : top + h, left : left + w]
            np.maximum(part, lump[:h, :w], out=part)
    return place, cover


def _through_optics(light: Floats, dpi: float) -> Floats:
    return cv2.GaussianBlur(light, (0, 0), float(np.hypot(BLUR_MM / MM * dpi, BLUR_PX)))


def seen(light: Floats, dpi: float, rng: np.random.Generator, *, dtype: str = "uint8") -> NDArray[np.generic]:
    """Linear light as stored codes, with paper grain and sensor noise."""
    grain = rng.standard_normal(light.shape, dtype=np.float32)
    grain = cv2.GaussianBlur(grain, (0, 0), max(0.5, 0.05 / MM * dpi))
    light = light * (1 + GRAIN * grain / grain.std())
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055)
    code = code + NOISE * rng.standard_normal(light.shape, dtype=np.float32)
    top = np.iinfo(dtype).max
    return np.rint(np.clip(code, 0, 1) * top).astype(dtype)
