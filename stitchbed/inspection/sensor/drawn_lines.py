"""I tell a line that is drawn on a sheet, and lies along the bed by chance, from one that the sensor made.

In: a line through a scan, and scans that show the same part of the sheet. Out: whether it is drawn. What is drawn keeps
its place on the sheet, and a dead cell its place on the bed.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stitchbed.core.arrays import Array, Floats
from stitchbed.imaging.sample import look_up
from stitchbed.imaging.transforms import moved
from stitchbed.inspection.looks import Glance
from stitchbed.inspection.patches import view_motion

REACH, BESIDE = 6, 3  # view px to both sides of a line that are looked at; from which on they tell the tone beside it
ASIDE = 2  # view px that two views may lie aside from each other
PART, LEAST_PARTS = 40, 2  # view px of a line by which its depth is told; parts that another scan must show
LEAST_DEPTH = 0.7  # gray levels of a part: less tells nothing
SHOWN = 0.62  # of a line's depth that the other scan shows, in the middle of all parts: letters by chance .6 once
SAME_CELL = 4.0  # view px on the bed: one cell may be at fault in both scans


def is_drawn(look: Glance, axis: int, at: int, others: Sequence[tuple[Glance, Array]]) -> bool:
    """True where other scans show a line too that goes through one. axis, at : 1 and the column it lies at, 0 and the
    row, view px. others : other scans with the motion other_from_this, full-resolution px.
    """
    parts = [_shown(look, axis, at, other, motion) for other, motion in others]
    shown = np.concatenate([np.zeros(0), *parts])
    return len(shown) >= LEAST_PARTS and bool(np.median(shown) > SHOWN)


def _shown(look: Glance, axis: int, at: int, other: Glance, motion: Array) -> Array:
    """(parts,) share of a line's depth that another scan shows at the same places of the sheet, where it sees them."""
    along = np.arange(look.gray.shape[1 - axis], dtype=np.float64)
    there = view_motion(look, other, motion)
    line = np.column_stack([np.full(len(along), at), along][:: 1 if axis == 1 else -1])
    way = moved(there, line)
    size = np.array(other.gray.shape[::-1])
    seen = ((way > REACH) & (way < size - 1 - REACH)).all(1)
    if not seen.any() or abs(float(np.median(way[seen, 1 - axis])) - at) < SAME_CELL:
        return np.zeros(0)
    aside = np.zeros((2 * REACH + 1, 2))
    aside[:, 1 - axis] = np.arange(-REACH, REACH + 1)
    every = line[seen, None] + aside
    own = _profiles(look, every)
    its = _profiles(other, moved(there, every.reshape(-1, 2)).reshape(every.shape))
    middle = own[:, REACH - 1 : REACH + 2]
    depth = np.take_along_axis(middle, np.abs(middle).argmax(1)[:, None], axis=1)[:, 0]
    told = np.abs(depth) > LEAST_DEPTH
    near = its[told, REACH - ASIDE : REACH + ASIDE + 1] * np.sign(depth[told, None])
    return np.asarray(near.max(1) / np.abs(depth[told]), np.float64) if told.any() else np.zeros(0)


def _profiles(look: Glance, at: Array) -> Floats:
    """(parts, places) tones across a line, less those beside it, of each part. at : (n, places, 2) view px."""
    tones = look_up(look.gray, at)
    parts = np.array_split(tones, max(1, len(tones) // PART))
    middle = np.array([np.nanmedian(part, axis=0) for part in parts])
    beside = np.abs(np.arange(-REACH, REACH + 1)) >= BESIDE
    return np.asarray(middle - np.median(middle[:, beside], axis=1, keepdims=True), np.float32)
