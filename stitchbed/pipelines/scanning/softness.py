"""I find pieces that are softer than their neighbors show the same places of the sheet.

In: glances, motions between them, a reader of stored pixels. Out: how much sharper one piece of a pair is; findings.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from stitchbed.core.arrays import Array, Pixels
from stitchbed.imaging.box import Box
from stitchbed.imaging.gray import gray_of
from stitchbed.inspection import quality
from stitchbed.inspection.checks.pieces import softer
from stitchbed.inspection.differences import Difference
from stitchbed.inspection.findings import Finding
from stitchbed.inspection.looks import Glance, detail_boxes, sharpness_in
from stitchbed.inspection.overlaps import rest_places
from stitchbed.inspection.sensor.ends import few_tones

PLACES = 6  # compared for sharpness per overlap
FAINT = 0.04  # log of fine contrast below the neighbors', in views: half of what a blur of a px leaves of an A4 piece

Pair = tuple[int, int]
Read = Callable[[int, Sequence[Box]], list[Pixels]]  # stored pixels of boxes of a piece


def sharper_of_pairs(
    looks: Sequence[Glance], noise: Sequence[float], followed: Sequence[tuple[Pair, Array]], read: Read, pool: Executor
) -> dict[Pair, float]:
    """(a, b) -> log of a's edge ratio over b's at the same places of the sheet. noise : gray levels per piece."""
    wanted: dict[int, list[tuple[Pair, int, Box]]] = {}
    for pair, motion in followed:
        for number, places in enumerate(rest_places(looks[pair[0]], looks[pair[1]], motion, PLACES)):
            for end, place in zip(pair, places, strict=True):
                wanted.setdefault(end, []).append((pair, number, _window(place, looks[end].shape)))

    def one_piece(end: int) -> list[float | None]:
        requests = wanted[end] = sorted(wanted[end], key=lambda one: one[2].row)
        measured = (quality.edge_ratio(gray_of(p), noise[end]) for p in read(end, [box for *_, box in requests]))
        return [float(np.log(one[0])) if one else None for one in measured]

    ratios: dict[tuple[Pair, int], dict[int, float]] = {}
    for end, values in zip(list(wanted), pool.map(one_piece, list(wanted)), strict=True):
        for (pair, number, _), value in zip(wanted[end], values, strict=True):
            if value is not None:
                ratios.setdefault((pair, number), {})[end] = value
    found: dict[Pair, list[float]] = {}
    for (pair, _), ends in ratios.items():
        if len(ends) == 2:
            found.setdefault(pair, []).append(ends[pair[0]] - ends[pair[1]])
    return {pair: _beyond_doubt(values) for pair, values in found.items()}


@dataclass(frozen=True)
class _Near:
    """A piece looked at closely. noise : gray levels. sharpness : median log edge ratio, None without edges."""

    noise: float
    sharpness: float | None
    tones: int | None


def soft_pieces(
    looks: Sequence[Glance],
    followed: Sequence[tuple[Pair, Array]],
    differences: Sequence[Difference],
    dusty: Collection[int],
    read: Read,
    pool: Executor,
) -> list[tuple[int, Finding]]:
    """Blurred pieces. Only where a view is fainter than its neighbors' are stored pixels read at all. dusty : pieces
    beside which a clean one looks soft.
    """
    faint = _faint(differences)
    usable = [at for at in followed if set(at[0]) & faint]
    if not usable:
        return []
    ends = sorted({k for pair, _ in usable for k in pair})
    near = dict(zip(ends, pool.map(lambda index: _near(looks[index], partial(read, index)), ends), strict=True))
    noise = [near[index].noise if index in near else 0.0 for index in range(len(looks))]
    sharper = sharper_of_pairs(looks, noise, usable, read, pool)
    unfit = set(dusty) | {index for index, one in near.items() if one.tones}
    found = [(index, _judged(index, near, sharper, unfit - {index})) for index in sorted(faint)]
    return [(index, finding) for index, finding in found if finding is not None]


def _judged(index: int, near: dict[int, _Near], sharper: dict[Pair, float], unfit: Collection[int]) -> Finding | None:
    against = [
        value if pair[0] == index else -value
        for pair, value in sharper.items()
        if index in pair and not set(pair) & set(unfit)
    ]
    others = [one.sharpness for number, one in near.items() if number != index and one.sharpness is not None]
    own = near[index].sharpness
    return softer(own, others, against) if own is not None and others and against else None


def _faint(differences: Sequence[Difference]) -> set[int]:
    """Pieces whose views show less of what is fine than most of their neighbors do."""
    fine: dict[int, list[float]] = {}
    for item in differences:
        for index, own in ((item.a, item.own_a), (item.b, item.own_b)):
            fine.setdefault(index, []).append(own.fine)
    return {index for index, values in fine.items() if float(np.median(values)) < -FAINT}


def _near(look: Glance, read: Callable[[Sequence[Box]], list[Pixels]]) -> _Near:
    detail, calm = (read(detail_boxes(look, calm=calm)) for calm in (False, True))
    noise, _ = quality.calm_noise([gray_of(pixels) for pixels in calm])
    ratios = sharpness_in(detail, noise)
    return _Near(noise, float(np.median(np.log(ratios))) if ratios else None, few_tones([*detail, *calm]))


def _beyond_doubt(values: Sequence[float]) -> float:
    """How far three quarters of the places agree that a pair differs: a window may hold a line that the other just
    misses, and then only softer shapes are compared with it.
    """
    low, high = (float(value) for value in np.quantile(values, (0.25, 0.75)))
    return max(low, 0.0) + min(high, 0.0)


def _window(place: Any, shape: tuple[int, int]) -> Box:
    side = min(quality.WINDOW * 3 // 4, *shape)
    row = min(max(0, round(float(place[1]) - side / 2)), shape[0] - side)
    col = min(max(0, round(float(place[0]) - side / 2)), shape[1] - side)
    return Box(row, col, side, side)
