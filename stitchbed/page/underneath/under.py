"""I take off a page what lies under its ink: a stain, pencil of one hue; ink over it stays as it is.

In: light relative to paper. Out: the same light as it would be with bare paper below.

Ink covers a share a of a pixel: light = (1 - a) s + a k, with s what pencil or stain leaves of the paper's light and k
the ink's own. With s known, (light - k) / (s - k) = 1 - a, and the pixel over bare paper is k + (1 - a) (1 - k).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from stitchbed.core.arrays import Floats
from stitchbed.imaging.box import Box
from stitchbed.imaging.gray import least_of
from stitchbed.page.sheet.white import grid_at
from stitchbed.page.underneath.pencil import Pencil, left_by, ratio, remaining

HALO = 9  # px around a block that decide about its pixels
EVEN_MM, EVEN_PX = 0.04, 0.6  # one sd of the neighborhood that tells how much pencil lies under a stroke's edge
LEAST_TOOTH = 0.1  # of a pencil's ratio: so much it differs from pixel to pixel at least
STEP = 0.004  # of full light: noise and steps of codes that do not fade with the light
SURE, LEAST_ERROR = 3.0, 0.004  # errors by which a ratio is told from none; the least error believed
SHOWS = (0.03, 0.07)  # of the ratio: from no pencil to pencil, where pixels themselves are asked
DEEP = 0.025  # of the way from ink to paper: darker pixels are ink, and ever less is done to them
DEEP_AT_RIM = 0.006  # the same at the rim of even ink: there pencil shows until it is whole
UNEVEN = 4.0  # sd of solid ink to which that goes at least
RIM, RIM_EVENS = (0.04, 0.12), 2  # of the same way: a rim has so light a pixel near, within so many sd of EVEN_MM
FAINT = 0.07  # of full ink: what is left of pencil by noise; a stroke has darker pixels near
UNLIKE = 0.09  # of light by which the middle channel may stray from the pencil's curve; more is another color


@dataclass(frozen=True)
class Under:
    """ink : (3,) light of solid ink relative to paper. Maps have cells of `cell` px, the first at `row`, `col` px.

    pencils : to drop. present : (gh, gw, 1) 0..1, where any of them is. near : (gh, gw, 1) 0..1, where it may be that a
    pixel shows it which lies between lines too close for the map; nowhere else if None. stains : (gh, gw, 3) share of
    light left by them. noise : one sd of a pixel of paper. tint : of one channel of it against another, or of edges
    where no pencil is. even : px, one sd of EVEN_MM. at_rim : DEEP at the rim of strokes, see `deep_at_rim`.
    """

    ink: Floats
    row: int
    col: int
    cell: int
    pencils: tuple[Pencil, ...] = ()
    present: Floats | None = None
    near: Floats | None = None
    stains: Floats | None = None
    noise: float = 0.0
    tint: float = 0.01
    even: float = EVEN_PX
    at_rim: float = DEEP


def bared(light: Floats, under: Under, box: Box) -> Floats:
    """(h, w, 3) light relative to paper of a box of the page, without pencil and stains. HALO px decide with it."""
    share = remaining(light, under.ink)
    if under.stains is not None:
        left = remaining(grid_at(under.stains, under.row, under.col, under.cell, box), under.ink)
        share = share / left ** _gate(share, under)
    if under.present is not None:
        there = grid_at(under.present, under.row, under.col, under.cell, box)
        near = there if under.near is None else grid_at(under.near, under.row, under.col, under.cell, box)
        if near.any():
            if under.near is not None:
                told = [told_of(share, pencil, under) for pencil in under.pencils]
                there = np.maximum(there, near * np.max(told, axis=0)[..., None])
            share = share + there * (without(share, under) - share)
    return np.asarray(under.ink + share * (1 - under.ink), np.float32)


def without(share: Floats, under: Under) -> Floats:
    """(h, w, 3) `remaining` without the pencil that explains each pixel best."""
    best, least = share, np.full(share.shape[:2], np.inf, np.float32)
    for pencil in under.pencils:
        new, stray = _without(share, pencil, under)
        best = np.where((stray < least)[..., None], new, best)
        least = np.minimum(stray, least)
    like = np.exp(-(np.minimum(least, 9) ** 4))[..., None] * _gate(share, under)
    return np.asarray(
        share + like * (_cleared(best, under.noise, max((p.rough for p in under.pencils), default=0.0)) - share),
        np.float32,
    )


def deep_at_rim(spread: float) -> float:
    """Share of the way from ink to paper from which pixels at a stroke's rim are more than ink.

    spread : one sd of solid ink, of the same way; what is lighter in uneven ink need not be a rim.
    """
    return float(np.clip(UNEVEN * spread, DEEP_AT_RIM, DEEP))


def _gate(share: Floats, under: Under) -> Floats:
    """(h, w, 1) 0 in solid ink .. 1 well off it: there noise would be all that is divided."""
    light = share.max(axis=2)
    reach = 2 * round(RIM_EVENS * under.even) + 1
    rim = np.clip((cv2.dilate(light, np.ones((reach, reach), np.uint8)) - RIM[0]) / (RIM[1] - RIM[0]), 0, 1)
    depth = np.clip(light / (DEEP + rim * (under.at_rim - DEEP)), 0, 1)[..., None]
    return np.asarray(depth * depth * (3 - 2 * depth), np.float32)


def _without(share: Floats, pencil: Pencil, under: Under) -> tuple[Floats, Floats]:
    """(h, w, 3) `remaining` without one pencil, and (h, w) how far the middle channel strays, 1 being much."""
    noise = under.noise
    q, unsure = steadied(share, pencil, under)
    q = np.clip(q, 1.3 * pencil.deepest, 0)
    left = left_by(pencil, q)
    _, middle, least = pencil.channels
    lightest = np.maximum(share[..., least], 0.01)
    stray = np.abs(share[..., middle] / lightest - left[..., middle] / left[..., least])
    new = share / left
    # a channel is wrong by what its strength is, and has its own noise: ink is gray, so the others tell as well
    light = np.clip(new, 1e-3, 1)
    wrong = (_slopes(pencil) * light) ** 2 * unsure[..., None]
    own = under.tint**2 * light
    trust = 1 / (wrong + own)
    gray = (new * trust).sum(axis=2, keepdims=True) / trust.sum(axis=2, keepdims=True)
    told = np.clip(-q / (3 * noise + 0.02), 0, 1)[..., None]
    new = np.minimum(new + told * wrong * trust * (gray - new), np.maximum(share, 1))
    return np.asarray(new, np.float32), np.asarray(stray / (UNLIKE + 3 * noise / lightest), np.float32)


def _slopes(pencil: Pencil) -> Floats:
    """(3,) share of its light each channel is wrong by, for an error of 1 in the pencil's ratio."""
    most, middle, least = pencil.channels
    slopes = np.empty(3, np.float32)
    slopes[least], slopes[middle] = abs(pencil.least[0]), abs(pencil.middle[0])
    slopes[most] = 1 + slopes[least]
    return slopes


def steadied(share: Floats, pencil: Pencil, under: Under) -> tuple[Floats, Floats]:
    """(h, w) q of a pencil and its variance: of the pixel itself and of those round it, each as far as it is sure.

    A pixel's own is noise in the dark. Those round it differ by the tooth of the paper; how much, they show themselves.
    """
    own, noise = _own(share, pencil, under)
    weight = 1 / noise
    near = cv2.GaussianBlur(weight, (0, 0), under.even)
    around = cv2.GaussianBlur(own * weight, (0, 0), under.even) / near
    wide = 2 * under.even
    total = cv2.GaussianBlur(weight, (0, 0), wide)
    mean, square, known = (cv2.GaussianBlur(m * weight, (0, 0), wide) / total for m in (own, own * own, noise))
    tooth = np.maximum(square - mean**2 - known, 0) + (LEAST_TOOTH * around) ** 2 + 1e-6
    return np.asarray(around + tooth / (tooth + noise) * (own - around), np.float32), tooth * noise / (tooth + noise)


def told_of(share: Floats, pencil: Pencil, under: Under) -> Floats:
    """(h, w) 0..1 how sure the pixels themselves show the pencil: between lines too close for a map to look between."""
    own, noise = _own(share, pencil, under)
    near = cv2.GaussianBlur(1 / noise, (0, 0), under.even)
    around = cv2.GaussianBlur(own / noise, (0, 0), under.even) / near
    error = np.maximum(1 / np.sqrt(near * 4 * np.pi * under.even**2), LEAST_ERROR)
    sure = np.clip(-around / error / SURE - 1, 0, 1) * np.clip((-around - SHOWS[0]) / (SHOWS[1] - SHOWS[0]), 0, 1)
    return np.asarray(sure, np.float32)


def _own(share: Floats, pencil: Pencil, under: Under) -> tuple[Floats, Floats]:
    """(h, w) q as each pixel has it, and its variance: that of light goes with light, but for what codes leave."""
    most, _, least = pencil.channels
    low, light = (np.clip(share[..., c], 1e-3, 1) for c in (most, least))
    noise = under.tint**2 * (1 / low + 1 / light) + STEP**2 * (1 / low**2 + 1 / light**2)
    return np.clip(ratio(share, pencil), -3, 1), np.asarray(noise, np.float32)


def _cleared(share: Floats, noise: float, rough: float) -> Floats:
    """`share` with what is fainter than any stroke, and has nothing darker near, lifted to paper."""
    ink = cv2.GaussianBlur(1 - least_of(share), (0, 0), 0.6)
    near = cv2.dilate(ink, np.ones((5, 5), np.uint8))
    limit = max(FAINT, 4 * noise, 3 * rough)
    faint = np.clip((1.5 * limit - near) / (0.5 * limit), 0, 1)[..., None]
    return np.asarray(share + faint * np.maximum(1 - share, 0), np.float32)
