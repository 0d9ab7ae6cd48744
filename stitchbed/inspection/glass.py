"""I find what keeps its place on the glass while the sheet moves: grains of dust.

In: gray views of several scans of one bed. Out: places in px of the view.

A dark speck is of the glass when most scans show one at the same place. Drawings full of dots do so by chance: how
often is counted with the scans laid beside each other, and more scans must agree than chance brings together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from stitchbed.core.arrays import Floats, Mask

SPECK_PX = 7  # of the view; about 1 mm on an A4 piece, more is no grain
LEAST_DEPTH = 7.0  # gray levels a speck is darker than what is around it, in the reduced view
CHANCE = 0.1  # grains that may be chance, in the whole bed
TRIALS, MOVED = 4, (97, 53)  # times the scans are laid beside each other, by multiples of so many px
SHARE = 0.6  # of the scans that must show it: under drawn lines it cannot be seen


@dataclass(frozen=True)
class Grain:
    """Place (x, y) and area of a grain in px of the view, depth in gray levels, and in how many scans it was seen."""

    x: float
    y: float
    area: float
    depth: float
    seen: int


def grains(views: Sequence[Floats]) -> list[Grain]:
    """Grains seen at one place by most of the views (h, w), gray 0..255; at least three views are needed."""
    if len(views) < 3:
        return []
    depths = [speck_depth(view) for view in views]
    seen = [cv2.dilate(depth, np.ones((3, 3), np.uint8)) > 0 for depth in depths]
    votes = np.sum(seen, axis=0)
    needed = _needed(seen)
    if needed > len(views):
        return []
    count, labels, _, middles = cv2.connectedComponentsWithStats((votes >= needed).astype(np.uint8))
    best = np.max(depths, axis=0)
    found = []
    for index in range(1, count):
        inside = labels == index
        area = float((best[inside] > LEAST_DEPTH).sum())
        x, y = middles[index]
        found.append(Grain(float(x), float(y), max(1.0, area), float(best[inside].max()), int(votes[inside].max())))
    return found


def _needed(seen: Sequence[Mask]) -> int:
    """Scans that must agree on a grain so that chance brings no more than CHANCE of them about; more than there are
    scans where chance does even that.
    """
    needed = max(3, int(np.ceil(SHARE * len(seen))))
    chance = np.zeros(len(seen) + 2)
    for trial in range(1, TRIALS + 1):
        beside = [np.roll(one, (trial * i * MOVED[0], trial * i * MOVED[1]), (0, 1)) for i, one in enumerate(seen)]
        votes = np.sum(beside, axis=0)
        for level in range(needed, len(seen) + 1):
            chance[level] += (cv2.connectedComponents((votes >= level).astype(np.uint8))[0] - 1) / TRIALS
    while needed <= len(seen) and chance[needed] > CHANCE:
        needed += 1
    return needed


def speck_depth(view: Floats, least: float = LEAST_DEPTH) -> Floats:
    """(h, w) how much darker than its surround a pixel of a small lone speck is, gray levels; 0 elsewhere, and below
    `least`.

    Lines are darker than their surround too, but are longer than SPECK_PX or touch something that is.
    """
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (SPECK_PX, SPECK_PX))
    depth = cv2.morphologyEx(view, cv2.MORPH_CLOSE, kernel) - view
    dark = cv2.morphologyEx(view, cv2.MORPH_CLOSE, np.ones((4 * SPECK_PX,) * 2, np.uint8)) - view > least
    _, labels, stats, _ = cv2.connectedComponentsWithStats(dark.astype(np.uint8))
    small = (stats[:, cv2.CC_STAT_WIDTH] <= SPECK_PX) & (stats[:, cv2.CC_STAT_HEIGHT] <= SPECK_PX)
    small[0] = False
    lone: Mask = small[labels]
    result: Floats = np.where(lone & (depth > least), depth, 0).astype(np.float32)
    return result
