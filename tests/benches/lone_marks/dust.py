"""I lay dust of four laws on a sheet: rags, grains, clumps and grit.

In: a law, a generator, the picture's shape, dpi. Out: `Dust`: what covers each pixel, how light it is, whose it is.

A law says of each speck its place, size, tone and shape; how a speck is laid is the same for all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from lone_marks.motifs import TURN, log_uniform, somewhere, toward, wander
from lone_marks.sheets import SIDE

from stitchbed.core.arrays import Array, Floats, Labels
from stitchbed.core.quantities import MM_PER_INCH

FINE = 8  # samples to the pixel and side that a speck is drawn at
REACH, PAD_PX = 1.6, 4  # of a speck's size, and more: half the patch it is drawn in
OWN = 0.25  # of a speck's densest pixel: what is thinner is nobody's
SHADOW_MM, SHADOW_SOFT_MM, SHADOW_SOFT_PX = 0.04, 0.05, 0.4  # how far a shadow falls, how soft it is
LEAST_SOFT_PX = 0.2
TONES = (0.03, 0.85)  # of paper, between which a mottled speck stays
RIM = 1.0  # mm of the sheet without dust
LONGEST = 0.58  # mm; what is longer is not taken for dust


@dataclass(frozen=True)
class Shape:
    """points : (n, 2) mm from the speck's middle. width : mm of a line through them, None where they are an outline."""

    points: Array
    width: float | None = None


@dataclass(frozen=True)
class Speck:
    """at : (2,) mm. size : mm. tone : light, of paper. shapes : laid over one another. opacity : 0..1.

    shadow : opacity of its shadow. mottle : relative, one sd of its tone from pixel to pixel. soft : mm, one sd of the
    blur it lies in above the sheet.
    """

    at: Array
    size: float
    tone: float
    shapes: tuple[Shape, ...]
    opacity: float
    shadow: float = 0.0
    mottle: float = 0.0
    soft: float = 0.0


@dataclass(frozen=True)
class Dust:
    """(h, w) each: cover, 0..1; tone, light of paper; owner, number of the speck or 0. sizes : mm, by number."""

    cover: Floats
    tone: Floats
    owner: Labels
    sizes: dict[int, float]


Law = Callable[[np.random.Generator, int], Iterator[Speck]]


def laid(law: Law, rng: np.random.Generator, shape: tuple[int, int], *, dpi: float, count: int) -> Dust:
    """Up to `count` specks; those that would touch another or the rim are left out."""
    dust = Dust(np.zeros(shape, np.float32), np.ones(shape, np.float32), np.zeros(shape, np.int32), {})
    scale = dpi / MM_PER_INCH
    for number, speck in enumerate(law(rng, count), 1):
        half = int(REACH * speck.size * scale) + PAD_PX
        col, row = (speck.at * scale).astype(int).tolist()
        place = slice(row - half, row + half + 1), slice(col - half, col + half + 1)
        outside = min(row, col) < half or row + half >= shape[0] or col + half >= shape[1]
        stamp = _stamp(speck, half, scale)
        if not outside and stamp.any() and not dust.owner[place].any():
            _lay(dust, rng, place, number, speck=speck, stamp=stamp, scale=scale)
            dust.sizes[number] = speck.size
    return dust


def _stamp(speck: Speck, half: int, scale: float) -> Floats:
    """(2 half + 1, 2 half + 1) how much of each pixel a speck covers."""
    side = 2 * half + 1
    fine = np.zeros((side * FINE, side * FINE), np.uint8)
    for shape in speck.shapes:
        points = [np.rint((shape.points * scale + half + 0.5) * FINE).astype(np.int32)]
        if shape.width is None:
            cv2.fillPoly(fine, points, 1)
        else:
            cv2.polylines(fine, points, False, 1, max(1, round(shape.width * scale * FINE)))
    share = cv2.resize(fine.astype(np.float32), (side, side), interpolation=cv2.INTER_AREA)
    if speck.soft * scale > LEAST_SOFT_PX:
        share = cv2.GaussianBlur(share, (0, 0), speck.soft * scale)
    return np.asarray(share * np.float32(speck.opacity), np.float32)


def _lay(
    dust: Dust,
    rng: np.random.Generator,
    place: tuple[slice, slice],
    number: int,
    *,
    speck: Speck,
    stamp: Floats,
    scale: float,
) -> None:
    shade = cv2.GaussianBlur(stamp, (0, 0), SHADOW_SOFT_MM * scale + SHADOW_SOFT_PX)
    both = np.maximum(stamp, speck.shadow * np.roll(shade, max(1, round(SHADOW_MM * scale)), axis=0))
    more = both > dust.cover[place]
    tones = speck.tone * (1 + speck.mottle * rng.standard_normal(int(more.sum())))
    dust.tone[place][more] = np.clip(tones, *TONES)
    dust.cover[place][more] = both[more]
    dust.owner[place][stamp > OWN * stamp.max()] = number


def rags(rng: np.random.Generator, count: int) -> Iterator[Speck]:
    """Ragged flakes and short threads, all over."""
    for _ in range(count):
        size = log_uniform(rng, 0.08, 0.4)
        if rng.random() < 0.75:
            shape = Shape(_ragged(rng, size / 2, np.linspace(0, TURN, 14, endpoint=False), (0.6, 1.25), flat=0.6))
        else:
            end = 0.65 * size * toward(rng.uniform(0, TURN))
            bend, other = rng.normal(0, 0.16 * size, 2), -end + rng.normal(0, 0.13 * size, 2)
            shape = Shape(np.stack([end, bend, other]), max(0.035, 0.25 * size))
        tone, opacity = log_uniform(rng, 0.18, 0.6), rng.uniform(0.85, 1)
        yield Speck(somewhere(rng, RIM), size, tone, (shape,), opacity)


def grains(rng: np.random.Generator, count: int) -> Iterator[Speck]:
    """Grains of one to three lumps and curved hairs, with a soft shadow on one side, all over."""
    for _ in range(count):
        size = float(np.clip(rng.gamma(2.2, 0.07) + 0.06, 0.06, 0.5))
        if rng.random() < 0.6:
            shapes = tuple(_lump(rng, size) for _ in range(rng.integers(1, 4)))
        else:
            along, length = np.linspace(-0.5, 0.5, 12), 1.4 * size
            off = rng.normal(0, 0.5) * along**2 + rng.normal(0, 0.4) * along**3
            hair = _turned(length * np.stack([along, off], axis=1), rng.uniform(0, TURN))
            shapes = (Shape(hair, rng.uniform(0.02, 0.06)),)
        tone, opacity = float(np.clip(rng.beta(2.5, 3), 0.12, 0.75)), rng.uniform(0.8, 1)
        yield Speck(somewhere(rng, RIM), size, tone, shapes, opacity, shadow=rng.uniform(0, 0.25))


def clumps(rng: np.random.Generator, count: int) -> Iterator[Speck]:
    """Flakes with straight sides and fibers, mottled, some of them in swarms."""
    swarm = somewhere(rng, RIM)
    for _ in range(count):
        if rng.random() < 0.8:
            swarm = at = somewhere(rng, RIM)
        else:
            at = np.clip(rng.normal(swarm, 2.5), RIM, SIDE - RIM)
        size = float(np.clip(np.exp(rng.normal(np.log(0.15), 0.5)), 0.05, LONGEST))
        if rng.random() < 0.65:
            angles = np.sort(rng.uniform(0, TURN, rng.integers(4, 8)))
            shape = Shape(_ragged(rng, size / 2, angles, (0.7, 1.2), flat=0.45))
        else:
            fiber = wander(rng, (0, 0), min(1.5 * size, LONGEST), points=14, bend=0.25)
            shape = Shape(fiber - fiber.mean(axis=0), rng.uniform(0.025, 0.07))
        tone, opacity = log_uniform(rng, 0.14, 0.7), rng.uniform(0.8, 1)
        yield Speck(at, size, tone, (shape,), opacity, mottle=0.15)


def grit(rng: np.random.Generator, count: int) -> Iterator[Speck]:
    """Grains with corners and curled fibers, a third of them as black as ink, some a little out of focus, all over."""
    for _ in range(count):
        size = float(np.clip(np.exp(rng.normal(np.log(0.17), 0.45)), 0.07, 0.5))
        if rng.random() < 0.72:
            corners = rng.normal(0, 1, (rng.integers(5, 10), 2)) * (1, rng.uniform(0.45, 1))
            hull = cv2.convexHull(corners.astype(np.float32))[:, 0].astype(np.float64)
            shape = Shape(_turned(_sized(hull, size), rng.uniform(0, TURN)))
        else:
            along = np.linspace(0, 1, 16)[:, None]
            powers = np.concatenate([along**n * (1 - along) ** (3 - n) * (1, 3, 3, 1)[n] for n in range(4)], axis=1)
            shape = Shape(_sized(powers @ rng.normal(0, 1, (4, 2)), size), rng.uniform(0.018, 0.05))
        tone = log_uniform(rng, 0.03, 0.1) if rng.random() < 0.3 else log_uniform(rng, 0.1, 0.5)
        soft = rng.uniform(0, 0.035) if rng.random() < 0.6 else 0.0
        yield Speck(somewhere(rng, RIM), size, tone, (shape,), rng.uniform(0.75, 1), soft=soft)


def _sized(points: Array, size: float) -> Array:
    """Points about their mean, of which the longer side is `size`."""
    return np.asarray((points - points.mean(axis=0)) * size / max(float(np.ptp(points, axis=0).max()), 1e-6))


def _ragged(
    rng: np.random.Generator, radius: float, angles: Array, reach: tuple[float, float], *, flat: float
) -> Array:
    """An outline whose corners stand `reach` of a radius off; it may be flat down to `flat` of its width."""
    corners = (radius * rng.uniform(*reach, len(angles)))[:, None] * toward(angles)
    return _turned(corners * (1, rng.uniform(flat, 1)), rng.uniform(0, np.pi))


def _lump(rng: np.random.Generator, size: float) -> Shape:
    """A core of a grain, off its middle."""
    reach = rng.uniform(0.2, 0.5) * size * rng.uniform((0.6, 0.4), (1.2, 1.1), (9, 2))
    return Shape(rng.normal(0, 0.18 * size, 2) + reach * toward(np.linspace(0, TURN, 9, endpoint=False)))


def _turned(points: Array, angle: float) -> Array:
    return np.asarray(points @ np.stack([toward(angle), toward(angle + np.pi / 2)]))


LAWS: tuple[Law, ...] = (rags, grains, clumps, grit)
