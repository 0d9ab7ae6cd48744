"""I tell what the head of a scanner does to all scans alike from what pieces show of each other.

In: how pairs of pieces lie on each other. Out: the same without the head's share, sizes of pieces.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.inspection.looks import Glance
from stitchbed.inspection.patches import Course
from stitchbed.matching.robust import robust_spread

# What else a length may differ by: a head goes unevenly, the same in all scans, .04 to .17 mm rms (ACRS 1997, see
# DEVELOPERS.md), and a lifted side is seen shifted.
HEAD_MM = 0.3
# The same, of what two scans show at rows far from each other: two sigma of four readings, each .17 mm rms off.
# What the head does there to all scans alike is taken off before, but not what it does to rows some mm aside.
FAR_MM = 0.7
# A way over which waves show, and patches on it; what its ends may be off by, over what a middle patch strays: two
# sigma of a slope that four stretches of a wave tell, each alone.
WAVES_MM, WAVE_PATCHES, STRAYED = 50.0, 12, 3.0
OTHER_SCALE = 0.02  # more than that both ways is a wrong dpi
HEAD_ROWS = 0.3  # of a scan's length between the rows at which two show one place: the head may go otherwise there
HEAD_TRIED = np.linspace(0.1, 0.9, 9)  # quantiles of what such pairs show
HEAD_GAIN = 0.75  # of what pieces differ by is left once the head is given its share; more is no proof of it
ALIKE_WAY = 0.1  # of the longest way that pieces are seen over: a shorter one alone makes none another size
LEAST_DOUBT = 0.001  # of a size, however long the way: paper differs by as much between two scans
ROUNDS = 12  # of weights for the least sum of absolute differences


def without_head(courses: Sequence[Course], looks: Sequence[Glance], dpi: Sequence[float]) -> tuple[Course, ...]:
    """The courses of a set with what is the pieces' alone: no stretch is known where the scale is another, and what the
    head does along the travel to all scans alike is taken off. That is one stretch of all pairs which see a place at
    rows far from each other, the one by which pieces differ least.
    """
    courses = tuple(replace(one, stretch=np.full(2, np.nan)) if _of_other_scale(one) else one for one in courses)
    ways = np.array([head_way(course, looks) for course in courses])
    shown = np.array([way * course.stretch[1] for way, course in zip(ways, courses, strict=True)])
    shown = shown[(ways != 0) & np.isfinite(shown)]
    if len(shown) < 2:  # one pair tells nothing of all
        return courses
    unsure = doubts(courses, looks, dpi, 1)
    best, least = courses, HEAD_GAIN * float(np.abs(sizes(len(looks), courses, unsure, 1)).sum())
    for head in np.unique(np.quantile(shown, HEAD_TRIED, method="nearest")):
        shares = np.outer(ways * head, (0, 1))
        without = tuple(replace(one, stretch=one.stretch - share) for one, share in zip(courses, shares, strict=True))
        left = float(np.abs(sizes(len(looks), without, unsure, 1)).sum())
        best, least = (without, left) if left < least else (best, least)
    return best


def doubts(courses: Sequence[Course], looks: Sequence[Glance], dpi: Sequence[float], axis: int) -> Array:
    """(N,) by how much, as a share, two good scans differ along an axis over the way that each pair shows: what a head
    or a lifted side moves, over that way. dpi : of each tile."""
    ways = np.array([course.ways[axis] / dpi[course.a] for course in courses]) * MM_PER_INCH
    far = [axis == 1 and seen_elsewhere(course, looks) for course in courses]
    moved = [
        _far_mm(course, way, dpi[course.a]) if elsewhere else HEAD_MM
        for course, way, elsewhere in zip(courses, ways, far, strict=True)
    ]
    return np.array(moved) / np.maximum(ways, 1e-9)


def _far_mm(course: Course, way: float, dpi: float) -> float:
    """What the head moves, mm, of what two scans show at rows far from each other: by how far patches stray from a line
    where there are many all along a way (mm) that waves of the head fit into."""
    if way < WAVES_MM or len(course.slips) < WAVE_PATCHES:
        return FAR_MM
    rows, slips = course.slips[:, 0], course.slips[:, 2]
    strayed = robust_spread(slips - np.polyval(np.polyfit(rows, slips, 1), rows)) / dpi * MM_PER_INCH
    return float(np.clip(STRAYED * strayed, HEAD_MM, FAR_MM))


def sizes(count: int, courses: Sequence[Course], unsure: Array, axis: int) -> Array:
    """(count,) size of each piece over the middle one along an axis, by the least sum of what pairs differ from it in
    parts of their doubts (`unsure`): what is within them speaks for nothing and counts by its square, the rest by how
    much it is. Few pieces differ: each size counts as a difference too, of ALIKE_WAY, so that a short way which errs
    does not turn what most pieces have into the exception.

    Reference: Huber (1964), doi 10.1214/aoms/1177703732.
    """
    known = np.array([np.isfinite(course.stretch[axis]) for course in courses], bool)
    used = [course for course, told in zip(courses, known, strict=True) if told]
    if not used:
        return np.zeros(count)
    between = np.zeros((len(used), count))
    between[np.arange(len(used)), [course.b for course in used]] = 1.0
    between[np.arange(len(used)), [course.a for course in used]] = -1.0
    rows = np.vstack([between, np.eye(count)])
    values = np.append([course.stretch[axis] for course in used], np.zeros(count))
    doubt = np.maximum(unsure[known], LEAST_DOUBT)
    prior = np.full(count, ALIKE_WAY / float(doubt.min()))
    weights = np.append(1 / doubt**2, prior / LEAST_DOUBT)
    solved = np.zeros(count)
    for _ in range(ROUNDS):
        root = np.sqrt(weights)
        solved = np.linalg.lstsq(root[:, None] * rows, root * values, rcond=None)[0]
        off = np.abs(rows @ solved - values)
        told, own = off[: len(used)], off[len(used) :]
        weights = np.append(1 / (doubt * np.maximum(doubt, told)), prior / np.maximum(own, 1e-4))
    seen = np.abs(between).sum(0) > 0
    solved[seen] -= np.median(solved[seen])
    solved[~seen] = 0.0
    return np.asarray(solved)


def head_way(course: Course, looks: Sequence[Glance]) -> int:
    """1 where the second piece of a pair shows what both see far further along the travel than the first, -1 where far
    before it, 0 where about the same rows show it."""
    first, second = (sum(span) / 2 / looks[k].shape[0] for k, span in zip((course.a, course.b), course.spans))
    return int(np.sign(second - first)) if abs(second - first) > HEAD_ROWS else 0


def seen_elsewhere(course: Course, looks: Sequence[Glance]) -> bool:
    """True where two scans show the same places at rows far from each other, as also where one lies turned by half."""
    if head_way(course, looks) != 0 or len(course.slips) == 0:
        return head_way(course, looks) != 0
    shares = course.slips[:, :2] / [looks[index].shape[0] for index in (course.a, course.b)]
    own, other = (shares - shares.mean(0)).T
    return float(own @ other) < 0 or float(np.median(np.abs(shares[:, 0] - shares[:, 1]))) > HEAD_ROWS


def _of_other_scale(course: Course) -> bool:
    """True where all that is known of a pair is larger or smaller by far."""
    return bool((np.abs(course.stretch[np.isfinite(course.stretch)]) > OTHER_SCALE).all())
