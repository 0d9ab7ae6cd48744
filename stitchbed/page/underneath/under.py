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
from stitchbed.page.sheet.white import grid_at
from stitchbed.page.underneath.pencil import Pencil, left_by, ratio, remaining

HALO = 9  # px around a block that decide about its pixels
EVEN_MM, EVEN_PX = 0.04, 0.6  # one sd of the neighborhood that tells how much pencil lies under a stroke's edge
PALE, CLEAR = 0.4, 0.7  # of the way from ink to paper: from there on a pixel tells itself how much pencil it shows
TOOTH, GRAINY = 0.05, 0.03  # errors of a pencil's ratio and of a pixel, of its light; both of ordinary scans
DEEP = 0.025  # of the way from ink to paper: darker pixels are ink, and ever less is done to them
FAINT = 0.07  # of full ink: what is left of pencil by noise; a stroke has darker pixels near
UNLIKE = 0.09  # of light by which the middle channel may stray from the pencil's curve; more is another color


@dataclass(frozen=True)
class Under:
    """ink : (3,) light of solid ink relative to paper. Maps have cells of `cell` px, the first at `row`, `col` px.

    pencils : to drop. present : (gh, gw, 1) 0..1, where any of them is. stains : (gh, gw, 3) share of light left by
    them. noise : one sd of a pixel of paper. even : px, one sd of EVEN_MM.
    """

    ink: Floats
    row: int
    col: int
    cell: int
    pencils: tuple[Pencil, ...] = ()
    present: Floats | None = None
    stains: Floats | None = None
    noise: float = 0.0
    even: float = EVEN_PX


def bared(light: Floats, under: Under, box: Box) -> Floats:
    """(h, w, 3) light relative to paper of a box of the page, without pencil and stains. HALO px decide with it."""
    share = remaining(light, under.ink)
    if under.stains is not None:
        left = remaining(grid_at(under.stains, under.row, under.col, under.cell, box), under.ink)
        share = share / left ** _gate(share)
    if under.present is not None:
        there = grid_at(under.present, under.row, under.col, under.cell, box)
        if there.any():
            share = share + there * (without(share, under) - share)
    return np.asarray(under.ink + share * (1 - under.ink), np.float32)


def without(share: Floats, under: Under) -> Floats:
    """(h, w, 3) `remaining` without the pencil that explains each pixel best."""
    best, least = share, np.full(share.shape[:2], np.inf, np.float32)
    for pencil in under.pencils:
        new, stray = _without(share, pencil, under)
        best = np.where((stray < least)[..., None], new, best)
        least = np.minimum(stray, least)
    like = np.exp(-(np.minimum(least, 9) ** 4))[..., None] * _gate(share)
    return np.asarray(
        share + like * (_cleared(best, under.noise, max((p.rough for p in under.pencils), default=0.0)) - share),
        np.float32,
    )


def _gate(share: Floats) -> Floats:
    """(h, w, 1) 0 in solid ink .. 1 well off it: there noise would be all that is divided."""
    depth = np.clip(share.max(axis=2, keepdims=True) / DEEP, 0, 1)
    return np.asarray(depth * depth * (3 - 2 * depth), np.float32)


def _without(share: Floats, pencil: Pencil, under: Under) -> tuple[Floats, Floats]:
    """(h, w, 3) `remaining` without one pencil, and (h, w) how far the middle channel strays, 1 being much."""
    noise = under.noise
    q = np.clip(_steadied(ratio(share, pencil), share[..., pencil.channels[2]], under.even), 1.3 * pencil.deepest, 0)
    left = left_by(pencil, q)
    _, middle, least = pencil.channels
    lightest = np.maximum(share[..., least], 0.01)
    stray = np.abs(share[..., middle] / lightest - left[..., middle] / left[..., least])
    gray = ((share / left) * _trust(pencil)).sum(axis=2, keepdims=True)
    told = np.clip(-q / (3 * noise + 0.02), 0, 1)[..., None]
    new = share / left
    new = np.minimum(new + told * (gray - new), np.maximum(share, 1))
    return np.asarray(new, np.float32), np.asarray(stray / (UNLIKE + 3 * noise / lightest), np.float32)


def _trust(pencil: Pencil) -> Floats:
    """(3,) weights of the channels, of sum 1: the less pencil darkens one, the less an error in its strength does."""
    most, middle, least = pencil.channels
    slopes = np.empty(3)
    slopes[least], slopes[middle] = abs(pencil.least[0]), abs(pencil.middle[0])
    slopes[most] = 1 + slopes[least]
    weights = 1 / ((TOOTH * slopes) ** 2 + GRAINY**2)
    return np.asarray(weights / weights.sum(), np.float32)


def _steadied(q: Floats, lightest: Floats, even: float) -> Floats:
    """(h, w) q, in the dark as near lighter pixels have it: there a pixel's own is noise."""
    weight = np.clip(lightest, 1e-3, 1) ** 2
    known = np.clip(q, -3, 1) * weight
    around = cv2.GaussianBlur(known, (0, 0), even) / np.maximum(cv2.GaussianBlur(weight, (0, 0), even), 1e-9)
    own = np.clip((lightest - PALE) / (CLEAR - PALE), 0, 1)
    return np.asarray(around + own * own * (3 - 2 * own) * (q - around), np.float32)


def _cleared(share: Floats, noise: float, rough: float) -> Floats:
    """`share` with what is fainter than any stroke, and has nothing darker near, lifted to paper."""
    ink = cv2.GaussianBlur(1 - share.min(axis=2), (0, 0), 0.6)
    near = cv2.dilate(ink, np.ones((5, 5), np.uint8))
    limit = max(FAINT, 4 * noise, 3 * rough)
    faint = np.clip((1.5 * limit - near) / (0.5 * limit), 0, 1)[..., None]
    return np.asarray(share + faint * np.maximum(1 - share, 0), np.float32)
