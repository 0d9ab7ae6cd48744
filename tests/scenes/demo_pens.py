"""I am the pen, the brush and the paper the demonstration map is drawn with.

In: points in mm on the sheet, widths in mm, pigments as densities. Out: marks on a `Desk`, and at the end linear light.

A desk holds arrays that the functions here draw into: that is what a sheet of paper is for. Nothing else is changed.
All luck comes from the desk's generator and all sizes are in mm, so the drawing is the same at every resolution.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float32]
Points = NDArray[np.float64]

PAPER = (0.865, 0.842, 0.775)  # linear light of an off-white rag paper
INKS = {"black": (0.022, 0.020, 0.022), "blue": (0.055, 0.125, 0.200), "red": (0.300, 0.045, 0.030)}
SUB = 6  # fractional bits of drawn coordinates
SOFT_PX = 1.4  # cv2's soft edges widen a stroke by this much (measured on ribbons of 1..10 px)
SET_AT = 200 / 25.4  # px per mm at which the widths were chosen by eye


@dataclass(frozen=True)
class Desk:
    """The sheet in work.

    scale : px per mm.   size : (width, height) mm.   rng : where all luck comes from.
    glaze : (h, w, 3) float32 optical density (natural logarithm) of washes.   inks : name -> (h, w) uint8 coverage.
    tooth, mottle, cloud : (h, w) float32 of unit spread: the paper's grain, pigment clouds of 3 mm and of 30 mm.
    """

    scale: float
    size: tuple[float, float]
    rng: np.random.Generator
    glaze: Floats
    inks: dict[str, NDArray[np.uint8]]
    tooth: Floats
    mottle: Floats
    cloud: Floats


def lay_out(width: float, height: float, scale: float, luck: int) -> Desk:
    """An empty sheet of width x height mm at `scale` px per mm."""
    rng = np.random.default_rng(luck)
    shape = (round(height * scale), round(width * scale))
    inks = {name: np.zeros(shape, np.uint8) for name in INKS}
    fields = [_field(shape, width / cell, height / cell, rng) for cell in (0.45, 3.0, 30.0)]
    return Desk(scale, (width, height), rng, np.zeros((*shape, 3), np.float32), inks, *fields)


def _field(shape: tuple[int, int], across: float, down: float, rng: np.random.Generator) -> Floats:
    """Smooth noise of unit spread whose cells are laid out in mm, then brought to the sheet's pixels."""
    cells = rng.standard_normal((int(down) + 4, int(across) + 4), dtype=np.float32)
    big: Floats = np.asarray(cv2.resize(cells, shape[::-1], interpolation=cv2.INTER_CUBIC), np.float32)
    return np.asarray(big / big.std(), np.float32)


def curve(points: ArrayLike, step: float = 0.6, *, closed: bool = False) -> Points:
    """Smooth line through the points, resampled about every `step` mm.

    Reference: Catmull and Rom (1974), from memory.
    """
    p = np.asarray(points, np.float64)
    p = np.vstack([p[-1:], p, p[:2]]) if closed else np.vstack([2 * p[0] - p[1], p, 2 * p[-1] - p[-2]])
    pieces = []
    for a, b, c, d in zip(p, p[1:], p[2:], p[3:], strict=False):
        t = np.linspace(0, 1, max(2, int(np.hypot(*(c - b)) / step) + 1), endpoint=False)[:, None]
        pieces.append(b + t / 2 * ((c - a) + t * ((2 * a - 5 * b + 4 * c - d) + t * (3 * b - a - 3 * c + d))))
    return np.vstack([*pieces, p[-2][None]])


def along(points: ArrayLike, step: float) -> Points:
    """The same polyline with points every `step` mm at most, ends kept."""
    p = np.asarray(points, np.float64)
    way = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(p, axis=0).T))])
    at = np.linspace(0, way[-1], max(2, int(np.ceil(way[-1] / step)) + 1))
    return np.stack([np.interp(at, way, p[:, 0]), np.interp(at, way, p[:, 1])], 1)


def normals(points: Points) -> Points:
    """Unit normals (right of the way) at every point of a polyline."""
    d = np.gradient(points, axis=0)
    return np.stack([-d[:, 1], d[:, 0]], 1) / np.maximum(np.hypot(d[:, 0], d[:, 1]), 1e-9)[:, None]


def spare(desk: Desk) -> float:
    """Width (mm) to add to a stroke so that it looks the same at every resolution."""
    return SOFT_PX / SET_AT - SOFT_PX / desk.scale


def pen(
    desk: Desk, points: ArrayLike, *, width: float = 0.3, ink: str = "black", shake: float = 0.1, taper: float = 0.0
) -> None:
    """One smooth stroke; its width breathes, the hand shakes by `shake` mm, the ends run out over a share `taper`."""
    p = along(points, 0.7)
    s = np.arange(len(p)) * 0.7
    a, b, c = desk.rng.uniform(0, 2 * np.pi, 3)
    n = normals(p)
    p = p + n * (shake * (np.sin(s / 1.7 + a) * 0.5 + np.sin(s / 5.3 + b)))[:, None]
    w = width / 2 * (1 + 0.22 * np.sin(s / 3.1 + c) + 0.12 * np.sin(s / 0.9 + a))
    if taper:
        t = np.linspace(0, 1, len(p))
        w = w * np.clip(np.minimum(t, 1 - t) / taper + 0.25, 0, 1)
    w = np.maximum(w + spare(desk) / 2, 0.01)
    ribbon = np.vstack([p + n * w[:, None], (p - n * w[:, None])[::-1]])
    fill(desk, ribbon, layer=desk.inks[ink])


def fill(desk: Desk, points: ArrayLike, *, layer: NDArray[np.uint8], value: int = 255) -> None:
    """Fill a polygon (mm) into one layer of bytes with soft pixel edges."""
    q = np.round((np.asarray(points) * desk.scale - 0.5) * (1 << SUB)).astype(np.int32)
    cv2.fillPoly(layer, [q], (value,), cv2.LINE_AA, SUB)


def outline(
    desk: Desk, corners: ArrayLike, *, width: float = 0.28, closed: bool = True, over: float = 0.25, ink: str = "black"
) -> None:
    """Straight strokes from corner to corner, each a little too long, as a quick hand draws a box."""
    p = np.asarray(corners, np.float64)
    for a, b in zip(p, np.roll(p, -1, 0) if closed else p[1:], strict=False):
        reach = (b - a) / max(float(np.hypot(*(b - a))), 1e-9) * desk.rng.uniform(0, over)
        pen(desk, [a - reach, b + reach], width=width, shake=0.05, ink=ink)


def ticks(
    desk: Desk, starts: ArrayLike, *, ends: ArrayLike, width: float = 0.2, ink: str = "black", point: float = 0.5
) -> None:
    """Many short straight strokes at once; each ends in `point` times its width."""
    a, b = np.atleast_2d(np.asarray(starts, np.float64)), np.atleast_2d(np.asarray(ends, np.float64))
    d = b - a
    n = np.stack([-d[:, 1], d[:, 0]], 1) / np.maximum(np.hypot(d[:, 0], d[:, 1]), 1e-9)[:, None]
    w = np.maximum(width / 2 * desk.rng.uniform(0.75, 1.25, len(a)) + spare(desk) / 2, 0.01)[:, None]
    quads = np.stack([a + n * w, b + n * w * point, b - n * w * point, a - n * w], 1)
    for quad in np.round((quads * desk.scale - 0.5) * (1 << SUB)).astype(np.int32):
        cv2.fillConvexPoly(desk.inks[ink], quad, (255,), cv2.LINE_AA, SUB)


def hatch(desk: Desk, corners: ArrayLike, *, angle: float, gap: float, width: float = 0.18, gaps: float = 0.0) -> None:
    """Parallel strokes inside a polygon (mm), `angle` in rad; a share `gaps` of the strokes breaks off early."""
    p = np.asarray(corners, np.float64)
    d, n = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    u, v = p @ d, p @ n
    starts, ends = [], []
    for level in np.arange(v.min() + gap * desk.rng.uniform(0.3, 0.7), v.max(), gap):
        level = level + desk.rng.normal(0, 0.08 * gap)
        cross = []
        for i in range(len(p)):
            v0, v1, u0, u1 = v[i - 1], v[i], u[i - 1], u[i]
            if (v0 - level) * (v1 - level) < 0:
                cross.append(u0 + (u1 - u0) * (level - v0) / (v1 - v0))
        cross.sort()
        for u0, u1 in zip(cross[::2], cross[1::2], strict=False):
            short = desk.rng.uniform(0.4, 0.9) if desk.rng.uniform() < gaps else 1.0
            starts.append(d * u0 + n * level)
            ends.append(d * (u0 + (u1 - u0) * short) + n * (level + desk.rng.normal(0, 0.05 * gap)))
    if starts:
        ticks(desk, starts, ends=ends, width=width, point=0.7)


def dots(desk: Desk, points: ArrayLike, *, radius: float = 0.2, ink: str = "black") -> None:
    """Stipple: round dots (mm) whose sizes vary."""
    p = np.atleast_2d(np.asarray(points, np.float64))
    for (x, y), r in zip(p, radius * desk.rng.uniform(0.6, 1.3, len(p)) + spare(desk) / 2, strict=True):
        center = (round(float(x * desk.scale - 0.5) * 64), round(float(y * desk.scale - 0.5) * 64))
        cv2.circle(desk.inks[ink], center, max(int(r * desk.scale * 64), 16), (255,), -1, cv2.LINE_AA, SUB)


def mask_of(desk: Desk, polygons: list[Points], values: ArrayLike | None = None) -> NDArray[np.uint8]:
    """(h, w) uint8 mask of polygons (mm), each filled with its own value (255 if none are given)."""
    layer = np.zeros(desk.tooth.shape, np.uint8)
    for polygon, value in zip(
        polygons, np.full(len(polygons), 255) if values is None else np.asarray(values), strict=True
    ):
        fill(desk, polygon, layer=layer, value=int(value))
    return layer


def wash(
    desk: Desk,
    mask: NDArray[np.uint8],
    *,
    pigment: ArrayLike,
    edge: float = 0.9,
    ragged: float = 0.25,
    rough: float = 1.0,
) -> None:
    """Lay a watercolor wash where the mask is above 0; the mask's value over 255 is its strength.

    pigment : (3,) density.   edge : how much more pigment dries at the rim.   ragged : wander of the rim, mm.
    rough : how unevenly the pigment settles in the paper's hollows and in clouds.
    """
    x, y, w, h = cv2.boundingRect(mask)
    pad = int(3 * desk.scale)
    rows, cols = slice(max(y - pad, 0), y + h + pad), slice(max(x - pad, 0), x + w + pad)
    part = np.ascontiguousarray(mask[rows, cols])
    inside = (part > 0).astype(np.uint8)
    way = cv2.distanceTransform(inside, cv2.DIST_L2, 3) - cv2.distanceTransform(1 - inside, cv2.DIST_L2, 3)
    way = way / np.float32(desk.scale) + np.float32(ragged) * (0.5 * desk.tooth[rows, cols] + desk.mottle[rows, cols])
    body = np.clip(way / 0.22 + 0.5, 0, 1)
    body *= 1 + np.float32(edge) * (
        np.exp(-np.maximum(way, 0) / 0.55) + np.float32(0.3) * np.exp(-np.maximum(way, 0) / 2.5)
    )
    uneven = 0.16 * desk.tooth[rows, cols] + 0.16 * desk.mottle[rows, cols] + 0.2 * desk.cloud[rows, cols]
    body *= 1 + np.float32(rough) * uneven
    reach = max(1, int(ragged * 2 * desk.scale))
    strength = np.asarray(cv2.dilate(part, np.ones((3, 3), np.uint8), iterations=reach), np.float32) / 255
    desk.glaze[rows, cols] += np.maximum(body * strength, 0)[..., None] * np.asarray(pigment, np.float32)


def cover(desk: Desk, mask: NDArray[np.uint8], *, color: ArrayLike | None = None, opacity: float = 1.0) -> None:
    """Body color: hide what lies under the mask; with no color the bare paper comes back."""
    x, y, w, h = cv2.boundingRect(mask)
    rows, cols = slice(y, y + h), slice(x, x + w)
    share = mask[rows, cols].astype(np.float32) * np.float32(opacity / 255)
    for layer in desk.inks.values():
        layer[rows, cols] = np.round(layer[rows, cols] * (1 - share)).astype(np.uint8)
    desk.glaze[rows, cols] *= (1 - share)[..., None]
    if color is not None:
        tone = -np.log(np.asarray(color, np.float32) / np.asarray(PAPER, np.float32))
        uneven = 1 + 0.05 * desk.mottle[rows, cols] + 0.04 * desk.tooth[rows, cols]
        desk.glaze[rows, cols] += (share * uneven)[..., None] * tone


def veil(desk: Desk, mask: NDArray[np.uint8], *, reach: float, strength: float) -> None:
    """Fade what is drawn within `reach` mm of the mask, softly, so that letters can be read over it."""
    size = 2 * int(reach * desk.scale) + 1
    wide = cv2.dilate(mask, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
    cover(desk, np.asarray(cv2.GaussianBlur(wide, (0, 0), reach * desk.scale * 0.45), np.uint8), opacity=strength)


def light_of(desk: Desk) -> Floats:
    """(h, w, 3) float32 linear light 0..1 of the finished sheet."""
    paper = 1 + 0.011 * desk.tooth + 0.006 * desk.mottle + 0.010 * desk.cloud
    light: Floats = np.exp(-np.maximum(desk.glaze, 0))
    light *= np.asarray(PAPER, np.float32)
    light *= paper[..., None]
    for name, layer in desk.inks.items():
        share = np.asarray(cv2.GaussianBlur(layer, (0, 0), 0.035 * desk.scale), np.float32) / 255
        share *= np.clip(0.97 + 0.035 * desk.mottle + 0.025 * desk.tooth, 0, 1)
        light += share[..., None] * (np.asarray(INKS[name], np.float32) - light)
    return np.clip(light, 0, 1)
