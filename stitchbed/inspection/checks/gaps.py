"""I find what no piece of a set shows: holes in the rectangle that the pieces span.

In: evidence. Out: findings for the set.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Mask
from stitchbed.inspection.checks.lying import sizes_of, span, upright_quads
from stitchbed.inspection.findings import Evidence, Finding, length_words
from stitchbed.inspection.glass import small_parts
from stitchbed.inspection.overlaps import RIM_SHARE, UNREST, unrest_of

GAP_SHARE = 0.1  # of the long side: width of a hole that counts
CORNER_SHARE = 0.35  # of the short side: a narrower one at a corner is beyond the sheet, where a piece reaches over it
# Of the short side, as much as neighbors share: a missing piece leaves a deeper hole along the rim, and what is less
# deep is the sheet's only where something is drawn as far out; cells of it.
UNEVEN_SHARE, DRAWN_CELLS = 0.2, 5
GRAIN_CELLS = 4  # of a piece's map of light: a grain between two makes all beside them restless


def gap_findings(evidence: Evidence) -> list[Finding]:
    """A hole in the rectangle that the placed pieces span, which is no mirrored piece's."""
    if len(evidence.layouts[0].sheet_from_tile) < 3 or evidence.mirrored:
        return []
    for where, size, sheet in sorted(_holes(evidence), key=lambda hole: not hole[2]):
        wide, numbers = f"about {length_words(evidence, 0, size)} wide", {"width_px": round(size)}
        if not sheet:
            why = f"pieces end unevenly at the {where}: a strip {wide} there is seen by none"
            change = "nothing, where that is beside the sheet; if the sheet reaches there, scan that part too"
            return [Finding("uneven rim", "note", why, change, numbers)]
        why = f"no piece shows a part of the sheet at its {where}, {wide}"
        return [Finding("gap", "redo", why, "scan the missing part, overlapping its neighbors by a fifth", numbers)]
    return []


def _holes(evidence: Evidence) -> list[tuple[str, float, bool]]:
    """(where, px wide, does the sheet go on there as far as is known) of holes, the largest first."""
    quads, reference = upright_quads(evidence), sizes_of(evidence)[evidence.layouts[0].reference]
    low, high = span(list(quads.values()))
    cell = max(reference) * GAP_SHARE / 10
    shape = np.ceil((high - low)[::-1] / cell).astype(int) + 1
    covered = np.zeros(shape, np.uint8)
    for quad in quads.values():
        cv2.fillConvexPoly(covered, np.round((quad - low) / cell).astype(np.int32), 1)
    # a hole is what a disk of GAP_SHARE fits into; ragged outer edges are not
    bare = cv2.morphologyEx(1 - covered, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (11, 11)))
    side = min(reference) / cell
    found = []
    for hole, middle, width in sorted(_parts(bare, UNEVEN_SHARE * side), key=lambda one: -one[0][cv2.CC_STAT_AREA]):
        strip = _outer_strip(hole, bare.shape, side)
        if not _beyond(hole, bare.shape, CORNER_SHARE * side):
            place = middle / (shape[::-1] - 1)
            sheet = strip is None or int(_drawn(evidence, quads, (low, cell), bare.shape)[strip].sum()) >= DRAWN_CELLS
            found.append((_place_words(float(place[0]), float(place[1])), cell * width, sheet))
    return found


def _parts(bare: NDArray[np.uint8], shallow: float) -> list[tuple[Array, Array, float]]:
    """(bounds and area, middle, width) in cells of what hangs together of each of `_by_rims`; the width is that of the
    largest disk in the whole hole it is a part of."""
    away = cv2.distanceTransform(np.pad(bare, 1), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)[1:-1, 1:-1]
    count, wholes = cv2.connectedComponents(bare)
    widest = np.zeros(count)
    np.maximum.at(widest, wholes, 2 * away - 1)  # from the middle of a cell to that of the next one outside
    found = []
    for part in _by_rims(bare, shallow):
        number, labels, stats, middles = cv2.connectedComponentsWithStats(part)
        found += [(stats[k], middles[k], float(widest[wholes[labels == k][0]])) for k in range(1, number)]
    return found


def _by_rims(bare: NDArray[np.uint8], shallow: float) -> list[NDArray[np.uint8]]:
    """A map of what nobody sees in three: strips along the left or right rim no deeper than `shallow` cells, such along
    the top or bottom one, and the rest. Two strips that meet at a corner are no deep hole."""
    across, down = np.zeros(bare.shape, bool), np.zeros(bare.shape, bool)
    for part, whole in ((across, bare), (down.T, bare.T)):
        for strip, cells in ((part, whole), (part[:, ::-1], whole[:, ::-1])):
            run = np.logical_and.accumulate(cells > 0, axis=1)
            strip |= run & (run.sum(1, keepdims=True) < shallow)
    down &= ~across
    return [np.asarray(bare * mask, np.uint8) for mask in (across, down, ~(across | down))]


def _beyond(hole: Array, shape: tuple[int, ...], least: float) -> bool:
    """True of a narrow hole at a corner of a map of (rows, cols): a turned piece shows the lid beside it.

    hole : left, top, width, height cells. least : cells a missing piece leaves there at least.
    """
    across, down = _touched(hole, shape)
    return across == 1 and down == 1 and min(int(hole[2]), int(hole[3])) < least


def _touched(hole: Array, shape: tuple[int, ...]) -> tuple[int, int]:
    """How many sides of a map a hole reaches, of left and right, of top and bottom."""
    left, top, width, height = (int(value) for value in hole[:4])
    return (left == 0) + (left + width == shape[1]), (top == 0) + (top + height == shape[0])


def _outer_strip(hole: Array, shape: tuple[int, ...], side: float) -> tuple[slice, slice] | None:
    """All along the rim that a hole lies at, as far in as half its depth; None of a hole that is no shallow one at one
    rim. side : the short one of a piece, cells."""
    across, down = _touched(hole, shape)
    left, top, width, height = (int(value) for value in hole[:4])
    depth = width if across else height
    if across + down != 1 or depth >= UNEVEN_SHARE * side:
        return None
    first, end = (left, shape[1]) if across else (top, shape[0])
    outer = slice(0, -(-depth // 2)) if first == 0 else slice(end - -(-depth // 2), end)
    return (slice(None), outer) if across else (outer, slice(None))


def _drawn(evidence: Evidence, quads: Mapping[str, Array], grid: tuple[Array, float], shape: tuple[int, ...]) -> Mask:
    """(rows, cols) True where a piece shows drawing, or the sheet's edge, and no grain on the lid beside it.

    quads : where pieces lie. grid : the first corner, the size of a cell.
    """
    seen = np.zeros(shape, bool)
    for tile, look in zip(evidence.tiles, evidence.looks, strict=True):
        if tile.name in quads:
            restless = _without_rim(unrest_of(look.light) > UNREST)
            rows, cols = np.nonzero(restless & ~small_parts(restless, GRAIN_CELLS))
            shares = (np.column_stack([cols, rows]) + 0.5) * look.light_cell / look.shape[::-1]
            first, across, _, down = quads[tile.name]
            at = first + shares[:, :1] * (across - first) + shares[:, 1:] * (down - first)
            col, row = ((at - grid[0]) / grid[1]).round().astype(int).T
            inside = (row >= 0) & (row < shape[0]) & (col >= 0) & (col < shape[1])
            seen[row[inside], col[inside]] = True
    return seen


def _without_rim(restless: Mask) -> Mask:
    """A map of restless cells without the outermost: where a sheet lifts, it and the lid beside it grow dark."""
    rim = 1 + math.ceil(RIM_SHARE * max(restless.shape))  # a cell is restless by what lies beside it
    return np.pad(restless[rim:-rim, rim:-rim], rim)


def _place_words(x: float, y: float) -> str:
    """Where on the sheet, in words."""
    down = "top" if y < 1 / 3 else "bottom" if y > 2 / 3 else "middle"
    across = "left" if x < 1 / 3 else "right" if x > 2 / 3 else ""
    return f"{down} {across}".strip()
