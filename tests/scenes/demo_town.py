"""I cut the town of the demonstration map into blocks and set houses along their rims.

In: the places and a generator for the luck of the small things. Out: polygons in mm.

Blocks are what streets leave over, cut again and again across their longer side.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from demo_pens import Points, curve
from demo_places import LINES, PARKS, PLAN, SQUARES, STREETS, TOWN, banks, coast, plan_mask
from numpy.typing import NDArray


@dataclass(frozen=True)
class House:
    """Four corners (4, 2) mm, the first two on the street; ridge (2, 2) mm; kind 0..3 of roof."""

    corners: Points
    ridge: Points
    kind: int


@dataclass(frozen=True)
class Town:
    """All that stands: land (n, 2), river (n, 2), blocks, houses, garden mask at PLAN px per mm, trees (n, 2)."""

    land: Points
    river: Points
    blocks: tuple[Points, ...]
    houses: tuple[House, ...]
    gardens: NDArray[np.uint8]
    trees: Points


def draw_up(rng: np.random.Generator) -> Town:
    """The whole plan, with small things by luck."""
    land, river = coast(), banks()
    free = _ground(land, river)
    blocks = _blocks(free, rng)
    houses, gardens = _houses(blocks, rng)
    rows, cols = np.nonzero(cv2.erode(gardens, np.ones((5, 5), np.uint8)))
    picked = rng.choice(len(rows), len(rows) // 330, replace=False)
    trees = np.stack([cols[picked], rows[picked]], 1) / PLAN + rng.uniform(-0.2, 0.2, (len(picked), 2))
    return Town(land, river, tuple(blocks), tuple(houses), gardens, trees)


def _ground(land: Points, river: Points) -> NDArray[np.uint8]:
    """Where blocks may be: town and land, less water, parks, squares, quays and the wide streets."""
    wet = (plan_mask([land]) == 0) | (plan_mask([river]) > 0)
    free = (plan_mask([np.array(TOWN)]) > 0) & (
        cv2.distanceTransform((~wet).astype(np.uint8), cv2.DIST_L2, 5) > 4.5 * PLAN
    )
    free &= plan_mask([curve(park, closed=True) for park in PARKS.values()]) == 0
    taken = np.zeros(free.shape, np.uint8)
    for x, y, radius in SQUARES:
        cv2.circle(taken, (int(x * PLAN), int(y * PLAN)), int(radius * PLAN), 1, -1)
    for way, width in [(line.way, 5.2) for line in LINES] + [(curve(street), 3.2) for street in STREETS]:
        cv2.polylines(taken, [np.round(way * PLAN).astype(np.int32)], False, 1, int(width * PLAN))
    for park in PARKS.values():
        cv2.polylines(taken, [np.round(curve(park, closed=True) * PLAN).astype(np.int32)], True, 1, int(2.4 * PLAN))
    return np.asarray(free & (taken == 0), np.uint8)


def _blocks(free: NDArray[np.uint8], rng: np.random.Generator) -> list[Points]:
    count, labels = cv2.connectedComponents(free, connectivity=4)
    blocks: list[Points] = []
    for index in range(1, count):
        rows, cols = np.nonzero(labels == index)
        blocks += _split(np.stack([cols, rows], 1).astype(np.int32), rng)
    return blocks


def _split(cells: NDArray[np.int32], rng: np.random.Generator) -> list[Points]:
    """Cut a region (n, 2) of plan cells across its longer side until its parts are blocks; tiny ones are dropped."""
    area = len(cells) / PLAN**2
    if area < 40:
        return []
    middle, (w, h), turn = cv2.minAreaRect(cells)
    long, short = max(w, h) / PLAN, min(w, h) / PLAN
    if area < rng.uniform(330, 620) and long < 2.6 * short:
        return _rim(cells)
    angle = np.deg2rad(turn + (0 if w >= h else 90) + rng.normal(0, 3))
    along_it = (cells - np.array(middle)) @ np.array([np.cos(angle), np.sin(angle)])
    at, half = rng.uniform(-0.1, 0.1) * long * PLAN, 0.95 * PLAN
    return _split(cells[along_it < at - half], rng) + _split(cells[along_it > at + half], rng)


def _rim(cells: NDArray[np.int32]) -> list[Points]:
    low = cells.min(0) - 1
    mask = np.zeros(tuple((cells.max(0) - low + 2)[::-1]), np.uint8)
    mask[cells[:, 1] - low[1], cells[:, 0] - low[0]] = 1
    rims, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    rim = cv2.approxPolyDP(max(rims, key=cv2.contourArea), 0.7 * PLAN, True)[:, 0]
    return [(rim + low) / PLAN] if len(rim) > 2 else []


def _houses(blocks: list[Points], rng: np.random.Generator) -> tuple[list[House], NDArray[np.uint8]]:
    """Houses along the rims of all blocks, and what is left inside as gardens."""
    free = plan_mask(blocks)
    houses: list[House] = []
    for block in blocks:
        clockwise = 1.0 if cv2.contourArea(block.astype(np.float32), True) > 0 else -1.0
        for a, b in zip(block, np.roll(block, -1, 0), strict=True):
            houses += _row(a, b, clockwise, free, rng)
    return houses, free * np.uint8(255)


def _row(a: Points, b: Points, side: float, free: NDArray[np.uint8], rng: np.random.Generator) -> list[House]:
    """Houses from corner a to corner b; each takes its ground out of `free`."""
    length = float(np.hypot(*(b - a)))
    d = (b - a) / max(length, 1e-6)
    n = np.array([-d[1], d[0]]) * side
    row, at = [], 0.15
    depth = rng.uniform(3.8, 5.2)
    while at + 2.6 < length:
        wide = min(rng.uniform(3.2, 6.4), length - at - 0.1)
        deep = depth * rng.uniform(0.85, 1.12)
        front, back = a + n * 0.25, a + n * (0.25 + deep)
        corners = np.array([front + d * at, front + d * (at + wide), back + d * (at + wide), back + d * at])
        if rng.uniform() > 0.05 and _take(corners, free):
            across = wide < 0.8 * deep
            ends = (corners + np.roll(corners, -1, 0)) / 2
            row.append(
                House(corners, ends[[0, 2]] if across else ends[[3, 1]], int(rng.choice(4, p=[0.56, 0.2, 0.14, 0.1])))
            )
            at += wide + 0.12
        else:
            at += 1.1
    return row


def _take(corners: Points, free: NDArray[np.uint8]) -> bool:
    """Claim a house's ground if nearly all of it is free."""
    cells = np.round(corners * PLAN).astype(np.int32)
    low, high = cells.min(0), cells.max(0) + 1
    stamp = np.zeros(tuple((high - low)[::-1]), np.uint8)
    cv2.fillConvexPoly(stamp, cells - low, 1)
    ground = free[low[1] : high[1], low[0] : high[0]]
    if ground.shape != stamp.shape or (ground & stamp).sum() < 0.9 * stamp.sum():
        return False
    ground[stamp > 0] = 0
    return True
