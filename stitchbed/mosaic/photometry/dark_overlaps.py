"""I find overlaps that are darker than the same paper beside them: there the sheet may leave the glass in both pieces.

In: small pictures of the pieces, where they lie, levels, lifts. Out: pairs with the share of light that is missing.
Neighbors that lift alike agree with each other, so that no comparison of the two shows it; each one's own paper
farther in does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, groupby

import numpy as np

from stitchbed.core.arrays import Array, Mask
from stitchbed.imaging.sample import sample
from stitchbed.mosaic.photometry.gain_compensation import Level, leveled_at
from stitchbed.mosaic.photometry.lift import Lift, inside
from stitchbed.mosaic.photometry.overlap_samples import Small
from stitchbed.mosaic.registration.placement import Placement, edge_distance, from_sheet, outline

GRID_MM = 2.0  # between the places that are looked at
PART_MM = 12.0  # along an overlap: what is judged by itself
BESIDE_MM = (4.0, 34.0)  # from the end of an overlap inward: where a sheet lies flat, and is still of the same light
CALM = 0.05  # relative unrest of a cell that shows bare paper
BRIGHT = 70.0  # percentile of what is calm: paper, where there is any
LEAST = 5  # calm places from which a part or what is beside it is judged
SAME_PAPER = 0.05  # log of light by which the paper on both sides, and that of the whole pieces, may differ
SAME_HUE = 0.02  # log of what channels differ by; a sheet in the air is darker in all of them alike, a wash is not
DARKER = 0.06  # log of light: two units of lightness on white; the fall-off of a lamp stays below
MOST = 0.7  # log of light; more is a shape that is drawn, no paper
PARTS = 3  # next to each other that must be darker
MOSTLY = 0.35  # share of all judged parts


@dataclass(frozen=True)
class _Piece:
    """Where a piece lies on the canvas, its small picture, its level as rendered, and where it lifts."""

    place: Placement
    small: Small
    level: Level
    lift: Lift


@dataclass(frozen=True)
class _View:
    """A pair seen from the first piece to the second. across, along : (N,) mm from the middle of the overlap. shared :
    (N,) where both see. light : (N, C) what the canvas shows. calm : (N,) bare."""

    across: Array
    along: Array
    shared: Mask
    light: Array
    calm: Mask


def dark_overlaps(
    places: Sequence[Placement],
    smalls: Sequence[Small],
    levels: Sequence[Level],
    lifts: Sequence[Lift],
    px_per_mm: float,
) -> list[tuple[int, int, float]]:
    """Pairs of pieces with the share 0..1 of light that their overlap lacks against the same paper on both its sides.

    places : on the canvas. levels : as rendered. px_per_mm : of the canvas. The paper of a part of an overlap is its
    bright calm cells; told is what is darker over several parts that follow each other (those that show no paper are
    left out), and as gray as the paper.
    """
    pieces = [_Piece(*one) for one in zip(places, smalls, levels, lifts, strict=True)]
    corners, found = [outline(place) for place in places], []
    for i, j in combinations(range(len(pieces)), 2):
        shared = _side_by_side(corners[i], corners[j])
        if shared is None:
            continue
        lost = _missing(_seen((pieces[i], pieces[j]), shared, px_per_mm))
        if lost > DARKER:
            found.append((i, j, float(-np.expm1(-lost))))
    return found


def dark_words(found: Sequence[tuple[int, int, float]], names: Sequence[str]) -> list[str]:
    """A line about overlaps that are darker than the paper beside them."""
    if not found:
        return []
    listed = "; ".join(f"{names[i]} and {names[j]} (by {100 * lost:.0f} %)" for i, j, lost in found)
    return [
        "what two pieces share is darker in both than the same paper beside it, as where a sheet leaves the glass in "
        f"both scans; if it is not drawn so, the canvas is too dark there: {listed}. Look at where they meet, or scan "
        "one of them again with more overlap"
    ]


def _side_by_side(one: Array, two: Array) -> tuple[Array, Array, int] | None:
    """Of two pieces' corners (4, 2) px: the top left and bottom right of what they share, and the axis from one to the
    other; None where they are no neighbors side by side."""
    low, high = np.maximum(one.min(0), two.min(0)), np.minimum(one.max(0), two.max(0))
    axis = int(np.argmin(high - low))
    shorter = min(float(np.ptp(corners[:, 1 - axis])) for corners in (one, two))
    return (low, high, axis) if (high > low).all() and (high - low)[1 - axis] >= 0.5 * shorter else None


def _seen(pair: tuple[_Piece, _Piece], shared: tuple[Array, Array, int], px_per_mm: float) -> _View:
    """What the canvas shows in what two neighbors share, and beside it."""
    low, high, axis = shared
    grown = BESIDE_MM[1] * px_per_mm * (np.arange(2) == axis)
    steps = [np.arange(low[k] - grown[k], high[k] + grown[k], GRID_MM * px_per_mm) for k in range(2)]
    xy = np.stack(np.meshgrid(*steps), -1).reshape(-1, 2)
    light = np.zeros((len(xy), pair[0].small.light.shape[2]))
    rank, calm = np.full(len(xy), -np.inf), np.zeros(len(xy), bool)
    count = np.zeros(len(xy), int)
    for piece in pair:
        at, small = from_sheet(piece.place, xy), piece.small
        depth = edge_distance(piece.place.size, at)
        here = depth > 2 * small.cell
        count += here
        order = np.where(here, depth - 1e6 * inside(piece.lift, at), -np.inf)
        taken = order > rank
        rank[taken] = order[taken]
        light[taken] = leveled_at(piece.level, small, at[taken])
        calm[taken] = sample(small.unrest[..., None], at[taken], small.cell)[:, 0] < CALM
    middle = (low + high) / 2
    across, along = (xy[:, k] - middle[k] for k in (axis, 1 - axis))
    return _View(across / px_per_mm, along / px_per_mm, count == 2, np.log(np.maximum(light, 1e-3)), calm & (count > 0))


def _missing(view: _View) -> float:
    """Log of light that an overlap lacks, 0 where it is as bright as what lies beside it."""
    if view.shared.sum() < LEAST:
        return 0.0
    ends = view.across[view.shared].min(), view.across[view.shared].max()
    before, behind = ends[0] - view.across, view.across - ends[1]
    apart = [view.calm & (off > BESIDE_MM[0]) & (off < BESIDE_MM[1]) for off in (before, behind)]
    if min(part.sum() for part in apart) < LEAST:
        return 0.0
    whole = _paper(view.light[apart[0] | apart[1]])
    number = np.floor(view.along / PART_MM).astype(int)
    parts = [_part(view, number == n, (apart[0], apart[1], view.shared & view.calm), whole) for n in np.unique(number)]
    told = np.array([part for part in parts if part is not None])
    dark = (told > DARKER) & (told < MOST)
    run = max((len(list(some)) for each, some in groupby(dark.tolist()) if each), default=0)
    if run < PARTS or dark.mean() < MOSTLY or (told < -DARKER).any():
        return 0.0
    return float(np.percentile(told[dark], 90))


def _part(view: _View, here: Mask, where: tuple[Mask, Mask, Mask], whole: Array) -> float | None:
    """Log of light that a part of the overlap lacks; None where no paper of one kind shows on both sides and in it."""
    if min((here & one).sum() for one in where) < LEAST:
        return None
    one, two, shared = (_paper(view.light[here & each]) for each in where)
    beside = (one + two) / 2
    if np.abs(one - two).max() > SAME_PAPER or np.abs(beside - whole).max() > SAME_PAPER:
        return None
    lost = beside - shared
    return float(lost.mean()) if np.ptp(lost) < SAME_HUE + 0.2 * abs(lost.mean()) else None


def _paper(light: Array) -> Array:
    """(C,) log of the light of paper among calm places (n, C)."""
    total = light.mean(1)
    return np.asarray(light[total >= np.percentile(total, BRIGHT)].mean(0))
