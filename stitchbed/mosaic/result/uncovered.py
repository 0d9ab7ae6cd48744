"""I settle what becomes of places no piece has seen, and say so.

In: a survey and the user's wish. Out: the plan with an alpha channel or without, and words for the record.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from stitchbed.core.arrays import Array, Mask
from stitchbed.core.memory import late
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.mosaic.compositing.plan import Plan
from stitchbed.mosaic.compositing.seams import SeamMap
from stitchbed.mosaic.photometry.gain_compensation import Level, leveled, shade_at
from stitchbed.mosaic.photometry.overlap_samples import Small
from stitchbed.mosaic.registration.canvas import Canvas
from stitchbed.mosaic.registration.placement import Placement, from_sheet, is_barred, outline
from stitchbed.mosaic.survey.survey import Survey

ndimage = late("scipy.ndimage")

MISSING_MM = 10.0  # a hole deeper than this is not the slack of pieces laid askew: a piece is missing
UNEVEN = 0.35  # share of a side of a piece: rims of pieces laid askew or turned differ by less, and a piece shows more
SLACK_MM = 4.0  # what is less deep parts one hole from another: slivers along the canvas's rims join them


def unseen(places: Sequence[Placement], canvas: Canvas, seams: SeamMap) -> tuple[float, float, list[str]]:
    """(share of the canvas, greatest width in mm) of what no tile sees, and where so much of it lies that a piece must
    be missing; `places` are on the canvas.
    """
    rows, cols = seams.labels.shape
    # the last row and column of cells may reach past the canvas: what counts is their part of it
    xs = np.minimum((np.arange(cols) + 0.5) * seams.cell, canvas.width - 1)
    ys = np.minimum((np.arange(rows) + 0.5) * seams.cell, canvas.height - 1)
    seen = np.zeros((rows, cols), bool)
    for place in places:
        low, high = outline(place).min(0) - 1, outline(place).max(0) + 1
        top, bottom = np.searchsorted(ys, (low[1], high[1]))
        left, right = np.searchsorted(xs, (low[0], high[0]))
        part = seen[top:bottom, left:right]
        if part.all():
            continue
        at = from_sheet(place, np.stack(np.meshgrid(xs[left:right], ys[top:bottom]), -1).reshape(-1, 2))
        h, w = place.size
        sees = (at > -0.5).all(1) & (at[:, 0] < w - 0.5) & (at[:, 1] < h - 0.5) & ~is_barred(place, at)
        part |= sees.reshape(part.shape)
    hole = ~seen
    if not hole.any():
        return 0.0, 0.0, []
    # a rim sliver is as wide as its deepest point is far from what is seen
    depth = ndimage.distance_transform_edt(hole) if not hole.all() else np.full(hole.shape, np.inf)
    cell_mm = seams.cell / canvas.dpi * MM_PER_INCH
    side_mm = float(np.median([min(place.size) for place in places])) / canvas.dpi * MM_PER_INCH if places else 0.0
    missing = _missing(hole, np.asarray(depth, np.float64), cell_mm, UNEVEN * side_mm)
    return float(hole.mean()), float(depth.max()) * cell_mm, missing


def _missing(hole: Mask, depth: Array, cell_mm: float, uneven_mm: float) -> list[str]:
    """Size and place of holes that a piece would fill; slivers that join two of them are none, nor is what lies along
    the canvas's rim and is no deeper than `uneven_mm`."""
    slack = SLACK_MM / cell_mm
    deep = ndimage.distance_transform_edt(depth < slack) < slack
    labels, count = ndimage.label(hole & deep)
    found = []
    for number, box in enumerate(ndimage.find_objects(labels, max_label=count), start=1):
        if box is None:
            continue
        at_rim = any(part.start == 0 or part.stop == size for part, size in zip(box, hole.shape, strict=True))
        least_mm = max(MISSING_MM, uneven_mm) if at_rim else MISSING_MM
        if depth[box][labels[box] == number].max() * cell_mm < least_mm:
            continue
        (top, foot), (left, right) = ((part.start * cell_mm, part.stop * cell_mm) for part in box)
        found.append(
            f"{right - left:.0f} x {foot - top:.0f} mm around {(left + right) / 2:.0f} mm from the left, "
            f"{(top + foot) / 2:.0f} mm from the top"
        )
    return found


def paper_color(smalls: Sequence[Small], levels: Sequence[Level], channels: int) -> tuple[float, ...]:
    """Linear color of the commonest bright tone over all tiles, after leveling."""
    colors = []
    for small, level in zip(smalls, levels, strict=True):
        h, w = small.light.shape[:2]
        at = np.asarray(
            (np.stack(np.meshgrid(np.arange(w), np.arange(h)), -1).reshape(-1, 2) + 0.5) * small.cell, np.float64
        )
        light = np.broadcast_to(small.light, (h, w, channels)).reshape(-1, channels)
        calm = small.unrest.ravel() < 0.03
        colors.append(leveled(level, np.asarray(light[calm], np.float64), shade_at(level, at[calm])))
    every = np.concatenate(colors)
    if not len(every):
        return (0.85,) * channels
    tone = every.mean(1)
    histogram, edges = np.histogram(tone, bins=100, range=(0.0, 1.0))
    bright = np.where(edges[:-1] > np.percentile(tone, 50) * 0.8, histogram, 0)
    peak = edges[int(bright.argmax())]
    near = np.abs(tone - peak - 0.005) < 0.02
    return tuple(float(v) for v in np.median(every[near] if near.any() else every, axis=0))


def settled_outside(found: Survey, wish: str) -> tuple[Plan, dict[str, Any], list[str]]:
    """The plan with `alpha` and `paper` set; numbers; warnings. wish : "alpha" or "paper".

    A canvas that is seen all over gets no alpha channel. A gray one that needs alpha becomes RGB with alpha (if no
    gray profile forbids it): hardly any program reads gray with alpha.
    """
    plan = found.plan
    share, width, missing = unseen(plan.places, plan.canvas, plan.seams)
    alpha = wish == "alpha" and (share > 0 or any(tile.raster.alpha for tile in plan.tiles))
    promoted = alpha and plan.channels == 1 and plan.icc is None
    channels = 3 if promoted else plan.channels
    paper = paper_color(found.smalls, plan.levels, plan.channels)
    plan = replace(plan, alpha=alpha, channels=channels, paper=paper * (channels // len(paper)))
    numbers = {"unseen_share": round(share, 5), "widest_mm": round(width, 2)}
    words = []
    if share > 0:
        how = "left transparent (--outside paper fills it)" if alpha else "filled with the paper's color"
        words.append(
            f"{100 * share:.2f} % of the canvas, up to {width:.0f} mm from what is seen, "
            f"was seen by no piece and is {how}"
        )
    if missing:
        words.append(f"a piece seems to be missing: none shows {'; '.join(missing)}. Scan these places too")
    if promoted:
        words.append(
            "gray pieces are written as RGB, because few programs read gray with transparency "
            "(--outside paper stays gray)"
        )
    return plan, numbers, words
