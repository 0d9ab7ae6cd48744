"""I draw small pages of closed shapes as people draw them: hatched, dotted, lettered, with openings in their outlines.

In: a seed. Out: a line layer and the shape of every pixel. Everything is drawn in mm, three times as fine as the page.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

MM, FINE = 25.4, 3
WORDS = ("ROPE", "TRAM", "HULL", "SAIL", "BELL")


@dataclass(frozen=True)
class HatchedPage:
    """alpha : (h, w) uint8 of black lines. truth : (h, w) shape of each pixel, from 1. kinds : what fills each."""

    dpi: float
    alpha: NDArray[np.uint8]
    truth: NDArray[np.int32]
    kinds: dict[int, str]


def hatched_page(seed: int, *, dpi: float = 300.0, gap: float = 1.2) -> HatchedPage:
    """Two rows of three boxes and an oval on bare paper, each with an opening up to `gap` mm in its outline."""
    rng = np.random.default_rng(seed)
    k = dpi * FINE / MM
    ink = np.zeros((round(52 * k), round(68 * k)), np.uint8)
    truth = np.ones(ink.shape, np.int32)
    kinds = {1: "paper"}
    fills = rng.permutation(["hatched", "crossed", "dotted", "lettered", "bare", "ringed"])
    for place, kind in enumerate(fills.tolist()):
        x, y = 4 + 21.5 * (place % 3) + rng.uniform(0, 1.5), 4 + 24.0 * (place // 3) + rng.uniform(0, 1.5)
        _shape(ink, truth, kinds, rng, (x, y, rng.uniform(15, 17), rng.uniform(17, 19)), kind, (k, gap))
    alpha = cv2.GaussianBlur(cv2.resize(ink, None, fx=1 / FINE, fy=1 / FINE, interpolation=cv2.INTER_AREA), (0, 0), 0.5)
    high, wide = alpha.shape
    return HatchedPage(dpi, alpha, truth[FINE // 2 :: FINE, FINE // 2 :: FINE][:high, :wide], kinds)


def _shape(
    ink: NDArray[np.uint8],
    truth: NDArray[np.int32],
    kinds: dict[int, str],
    rng: np.random.Generator,
    box: tuple[float, float, float, float],
    kind: str,
    scale: tuple[float, float],
) -> None:
    """One shape: its outline wobbles, its filling keeps inside."""
    k, gap = scale
    x, y, wide, high = box
    corners = np.array([[x, y], [x + wide, y], [x + wide, y + high], [x, y + high], [x, y]])
    at = np.linspace(0, 4, 200)
    outline = np.stack([np.interp(at, range(5), corners[:, c]) for c in (0, 1)], axis=1)
    outline += 0.12 * np.sin(np.stack([outline[:, 1], outline[:, 0]], axis=1) * 1.3 + rng.uniform(0, 6))
    number = len(kinds) + 1
    kinds[number] = kind
    inside = cv2.fillPoly(np.zeros_like(ink), [np.rint(outline * k).astype(np.int32)], 1)
    truth[inside > 0] = number
    room = cv2.distanceTransform(inside, cv2.DIST_L2, 3) / k
    if kind in ("hatched", "crossed"):
        first = rng.uniform(20, 70)
        for angle in (first, first + 80)[: 2 if kind == "crossed" else 1]:
            _hatch(ink, room, rng, np.radians(angle), k)
    elif kind == "dotted":
        for px, py in rng.uniform((x, y), (x + wide, y + high), (220, 2)):
            if room[round(py * k), round(px * k)] > 0.6:
                cv2.circle(ink, (round(px * k), round(py * k)), round(0.14 * k), 255, -1)
    elif kind == "lettered":
        for line in (0.3, 0.6):
            word = WORDS[int(rng.integers(0, len(WORDS)))]
            at_px = (round((x + 2.5) * k), round((y + high * line + 2) * k))
            cv2.putText(ink, word, at_px, cv2.FONT_HERSHEY_SIMPLEX, 2.6 * k / 22, 255, round(0.3 * k))
    elif kind == "ringed":
        middle = (round((x + wide / 2) * k), round((y + high / 2) * k))
        kinds[number + 1] = "ring"
        cv2.circle(truth, middle, round(2 * k), number + 1, -1)
        cv2.circle(ink, middle, round(2 * k), 255, round(0.35 * k))
    cv2.polylines(ink, [np.rint(outline * k).astype(np.int32)], True, 255, round(0.4 * k))
    # an opening in the left side, away from corners
    row = int(np.argmin(np.abs(outline[:, 1] - y - high * rng.uniform(0.3, 0.7)) + (outline[:, 0] > x + 1) * 1e3))
    width = rng.uniform(0.6, 1.0) * gap
    cv2.circle(ink, tuple(np.rint(outline[row] * k).astype(int).tolist()), round(np.hypot(width, 0.4) / 2 * k), 0, -1)


def _hatch(ink: NDArray[np.uint8], room: NDArray[np.float32], rng: np.random.Generator, angle: float, k: float) -> None:
    """Strokes some .8 mm apart, of a pen finer than the outline's; half of them touch it."""
    way = np.array([np.cos(angle), np.sin(angle)])
    rows, cols = np.nonzero(room > 0)
    along, across = (cols * way[0] + rows * way[1]) / k, (rows * way[0] - cols * way[1]) / k
    offset = float(across.min())
    while offset < across.max():
        offset += 0.8 * rng.uniform(0.88, 1.12)
        t = np.arange(along.min(), along.max(), 0.05)
        points = np.rint((t[:, None] * way + offset * np.array([-way[1], way[0]])) * k).astype(int)
        fits = (points >= 0).all(axis=1) & (points[:, 1] < room.shape[0]) & (points[:, 0] < room.shape[1])
        points = points[fits]
        held = points[room[points[:, 1], points[:, 0]] > (0 if rng.random() < 0.5 else 0.35)]
        if len(held) > 8:
            cv2.line(ink, held[0].tolist(), held[-1].tolist(), 255, round(0.2 * k))
