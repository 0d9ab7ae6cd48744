"""I lift ink off the paper: straight alpha and ink color, so that over white the page comes back as it was.

In: stored codes of a clean page. Out: color and alpha codes of the same depth.

Layers are blended on stored codes, so alpha is made from stored codes too: light blended there would turn 128 into 55.
Paper W is the top code. With ink color K a pixel between them is W - a (W - K), whence a; the color that is left over
makes the pixel exact: C = (v - (1 - a)) / a. Alpha is never less than 1 - min(v), or C would leave 0..1.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from stitchbed.color.convert import from_srgb, hex_color
from stitchbed.core.arrays import Array, Floats, Mask, Pixels
from stitchbed.core.errors import BadSettings
from stitchbed.core.progress import Progress, counted, silent
from stitchbed.imaging.compiled import compiled
from stitchbed.imaging.gray import mean_of, most_of
from stitchbed.imaging.transfer import looked_up
from stitchbed.page.medium import MEDIA

NEAR_WHITE = 0.97  # of the top code; pale washes are darker
# share of what is near white that has the top code, from which on the paper counts as white already; pale washes and
# soft shading are near white too, and would be cut off with the paper's grain
PURE = {"ink": 0.6, "pencil": 0.1, "paint": 0.1}
MOST_NOISE = 0.2  # share of the top code; what strays more is another color, or an edge
LEAST_SOLID = 400  # px deep in solid ink before its noise is believed
SOLID_HALO = 1
LEAST_WAY = 1e-3  # squared, from paper to ink in shares; ink paler than that tells no way
MOST_TINT = 0.8  # of the channel that sends back most; old cream paper has .85, and a wash that lacks more is no paper
GRAIN_SDS = 3.5  # of the paper's grain that are cut off where it is not


@dataclass(frozen=True)
class InkSettings:
    """ink : "own" keeps the page's colors, "black", or "#rrggbb" for one color of your own.

    medium : "ink" makes solid strokes opaque and evens the noise of their black; "pencil" and "paint" keep every tone
    as alpha alone, so that color below shines through as it does through graphite.
    """

    ink: str = "own"
    medium: str = "ink"


@dataclass(frozen=True)
class Lifting:
    """What lifts a page's lines. white : (c,) where paper begins in each channel, as a share of the top code.

    darkest : (c,) share, the solid ink's own color. color : (c,) codes of a color to use instead of the page's own, or
    None. opaque : solid ink becomes opaque. noise : share of the top code by which solid ink strays from its color; 0
    where little of it was seen.
    """

    white: Floats
    darkest: Floats
    color: Pixels | None
    opaque: bool
    noise: float = 0.0

    @property
    def pure(self) -> bool:
        """The paper is white already: nothing of it is cut off."""
        return bool(self.white.min() >= 1)


def lifting_of(
    samples: Sequence[Pixels], settings: InkSettings, icc: bytes | None, *, progress: Progress = silent
) -> Lifting:
    """How to lift a page's lines, from sample windows of its codes (h, w, 1 or 3, RGB where color is added).

    Raises
    ------
    BadSettings : unknown medium or color.
    """
    if settings.medium not in MEDIA:
        raise BadSettings(f"medium {settings.medium!r}", expected=", ".join(MEDIA), attempt="--medium ink")
    dtype = samples[0].dtype.name
    own = settings.ink == "own"
    color = None if own else from_srgb(hex_color("#000000" if settings.ink == "black" else settings.ink), icc, dtype)
    top = np.float32(np.iinfo(dtype).max)
    pixels = np.concatenate([s.reshape(-1, s.shape[2]) for s in samples]).astype(np.float32) / top
    darkest, opaque = _darkest(pixels), settings.medium == "ink"
    told = counted(samples, "measuring the ink", len(samples), progress)
    noise = _noise(told, darkest, float(top)) if opaque else 0.0
    return Lifting(_white(pixels, PURE[settings.medium]), darkest, color, opaque, noise)


def solid_ink(codes: Pixels, lifting: Lifting) -> Mask:
    """(h, w) inside of solid strokes: as dark as their ink but for its noise, and so is every neighbor."""
    if not lifting.opaque:
        return np.zeros(codes.shape[:2], bool)
    top = int(np.iinfo(codes.dtype).max)
    every = np.arange(top + 1, dtype=np.float32)[:, None] / np.float32(top)
    off = most_of(looked_up(codes, np.abs(every - lifting.darkest)))
    return np.asarray(cv2.dilate(off, np.ones((3, 3), np.uint8)) <= lifting.noise + 1e-6)


def lifted(codes: Pixels, lifting: Lifting) -> Pixels:
    """(h, w, c + 1) color and straight alpha of (h, w, c) codes; c grows to 3 where a color is added to gray.

    Whether a stroke is solid is asked of a pixel's neighbors: SOLID_HALO px around a block decide with it.
    """
    page, solid = whitened(codes, lifting), solid_ink(codes, lifting)
    return _in_own_colors(page, solid, lifting) if lifting.color is None else _in_one_color(page, solid, lifting.color)


def _in_one_color(page: Pixels, solid: Mask, color: Pixels) -> Pixels:
    """As near as codes of alpha allow over white."""
    top = np.iinfo(page.dtype).max
    layer = np.empty((*page.shape[:2], len(color) + 1), page.dtype)
    layer[..., :-1] = color
    layer[..., -1] = np.rint(np.float32(top) - mean_of(page))
    layer[solid, -1] = top
    return layer


def _in_own_colors(page: Pixels, solid: Mask, lifting: Lifting) -> Pixels:
    """Own color must not leave 0..1, so its alpha is never too small."""
    top = np.iinfo(page.dtype).max
    channels = page.shape[2]
    own = np.rint(np.minimum(lifting.darkest / lifting.white, 1) * top).astype(page.dtype)
    way = 1 - lifting.darkest
    length = float((way * way).sum())
    along = way / length if lifting.opaque and length >= LEAST_WAY else np.zeros_like(way)
    layer = np.empty((solid.size, channels + 1), page.dtype)
    flat = np.ascontiguousarray(page).reshape(-1, channels)
    _lift(flat, solid.reshape(-1), along.astype(np.float64), own, float(top), layer)
    return layer.reshape(*solid.shape, channels + 1)


@compiled
def _lift(page: Pixels, solid: Mask, along: Array, own: Pixels, top: float, layer: Pixels) -> None:
    """Fill `layer` (n, c + 1) from `page` (n, c). along : (c,) what each channel's lack of light adds to alpha, by
    projection on the way from paper to the solid ink's color. own : (c,) codes of that ink."""
    channels = page.shape[1]
    for i in range(page.shape[0]):
        covered, alpha = 0.0, 0.0
        for c in range(channels):
            lack = 1 - page[i, c] / top
            alpha = max(alpha, lack)
            covered += lack * along[c]
        steps = top if solid[i] else np.ceil(min(max(alpha, covered), 1.0) * top - 1e-3)
        layer[i, channels] = np.uint32(steps)
        share = steps / top
        for c in range(channels):
            if solid[i] or steps < 1:
                layer[i, c] = own[c]
            else:
                color = (page[i, c] / top - (1 - share)) / share
                layer[i, c] = np.uint32(np.rint(min(max(color, 0.0), 1.0) * top))


def whitened(codes: Pixels, lifting: Lifting) -> Pixels:
    """The page lines are lifted from: codes with the paper at the top code."""
    if lifting.pure:
        return codes
    top = np.iinfo(codes.dtype).max
    return np.asarray(np.minimum(np.rint(codes / lifting.white), top), codes.dtype)


def over(color: Pixels, below: Pixels) -> Pixels:
    """(h, w, c) codes of straight color and alpha (h, w, c + 1) laid over opaque codes (h, w, c), blended as stored.

    Reference: Porter & Duff, Compositing digital images, SIGGRAPH 1984.
    """
    top = np.float32(np.iinfo(color.dtype).max)
    share = color[..., -1:].astype(np.float32) / top
    mixed = color[..., :-1].astype(np.float32) * share + below.astype(np.float32) * (1 - share)
    return np.asarray(np.rint(mixed), below.dtype)


def _white(pixels: Floats, pure: float) -> Floats:
    """(c,) share of the top code at which bare paper begins in each channel: 1 when the paper is white already.

    Cream paper lacks blue only: one limit for all channels would leave a yellow film over the whole page.
    pure : see PURE.
    """
    gray, channels = mean_of(pixels[None])[0], pixels.shape[1]
    light = gray[gray > 0.75]
    if not light.size or (light >= 1).sum() > pure * (light > NEAR_WHITE).sum() > 0:
        return np.ones(channels, np.float32)
    near = pixels[np.abs(gray - np.median(light)) < 0.06]
    grain = GRAIN_SDS * near.std(axis=0, dtype=np.float64)
    found = np.clip(np.median(near, axis=0) - grain, 0.5, 1)
    return np.asarray(np.maximum(found, MOST_TINT * found.max()), np.float32)


def _darkest(pixels: Floats) -> Floats:
    """(c,) color of the solid ink: the middle of the darkest twentieth of what is dark."""
    gray = pixels.mean(axis=1)
    dark = pixels[gray < 0.5]
    if not dark.size:
        return np.zeros(pixels.shape[1], np.float32)
    limit = np.percentile(dark.mean(axis=1), 5)
    return np.asarray(np.median(dark[dark.mean(axis=1) <= limit + 0.02], axis=0), np.float32)


def _noise(samples: Iterable[Pixels], darkest: Floats, top: float) -> float:
    """How far all but one in a thousand pixels deep in solid ink are from its color, share of the top code."""
    found = []
    for sample in samples:
        value = sample.astype(np.float32) / np.float32(top)
        off = most_of(np.abs(value - darkest))
        found.append(off[cv2.dilate(off, np.ones((5, 5), np.uint8)) < MOST_NOISE])
    deep = np.concatenate(found)
    return float(np.percentile(deep, 99.9)) if deep.size >= LEAST_SOLID else 0.0
