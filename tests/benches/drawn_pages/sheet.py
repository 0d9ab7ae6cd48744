"""I am a sheet that is drawn on from back to front: what lies in front hides what lies behind, and all is known.

In: lines and closed shapes in mm. Out: ink, and for each pixel the shape it belongs to.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from drawn_pages.hands import Hand
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

K = 600 / 25.4  # px a mm; twice as fine as the page becomes
PIECE = 24  # segments of a line drawn at once

Points = NDArray[np.float64]
Bytes = NDArray[np.uint8]


@dataclass(frozen=True)
class Area:
    """Where a shape lies. mask : (h, w) 1 inside. top, left : px of its first one. outline : (n, 2) mm."""

    mask: Bytes
    top: int
    left: int
    outline: Points

    @property
    def mm2(self) -> float:
        return float(self.mask.sum()) / K**2

    def inside(self, points: Points, *, within: Bytes | None = None, deep: float = 0.0) -> NDArray[np.bool_]:
        """(n,) whether points (n, 2 mm) lie inside, `deep` mm from its edge at least, and within another mask."""
        px = np.rint(points * K).astype(int) - (self.left, self.top)
        high, wide = self.mask.shape
        there = ((px >= 0) & (px < (wide, high))).all(axis=1)
        at = px[there, 1], px[there, 0]
        held = self.mask[at] > 0
        if deep > 0:
            held &= self.depth()[at] > deep
        if within is not None:
            held &= within[at] > 0
        there[there] = held
        return there

    def depth(self) -> NDArray[np.float32]:
        """(h, w) mm from the edge."""
        return cv2.distanceTransform(cv2.copyMakeBorder(self.mask, 1, 1, 1, 1, 0), cv2.DIST_L2, 3)[1:-1, 1:-1] / K

    def somewhere(self, rng: np.random.Generator, count: int) -> Points:
        """(n, 2) mm, places inside, evenly at random; `count` are tried for."""
        high, wide = self.mask.shape
        at = np.stack([rng.integers(0, wide, count), rng.integers(0, high, count)], axis=1)
        return (at[self.mask[at[:, 1], at[:, 0]] > 0] + (self.left, self.top)) / K


@dataclass
class Sheet:
    """ink : (h, w) 0 to 255. shape : (h, w) number of each pixel's shape, 1 the paper. asked : (h, w) 0 where nobody
    says what a shape is. window : (h, w) 1 where may be drawn now, None: everywhere.
    """

    hand: Hand
    rng: np.random.Generator
    ink: Bytes
    shape: NDArray[np.int32]
    asked: Bytes
    count: int = 1
    window: Bytes | None = field(default=None)

    def chance(self, share: float) -> bool:
        return bool(self.rng.random() < share)

    def line(self, points: ArrayLike, width: float, area: Area | None = None, *, taper: float = 0.0) -> None:
        """A line through points (n, 2 mm), `width` mm, only within an area if one is given."""
        at = np.asarray(points, np.float64)
        if len(at) < 2:
            return
        way = np.linspace(0, 1, len(at) - 1)
        wave = np.sin(2 * np.pi * (way * self.rng.uniform(0.5, 2.5) + self.rng.random()))
        wide = width * (1 + self.hand.vary * wave) * np.clip(1 - taper * way, 0.15, 1)
        thick = np.maximum(1, np.rint(wide * K)).astype(int)
        for n in range(0, len(thick), PIECE):
            self._piece(at[n : n + PIECE + 1], thick[n : n + PIECE], area)

    def _piece(self, at: Points, thick: NDArray[np.int64], area: Area | None) -> None:
        reach = int(thick.max()) + 3
        low = np.maximum(np.floor(at.min(axis=0) * K).astype(int) - reach, 0)
        high = np.minimum(np.ceil(at.max(axis=0) * K).astype(int) + reach, self.ink.shape[::-1])
        if (high <= low).any():
            return
        drawn = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
        knots = np.rint(at * K * 8).astype(int) - low * 8
        for n, wide in enumerate(thick.tolist()):
            cv2.line(drawn, knots[n].tolist(), knots[n + 1].tolist(), 255, wide, cv2.LINE_AA, 3)
        place = slice(low[1], high[1]), slice(low[0], high[0])
        if area is not None:
            drawn[_part_of(area, low, high) == 0] = 0
        if self.window is not None:
            drawn[self.window[place] == 0] = 0
        np.maximum(self.ink[place], drawn, out=self.ink[place])

    def by_hand(self, points: ArrayLike, amount: float | None = None, *, closed: bool = False) -> Points:
        """The line through points as a hand draws it. amount : mm, one sd."""
        at = np.asarray(points, np.float64)
        way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(at, axis=0).T))])
        steps = np.linspace(0, way[-1], max(3, int(way[-1] / 0.6) + 1))
        even = np.stack([np.interp(steps, way, column) for column in at.T], axis=1)
        knots = max(4, int(way[-1] / 6) + 3)
        off = self.rng.normal(0, self.hand.wobble if amount is None else amount, (knots, 2))
        if closed:
            off[-1] = off[0]
        kind = "periodic" if closed else "not-a-knot"
        return even + CubicSpline(np.linspace(0, way[-1], knots), off, bc_type=kind)(steps)

    def area_of(self, outline: ArrayLike, *, amount: float | None = None) -> Area | None:
        """Clear a place for a closed shape in front of all; None where it lies outside."""
        corners = np.asarray(outline, np.float64)
        if not np.allclose(corners[0], corners[-1]):
            corners = np.concatenate([corners, corners[:1]])
        line = self.by_hand(corners, amount, closed=True)
        low = np.maximum(np.floor(line.min(axis=0) * K).astype(int) - 2, 0)
        high = np.minimum(np.ceil(line.max(axis=0) * K).astype(int) + 3, self.ink.shape[::-1])
        if (high - low < 4).any():
            return None
        mask = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
        cv2.fillPoly(mask, [np.rint(line * K).astype(np.int32) - low.astype(np.int32)], 1)
        place = slice(low[1], high[1]), slice(low[0], high[0])
        if self.window is not None:
            mask &= self.window[place]
        if not mask.any():
            return None
        self.count += 1
        inside = mask > 0
        self.shape[place][inside], self.ink[place][inside], self.asked[place][inside] = self.count, 0, 1
        return Area(mask, int(low[1]), int(low[0]), line)

    def nobodys(self, area: Area) -> None:
        """Ask nobody what is one area here: tiles, and bars too thin to color."""
        high, wide = area.mask.shape
        self.asked[area.top : area.top + high, area.left : area.left + wide][area.mask > 0] = 0

    def outline(self, area: Area, *, pen: float | None = None, gaps: float | None = None) -> None:
        """The outline of an area, here and there left open."""
        hand, rng, pen = self.hand, self.rng, pen or self.hand.pen
        pen = pen * float(rng.choice(hand.pens)) if hand.pens else pen
        at = area.outline
        way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(at, axis=0).T))])
        steps = np.arange(0, way[-1], 0.12)
        fine = np.stack([np.interp(steps, way, column) for column in at.T], axis=1)
        if way[-1] <= 12 or not self.chance(hand.gaps if gaps is None else gaps):
            self.line(np.concatenate([fine, fine[:1]]), pen)
            return
        kept = np.ones(len(fine), bool)
        for _ in range(int(rng.integers(1, 3))):
            kept &= np.abs(steps - rng.uniform(2, way[-1] - 2)) > (rng.uniform(*hand.gap) + pen) / 2
        for run in runs(kept):
            self.line(fine[run], pen)
            if self.chance(hand.doubled):
                self.line(self.by_hand(fine[run], 0.15), pen * 0.7)


def runs(kept: NDArray[np.bool_], least: int = 4) -> list[NDArray[np.int64]]:
    """Places of each run of True of `least` and more."""
    parts = np.split(np.arange(len(kept)), np.flatnonzero(~kept))
    return [part[kept[part]] for part in parts if kept[part].sum() >= least]


def _part_of(area: Area, low: NDArray[np.int64], high: NDArray[np.int64]) -> Bytes:
    """The mask of an area in a box of px."""
    part = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
    tall, wide = area.mask.shape
    first = np.maximum(low, (area.left, area.top))
    last = np.minimum(high, (area.left + wide, area.top + tall))
    if (last > first).all():
        rows = slice(first[1] - low[1], last[1] - low[1]), slice(first[0] - low[0], last[0] - low[0])
        whole = slice(first[1] - area.top, last[1] - area.top), slice(first[0] - area.left, last[0] - area.left)
        part[rows] = area.mask[whole]
    return part
