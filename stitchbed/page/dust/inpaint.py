"""I fill small masked places from what surrounds them, carrying edges and strokes across.

In: light relative to paper, a mask, how sharp the page is. Out: the same light with the masked pixels replaced.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np

from stitchbed.core.arrays import Floats, Mask
from stitchbed.imaging.sample import look_up
from stitchbed.page.ink import InkTraits, amount, unexplained
from stitchbed.page.page import luminance

REACH = 3  # px the plain filling looks at around each pixel
CONTRAST = 0.3  # of the ink's range on the rim of a place; from here on something crosses it
DIRECTIONS = 24
LEAVING = 1.2  # a filling must not be this much worse than the dust
LARGEST_CROSSING = 120  # px; larger places are filled plainly, strokes cannot be guessed so far


def filled(light: Floats, mask: Mask) -> Floats:
    """(h, w, c) light with `mask` filled from its rim.

    Reference: Bertalmio, Bertozzi & Sapiro, Navier-Stokes, fluid dynamics, and image and video inpainting, CVPR 2001.
    """
    if not mask.any():
        return light
    code, places, result = mask.astype(np.uint8), np.nonzero(mask), light.copy()
    for channel in range(light.shape[2]):
        plane = np.ascontiguousarray(light[..., channel])
        # OpenCV 5.0.0 fills float32 wrongly by its other method (values past 2 from light in 0..1), rightly by this one
        new = cv2.inpaint(plane, code, REACH, cv2.INPAINT_NS)
        result[..., channel][places] = np.maximum(new[places], 0)
    return result


def inpainted(light: Floats, mask: Mask, traits: InkTraits, *, darkens: bool = True) -> Floats:
    """Like `filled`, but places crossed by strokes are filled along the direction that leaves least to explain.

    traits : of this picture, blur in its px. darkens : else pixels that filling would make darker stay: dust is dark.
    """
    result = filled(light, mask)
    for place, part in _places(mask, margin=int(4 * traits.blur) + 3):
        window, known = result[place], mask[place]
        rim = (cv2.dilate(part.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0) & ~known
        values = amount(luminance(window), traits.black)[rim]
        if values.size and np.ptp(values) > CONTRAST and max(part.shape) < LARGEST_CROSSING:
            window[part] = _best(light[place], window, known, part, traits=traits)[part]
    # what the noise would hide anyway stays as it was scanned, grain and all; roots, since eyes and codes follow them
    places = np.nonzero(mask)
    new, old = (np.sqrt(np.maximum(luminance(m[places][None])[0], 0)) for m in (result, light))
    kept = np.abs(new - old) < 1.5 * traits.noise
    if not darkens:
        kept |= new < old
    back = places[0][kept], places[1][kept]
    result[back] = light[back]
    return result


def _places(mask: Mask, margin: int) -> Iterator[tuple[tuple[slice, slice], Mask]]:
    """Each connected masked place: a window round it, and its pixels in that window."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    for number in range(1, count):
        left, top, width, height = stats[number, :4]
        rows = slice(max(0, top - margin), top + height + margin)
        cols = slice(max(0, left - margin), left + width + margin)
        yield (rows, cols), labels[rows, cols] == number


def _best(original: Floats, plain: Floats, known: Mask, part: Mask, *, traits: InkTraits) -> Floats:
    """The filling of `part` whose result black and white explain best, and dust of one gray on it the original.

    Leaving the place as it is stays an option: where strokes cross under dust no filling may be better.
    """
    before = amount(luminance(original), traits.black)
    angles = np.pi * np.arange(DIRECTIONS) / DIRECTIONS
    options = [original, plain, _bare(original, known, part)]
    options += [_along(original, plain, known, part, angle) for angle in angles]
    depth = cv2.distanceTransform(np.pad(part, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
    dust = float(np.median(before[depth >= 0.7 * depth.max()]))
    costs = [_cost(amount(luminance(option), traits.black), before, part, dust, blur=traits.blur) for option in options]
    costs[0] *= LEAVING
    return options[int(np.argmin(costs))]


def _bare(original: Floats, known: Mask, part: Mask) -> Floats:
    """`original` with `part` as the paper beside it: the lighter half of its rim."""
    rim = (cv2.dilate(part.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0) & ~known
    around = original[rim]
    light = around.sum(axis=1)
    new = original.copy()
    new[part] = np.median(around[light >= np.median(light)], axis=0)
    return new


def _along(original: Floats, plain: Floats, known: Mask, part: Mask, angle: float) -> Floats:
    """`plain` with `part` filled from the light met on both sides along `angle`, each weighted by nearness."""
    rows, cols = (places.astype(np.float32)[:, None] for places in np.nonzero(part))
    steps = np.arange(1, max(part.shape) + 2, dtype=np.float32)
    height, width = part.shape
    sides = []
    for sign in (-1, 1):
        r, c = rows + sign * steps * np.sin(angle), cols + sign * steps * np.cos(angle)
        y, x = np.clip(np.rint(r).astype(int), 0, height - 1), np.clip(np.rint(c).astype(int), 0, width - 1)
        outside = ~known[y, x] | (r < 0) | (c < 0) | (r > height - 1) | (c > width - 1)
        first = np.argmax(outside, axis=1)
        every = np.arange(len(rows))
        # half a pixel further out, or interpolation would look back under the mask
        reach = steps[first] + np.float32(0.5)
        r, c = rows[every, 0] + sign * reach * np.sin(angle), cols[every, 0] + sign * reach * np.cos(angle)
        sides.append((look_up(original, np.stack([c, r], -1)).astype(np.float32), reach[:, None]))
    (a, da), (b, db) = sides
    new = plain.copy()
    new[part] = (a * db + b * da) / (da + db)
    return new


def _cost(ink: Floats, before: Floats, part: Mask, dust: float, *, blur: float) -> float:
    """Unexplained ink in and round `part`, jumps across its rim, and what dust over this ink could not have shown.

    Dust covers more or less of a pixel, so what was scanned lies between the ink below and the dust's own gray.
    """
    wide = cv2.dilate(part.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    gray = float(unexplained(ink, blur)[wide].sum())
    jumps = 0.0
    for axis in (0, 1):
        crossing = np.diff(part.astype(np.int8), axis=axis) != 0
        jumps += float(np.abs(np.diff(ink, axis=axis))[crossing].sum())
    low, high = np.minimum(ink, dust), np.maximum(ink, dust)
    outside = np.maximum(low - before, 0) + np.maximum(before - high, 0)
    return gray + 0.6 * jumps + 1.5 * float(outside[part].sum())
