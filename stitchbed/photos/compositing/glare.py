"""I find shine on a work: places burnt out in one photo, and places that one photo sees brighter than another.

In: flat views of the same canvas in linear light, one for each photo. Out: masks, and how much of each photo to take.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Floats, Mask

BURNT = 0.97  # linear light of the brightest channel; sensors clip at 1, small views average a little below
LIGHT_TONE = 0.5  # mean of the channels: a burnt channel of a lighter tone is shine, of a darker one a strong color
BRIGHTER, BRIGHTER_SHARE = 0.03, 0.15  # shine: brighter than the darkest photo by this much light plus this share
SPECK_MM = 1.0  # smaller shining specks are left alone: single brush marks shine from everywhere
ROOM_MM = 3.0  # taken from the other photo round the shine as well


@dataclass(frozen=True)
class Shares:
    """Which photo shows what: weights (photos, h, w) float32, 1 for the one and 0 for others, at `density` px/mm."""

    weights: Floats
    density: float


def burnt(flat: Floats, density: float) -> Mask:
    """(h, w) True where a flat view (h, w, channels) is burnt out over more than a speck."""
    return _without_specks(burnt_out(flat), density)


def burnt_out(flat: Floats) -> Mask:
    """(h, w) True where a channel is at its end in a light tone."""
    return np.asarray((flat.max(axis=2) >= BURNT) & (flat.mean(axis=2) >= LIGHT_TONE))


def balance(flats: Sequence[Floats]) -> Array:
    """(photos, channels) factors to the first photo's exposure: medians of ratios where both see well."""
    first = flats[0]
    factors = []
    for flat in flats:
        good = np.all((flat > 0.02) & (flat < 0.9) & (first > 0.02) & (first < 0.9), axis=2)
        ratio = first[good] / flat[good] if good.sum() > 100 else np.ones((1, first.shape[2]))
        factors.append(np.median(ratio, axis=0))
    return np.array(factors, dtype=np.float64)


def shares(flats: Sequence[Floats], density: float) -> Shares:
    """Take each place from the first photo unless it shines there and another one does not.

    flats : balanced views (h, w, channels) of equal size.
    """
    light = np.stack([_soft(flat.mean(axis=2)) for flat in flats])
    clipped = np.stack([burnt_out(flat) for flat in flats])
    bad = shining(light, clipped, np.ones(light.shape, np.bool_), density)
    best = np.where(bad[0], light.argmin(axis=0), 0)
    # a place that shines in the first photo goes to the first other photo that is calm there, else to the darkest
    for index in range(len(flats) - 1, 0, -1):
        best = np.where(bad[0] & ~bad[index], index, best)
    return Shares(np.stack([best == index for index in range(len(flats))]).astype(np.float32), density)


def shining(light: Floats, clipped: Mask, seen: Mask, density: float) -> Mask:
    """(photos, h, w) True where a photo is burnt out, or brighter than another one that sees the place, with some room.

    light, clipped, seen : (photos, h, w): mean over channels; burnt out; where each photo sees anything.
    """
    darkest = np.where(seen, light, np.inf).min(axis=0)
    shines = seen & ((light > darkest * (1 + BRIGHTER_SHARE) + BRIGHTER) | clipped)
    return np.stack([_grown(_without_specks(mask, density), density) for mask in shines])


def regions_mm(mask: Mask, density: float, most: int = 12) -> list[dict[str, float]]:
    """The largest regions of a mask as boxes: x, y, width, height mm and area mm^2, largest first."""
    count, _, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    order = sorted(range(1, count), key=lambda i: (-int(stats[i, cv2.CC_STAT_AREA]), i))[:most]
    boxes = []
    for i in order:
        x, y, w, h, area = (float(v) for v in stats[i])
        box = {"x": x / density, "y": y / density, "width": w / density, "height": h / density}
        boxes.append({**{k: round(v, 1) for k, v in box.items()}, "area": round(area / density**2, 1)})
    return boxes


def _soft(light: Floats) -> Floats:
    return np.asarray(cv2.GaussianBlur(light, (0, 0), 1.0), dtype=np.float32)


def _without_specks(mask: Mask, density: float) -> Mask:
    side = max(1, round(SPECK_MM * density))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    return np.asarray(cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, kernel) > 0)


def _grown(mask: Mask, density: float) -> Mask:
    side = 2 * round(ROOM_MM * density) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    return np.asarray(cv2.dilate(mask.astype(np.uint8), kernel) > 0)
