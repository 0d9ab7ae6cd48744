"""I close open outlines: where a stroke ends, I go on to the end that answers it, or to the line it points at,
or to the page's edge.

In: where outlines are on the small map, the widest gap. Out: where the bridges are.

A bridge joins two ends that point at each other, round a corner at most. Ends in a row, as of strokes of hatching,
point the same way and are left open. To the page's edge goes on what ends shortly before it, alone and amid no tone.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from skimage.morphology import skeletonize

from stitchbed.core.arrays import Array, Bytes
from stitchbed.imaging.compiled import compiled

EDGE_MM = 0.8  # from an end to the page's edge, at most: a page that was cut a little beside its lines
ALONE_MM = 2.2  # along the edge, to the next line there: strokes nearer to each other are tone
TRACE_MM = 1.0  # of a stroke, to tell which way its end points
ANSWER = np.cos(np.radians(60))  # of the angle between a bridge and the way an end points
FAN = np.radians([0, -12, 12, -24, 24])  # ways tried from an end without an answer
BRIDGE, LONE, END = 1, 2, 4  # bits: on a bridge; on one from an end that no other end answers; at an end without one
SOLID = 1.5  # half widths of a stroke in lengths of a trace; what is wider is a solid
SPUR = 1.2  # times a stroke's half width: shorter branches are roughness of its edge


def bridges(outline: Bytes, gap_mm: float, cell_mm: float, line: Bytes | None = None) -> Bytes:
    """(h, w) BRIDGE on bridges over gaps up to gap_mm in outlines, LONE on those between an end and a line, END where a
    stroke ends that none is built from.

    outline : (h, w) 1 on outlines, cells of cell_mm. line : 1 on all lines, tone too; None: there is none.
    """
    line = outline if line is None else line
    ends = stroke_ends(outline, TRACE_MM / cell_mm)
    found, lone, bare = (np.zeros_like(outline) for _ in range(3))
    if not len(ends):
        return found
    answered = set()
    for a, b in _answers(ends, gap_mm / cell_mm):
        _draw(found, ends[a, :2], ends[b, :2], BRIDGE)
        answered |= {a, b}
    for n in range(len(ends)):
        if n not in answered:
            hit = np.full(2, -1.0)
            _pointed_at(outline, ends[n], gap_mm / cell_mm, min(gap_mm, EDGE_MM) / cell_mm, FAN, hit)
            if hit[0] >= 0 and (outline[int(hit[1]), int(hit[0])] or _alone(outline, line, hit, cell_mm)):
                _draw(lone, ends[n, :2], hit, BRIDGE | LONE)
            else:
                _draw(bare, ends[n, :2], ends[n, :2], END)
    return found | lone | bare


def stroke_ends(outline: Bytes, trace: float) -> Array:
    """(n, 5) x, y, way (x, y) and half width of each free end of a stroke, cells."""
    half = cv2.distanceTransform(outline, cv2.DIST_L2, 3)
    # a solid is thinned row after row as deep as it is; hollow it is done at once, and has no ends either way
    bones = skeletonize((outline > 0) & (half <= SOLID * trace)).astype(np.uint8)
    near = cv2.filter2D(bones, -1, np.ones((3, 3), np.float32), borderType=cv2.BORDER_CONSTANT)
    rows, cols = np.nonzero((bones > 0) & (near == 2))
    found = np.zeros((len(rows), 5))
    for n, (row, col) in enumerate(zip(rows.tolist(), cols.tolist(), strict=True)):
        _trace(bones, half, row, col, trace, found[n])
    return found[found[:, 4] > 0]


def _answers(ends: Array, gap: float) -> list[tuple[int, int]]:
    """Pairs of ends that point at each other, the nearest first, each end once."""
    width = float(ends[:, 4].max())
    pairs = cKDTree(ends[:, :2]).query_pairs(gap + 2 * width, output_type="ndarray")
    if not len(pairs):
        return []
    a, b = ends[pairs[:, 0]], ends[pairs[:, 1]]
    across = b[:, :2] - a[:, :2]
    length = np.maximum(np.hypot(*across.T), 1e-6)
    one = (a[:, 2:4] * across).sum(axis=1) / length
    two = -(b[:, 2:4] * across).sum(axis=1) / length
    fits = (one > ANSWER) & (two > ANSWER) & (length <= gap + a[:, 4] + b[:, 4] + 2)
    cost = length * (3 - one - two)
    taken: set[int] = set()
    found = []
    for k in np.flatnonzero(fits)[np.argsort(cost[fits], kind="stable")].tolist():
        i, j = (int(v) for v in pairs[k])
        if i not in taken and j not in taken:
            taken |= {i, j}
            found.append((i, j))
    return found


def _alone(outline: Bytes, line: Bytes, hit: NDArray[np.float64], cell_mm: float) -> bool:
    """Whether round a place (x, y) on the map's edge one outline alone comes near the edge, and no tone lies there."""
    deep, far = (round(mm / cell_mm) + 1 for mm in (EDGE_MM, ALONE_MM))
    around = tuple(slice(max(0, int(at) - far), int(at) + far + 1) for at in hit[::-1])
    if (line[around] > outline[around]).any():
        return False
    level = hit[1] in (0, len(outline) - 1)
    rim, (beside, across) = (outline, around) if level else (outline.T, around[::-1])
    band = (rim[:deep] if beside.start == 0 else rim[-deep:])[:, across].any(axis=0).astype(np.int8)
    return bool(np.count_nonzero(np.diff(band, prepend=0) == 1) <= 1)


def _draw(found: Bytes, start: NDArray[np.float64], end: NDArray[np.float64], bits: int) -> None:
    cv2.line(found, tuple(np.rint(start).astype(int).tolist()), tuple(np.rint(end).astype(int).tolist()), bits, 2)


@compiled
def _trace(bones: Bytes, half: NDArray[np.float32], row: int, col: int, trace: float, end: Array) -> None:
    """Follow a stroke back from its end; fill in the end (see `stroke_ends`), width 0 for a spur."""
    h, w = bones.shape
    r, c, last_r, last_c = row, col, -1, -1
    steps = 0
    while steps < trace:
        next_r, next_c, best = -1, -1, -2.0
        for dr in range(-1, 2):
            for dc in range(-1, 2):
                y, x = r + dr, c + dc
                if (dr == 0 and dc == 0) or y < 0 or x < 0 or y >= h or x >= w or bones[y, x] == 0:
                    continue
                if steps > 0 and abs(y - last_r) <= 1 and abs(x - last_c) <= 1:
                    continue
                ahead = ((y - row) * (r - row) + (x - col) * (c - col)) / max(1.0, np.hypot(y - row, x - col))
                if ahead > best:  # at a fork, straight on
                    best = ahead
                    next_r, next_c = y, x
        if next_r < 0:
            break
        last_r, last_c, r, c = r, c, next_r, next_c
        steps += 1
    width = half[row, col]
    length = np.hypot(col - c, row - r)
    if length < max(3.0, SPUR * half[r, c]):
        return
    end[0], end[1] = col, row
    end[2], end[3] = (col - c) / length, (row - r) / length
    end[4] = max(width, 1.0)


@compiled
def _pointed_at(outline: Bytes, end: Array, gap: float, edge: float, fan: Array, hit: Array) -> None:
    """The nearest place of another line, of the same one further on, or of the map's edge, that an end points at."""
    h, w = outline.shape
    best = 1e9
    for k in range(fan.shape[0]):
        cos, sin = np.cos(fan[k]), np.sin(fan[k])
        dx, dy = end[2] * cos - end[3] * sin, end[2] * sin + end[3] * cos
        left, way, free = False, 0.0, 0.0
        while free <= gap:
            way += 0.5
            x, y = int(np.rint(end[0] + dx * way)), int(np.rint(end[1] + dy * way))
            if x < 0 or y < 0 or x >= w or y >= h:
                if left and free <= edge and way < best:
                    best = way
                    hit[0], hit[1] = min(max(x, 0), w - 1), min(max(y, 0), h - 1)
                break
            if outline[y, x] == 0:
                left = True
                free += 0.5
            elif left:
                if way < best:
                    best = way
                    hit[0], hit[1] = x, y
                break
            elif way > 12:
                break
