"""I lay tone into areas as pens do: hatching, strokes round a form, stipple, feathering, ticks, grain, fur, bricks.

In: a sheet, an area. Out: the sheet, drawn on; nothing of it closes in an area of its own.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from drawn_pages.sheet import Area, Bytes, K, Points, Sheet, runs
from numpy.typing import NDArray

LEAST_MM2 = 0.3  # of an area with tone


def laid(sheet: Sheet, area: Area, kind: str) -> None:
    """Fill an area with one kind of tone; "none" is none."""
    if kind != "none" and area.mm2 > LEAST_MM2:
        TONES[kind](sheet, area)


def any_kind(sheet: Sheet) -> str:
    """A kind of tone as often as the hand lays it."""
    if sheet.chance(sheet.hand.black):
        return "black"
    kinds, often = list(sheet.hand.fills), np.array(list(sheet.hand.fills.values()))
    return str(sheet.rng.choice(kinds, p=often / often.sum()))


def pitch_of(sheet: Sheet) -> float:
    return float(sheet.rng.uniform(*sheet.hand.pitch))


def shade_side(sheet: Sheet, area: Area) -> Bytes:
    """(h, w) 1 on about half of an area's box, its rim soft."""
    angle, (high, wide) = sheet.rng.uniform(0, 2 * np.pi), area.mask.shape
    y, x = np.mgrid[0:high, 0:wide] / np.array([high, wide])[:, None, None]
    waves = 0.06 * np.sin(9 * x) + 0.06 * np.sin(8 * y)
    return ((x - 0.5) * np.cos(angle) + (y - 0.5) * np.sin(angle) + waves > sheet.rng.uniform(-0.2, 0.15)).astype(
        np.uint8
    )


def hatched(
    sheet: Sheet,
    area: Area,
    angle: float,
    *,
    pitch: float | None = None,
    within: Bytes | None = None,
    wave: float = 0.0,
    broken: bool = False,
) -> None:
    """Strokes side by side. angle : degrees. within : (h, w) 1 where. wave : mm. broken : strokes end anywhere."""
    hand, rng = sheet.hand, sheet.rng
    pitch = pitch or pitch_of(sheet)
    width = hand.tone * rng.uniform(0.85, 1.15)
    along = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    across = np.array([-along[1], along[0]])
    rows, cols = np.nonzero(area.mask[::4, ::4] if within is None else area.mask[::4, ::4] & within[::4, ::4])
    if len(rows) < 20:
        return
    places = (np.stack([cols, rows], axis=1) * 4 + (area.left, area.top)) / K
    ways, offs = places @ along, places @ across
    t = np.arange(ways.min() - 1, ways.max() + 1, 0.15)
    middle, half = (ways.min() + ways.max()) / 2, max(1.0, np.ptp(ways) / 2)
    bow, at = 2.4 * rng.normal(0, hand.bend), offs.min() + pitch * rng.uniform(0.2, 0.8)
    depth = area.depth()
    while at < offs.max():
        bent = bow * ((t - middle) / half) ** 2 + wave * np.sin(3 * t / half + 0.3 * at)
        tilt = rng.normal(0, 0.05) + rng.normal(0, min(0.02, 0.2 * pitch / half)) * (t - middle)
        stroke = t[:, None] * along + (at + bent + tilt)[:, None] * across
        held, short = area.inside(stroke, within=within), not sheet.chance(hand.touch)
        if short:
            held &= _deeper(area, depth, stroke, rng.uniform(0.25, 0.8))
        for run in runs(held, 6):
            kept = run[: max(5, int(rng.integers(0, len(run))))] if broken and sheet.chance(0.7) else run
            trim = int(rng.integers(0, 4)) if short else 0
            sheet.line(stroke[kept[trim : len(kept) - trim]], width, area, taper=hand.taper)
        at += pitch * max(0.45, 1 + rng.normal(0, hand.uneven))


def _deeper(area: Area, depth: NDArray[np.float32], points: Points, deep: float) -> NDArray[np.bool_]:
    px = np.rint(points * K).astype(int) - (area.left, area.top)
    high, wide = depth.shape
    px = np.clip(px, 0, (wide - 1, high - 1))
    return depth[px[:, 1], px[:, 0]] > deep


def _hatch(sheet: Sheet, area: Area) -> None:
    hatched(sheet, area, sheet.rng.uniform(*sheet.hand.angles))


def _half(sheet: Sheet, area: Area) -> None:
    hatched(sheet, area, sheet.rng.uniform(*sheet.hand.angles), within=shade_side(sheet, area))


def _cross(sheet: Sheet, area: Area) -> None:
    rng, pitch = sheet.rng, pitch_of(sheet)
    angle, side = rng.uniform(*sheet.hand.angles), shade_side(sheet, area) if sheet.chance(0.6) else None
    hatched(sheet, area, angle, pitch=pitch, within=side)
    less = shade_side(sheet, area) if sheet.chance(0.4) else side
    hatched(sheet, area, angle + rng.uniform(*sheet.hand.cross), pitch=pitch * rng.uniform(0.9, 1.2), within=less)
    if sheet.chance(0.2):
        hatched(sheet, area, angle + rng.uniform(30, 50), pitch=pitch * 1.2, within=shade_side(sheet, area))


def _grain(sheet: Sheet, area: Area) -> None:
    rng = sheet.rng
    angle, pitch = rng.choice([0, 90]) + rng.normal(0, 5), pitch_of(sheet) * rng.uniform(1.2, 2.2)
    hatched(sheet, area, angle, pitch=pitch, wave=rng.uniform(0.2, 0.6), broken=True)


def _contour(sheet: Sheet, area: Area) -> None:
    """Arcs round a point beside the form."""
    hand, rng, pitch = sheet.hand, sheet.rng, pitch_of(sheet)
    low, high = area.outline.min(axis=0), area.outline.max(axis=0)
    reach, angle = float((high - low).max()), rng.uniform(0, 2 * np.pi)
    middle = (low + high) / 2 + reach * rng.uniform(0.7, 1.6) * np.array([np.cos(angle), np.sin(angle)])
    side, radius = shade_side(sheet, area) if sheet.chance(0.6) else None, 0.2 * reach
    while radius < 3 * reach:
        t = np.arange(0, 2 * np.pi, 0.25 / max(radius, 0.5))
        arc = middle + radius * np.stack([np.cos(t), np.sin(t)], axis=1) + rng.normal(0, 0.05, 2)
        for run in runs(area.inside(arc, within=side), 6):
            first, last = (0, 0) if sheet.chance(hand.touch) else rng.integers(1, 5, 2).tolist()
            if len(run) > first + last + 5:
                sheet.line(arc[run[first : len(run) - last]], hand.tone, area, taper=hand.taper)
        radius += pitch * max(0.5, 1 + rng.normal(0, hand.uneven))


def _stipple(sheet: Sheet, area: Area) -> None:
    rng, side = sheet.rng, shade_side(sheet, area)
    for at in area.somewhere(rng, min(2500, int(area.mm2 * rng.uniform(0.4, 1.6)))):
        if sheet.chance(0.15) or area.inside(at[None], within=side)[0]:
            sheet.line([at, at + rng.normal(0, 0.03, 2)], sheet.hand.tone * rng.uniform(1, 1.6), area)


def _feather(sheet: Sheet, area: Area) -> None:
    """Strokes from the outline inward that end in a point."""
    rng, line, pitch = sheet.rng, area.outline, 0.9 * pitch_of(sheet)
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    first, span = rng.uniform(0, way[-1]), way[-1] * rng.uniform(0.25, 0.6)
    for t in np.arange(0, span, pitch):
        at, ahead = (np.array([np.interp((first + t + d) % way[-1], way, c) for c in line.T]) for d in (0, 0.5))
        along = (ahead - at) / max(float(np.hypot(*(ahead - at))), 1e-6)
        inward = np.array([-along[1], along[0]])
        inward *= 1 if inward @ (line.mean(axis=0) - at) > 0 else -1
        long = rng.uniform(1.2, 3.5) * (1 + 0.8 * np.sin(np.pi * t / span))
        sheet.line(
            at + np.linspace(0, long, 8)[:, None] * (inward + 0.3 * along), 1.5 * sheet.hand.tone, area, taper=0.85
        )


def _ticks(sheet: Sheet, area: Area) -> None:
    rng, angle = sheet.rng, sheet.rng.uniform(0, 6)
    for at in area.somewhere(rng, min(300, int(area.mm2 * rng.uniform(0.04, 0.15)))):
        for n in range(int(rng.integers(1, 4))):
            way = np.array([np.cos(angle + rng.normal(0, 0.2)), np.sin(angle)])
            start = at + (0.6 * n, 0)
            sheet.line(sheet.by_hand([start, start + rng.uniform(0.8, 2) * way], 0.05), sheet.hand.tone, area)


def _fur(sheet: Sheet, area: Area) -> None:
    rng, lie = sheet.rng, sheet.rng.uniform(0, 6)
    for at in area.somewhere(rng, min(400, int(area.mm2 * 0.25))):
        a, b = lie + rng.normal(0, 0.35) + np.array([0, 0.4])
        hair = [at, at + 0.8 * np.array([np.cos(a), np.sin(a)]), at + 1.7 * np.array([np.cos(b), np.sin(b)])]
        sheet.line(hair, sheet.hand.tone, area, taper=0.5)


def _bricks(sheet: Sheet, area: Area) -> None:
    """A few bricks here and there, of each a part of its outline."""
    rng = sheet.rng
    for at in area.somewhere(rng, int(area.mm2 / 40)):
        end = 3.2 * rng.uniform(0.3, 0.9)
        sheet.line(sheet.by_hand(at + np.array([[3.2, 0], [0, 0], [0, 1.4], [end, 1.4]]), 0.05), sheet.hand.tone, area)
        if sheet.chance(0.5):
            sheet.line(sheet.by_hand(at + np.array([[1.3, 1.4], [4.5, 1.4]]), 0.05), sheet.hand.tone, area)


def _black(sheet: Sheet, area: Area) -> None:
    high, wide = area.mask.shape
    sheet.ink[area.top : area.top + high, area.left : area.left + wide][area.mask > 0] = 255


TONES: dict[str, Callable[[Sheet, Area], None]] = {
    "hatch": _hatch, "half": _half, "cross": _cross, "grain": _grain, "contour": _contour, "stipple": _stipple,
    "feather": _feather, "ticks": _ticks, "fur": _fur, "bricks": _bricks, "black": _black,
}  # fmt: skip
