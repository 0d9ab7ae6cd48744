"""I am the bed all scans share: axes and travel error as parameters of the bed, not of the piece.

In: tile pixels. Out: basis functions for the alignment, and a `Bed` with what was found and what could be observed.

A scan's row follows the head's travel (v), its column the lamp and sensor (u). Displacements are cubic B-splines of v
and of u for both axes, in px of the tile, plus the scale of v against u and their shear. All scans of one bed share
them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.mosaic.registration.placement import Warp

STRAIGHT_MM = 1e-4  # expected size of a straight part of a spline: none
HEAD = 1  # number of the spline y(v), the way of the head
BOW_DEGREE = 5  # polynomials up to this one bow; waves shorter than half of the bed's length are beyond them


@dataclass(frozen=True)
class BedSettings:
    """travel_knot_mm: spacing along the travel; 4 mm follows waves of 12 mm. sensor_knot_mm: spacing across.
    finer: where ties show much more with it, knots along the travel lie so many times as near.
    Uncalibrated A4 beds are wrong by .04-.17 mm rms (ACRS 1997 as quoted in DEVELOPERS.md). What of it is an axis, what
    a bend along which side, is not told: each of the six gets an equal part of the square of the middle, .105 mm.
    amplitude_mm: expected size of each of the four splines. travel_bend_mm, sensor_bend_mm: expected second difference
    between neighboring knots. axis: expected axis error (share of length).
    no_bows: which of the four splines may not bow over much of the bed's length; waves are left to them.
    head_waves: how many times larger than that the head's own way y(v) may wave: the worst of heads.
    """

    travel_knot_mm: float = 4.0
    sensor_knot_mm: float = 12.0
    amplitude_mm: float = 0.043
    travel_bend_mm: float = 0.05
    sensor_bend_mm: float = 0.05
    axis: float = 0.0008
    finer: float = 2.0
    no_bows: tuple[int, ...] = ()
    head_waves: float = 1.0


@dataclass(frozen=True)
class BedShape:
    """The frame a bed's splines live in: tile size px (height, width) and px per mm of its scans."""

    size: tuple[int, int]
    px_per_mm: float


@dataclass(frozen=True)
class Bed:
    """What the overlaps say of the bed.

    axis_ratio : length along travel over length across, minus 1 means compressed; 1.0 when unobserved.
    shear_rad : angle by which the axes miss 90 degrees. travel_mm : (K,) places; offset_x_mm, offset_y_mm : (K,)
    error there.
    observed : (4,) share of prior uncertainty the overlaps removed for: axis ratio, shear, offset x, offset y (0..1).
    warp : displacement lattice for its tiles.
    """

    axis_ratio: float
    shear_rad: float
    travel_mm: Array
    offset_x_mm: Array
    offset_y_mm: Array
    observed: Array
    warp: Warp


def with_finer_knots(settings: BedSettings) -> BedSettings:
    """For beds whose head steps: nearer knots, which may bend by more per mm."""
    return replace(
        settings,
        travel_knot_mm=settings.travel_knot_mm / settings.finer,
        travel_bend_mm=settings.travel_bend_mm / settings.finer**0.75,
    )


def column_count(shape: BedShape, settings: BedSettings) -> int:
    """Number of unknowns: axis, shear, then four splines."""
    return spline_columns(shape, settings)[-1].stop


def spline_columns(shape: BedShape, settings: BedSettings) -> tuple[slice, slice, slice, slice]:
    """Columns of x(v), y(v), x(u), y(u)."""
    along = _count(shape.size[0], settings.travel_knot_mm * shape.px_per_mm)
    across = _count(shape.size[1], settings.sensor_knot_mm * shape.px_per_mm)
    ends = 2 + np.cumsum([0, along, along, across, across])
    first, second, third, fourth = (slice(int(a), int(b)) for a, b in pairwise(ends))
    return first, second, third, fourth


def basis(shape: BedShape, xy: Array, settings: BedSettings) -> tuple[NDArray[np.intp], Array, Array]:
    """Derivatives of the x and of the y displacement (px) at tile points (N, 2) by the bed's unknowns (px, ratios).

    Returns the unknowns that move each point, (N, 18), and by how much each moves its x and its y, (N, 18).
    Columns: axis ratio, shear, x(v), y(v), x(u), y(u).
    """
    h, w = shape.size
    v_columns, by_v = _spline(xy[:, 1], h, settings.travel_knot_mm * shape.px_per_mm)
    u_columns, by_u = _spline(xy[:, 0], w, settings.sensor_knot_mm * shape.px_per_mm)
    v = (xy[:, 1] - (h - 1) / 2)[:, None]
    none, no_v, no_u = np.zeros_like(v), np.zeros_like(by_v), np.zeros_like(by_u)
    starts = [own.start for own in spline_columns(shape, settings)]
    four = [start + own for start, own in zip(starts, (v_columns, v_columns, u_columns, u_columns), strict=True)]
    columns = np.hstack([np.tile([0, 1], (len(xy), 1)), *four])
    return columns, np.hstack([none, v, by_v, no_v, by_u, no_u]), np.hstack([v, none, no_v, by_v, no_u, by_u])


def prior(shape: BedShape, settings: BedSettings) -> Array:
    """(rows, columns) that pull the unknowns to zero, each by its expected size: amplitude, bend, axis, shear.

    Straight lines are taken out of the splines: along the travel they are the axes, elsewhere a size or a turn, and
    would carry in what was held.
    """
    along = (shape.size[0], settings.travel_knot_mm * shape.px_per_mm)
    across = (shape.size[1], settings.sensor_knot_mm * shape.px_per_mm)
    blocks = []
    wave, bow = settings.travel_bend_mm, settings.sensor_bend_mm
    for n, (side, bend_mm) in enumerate(((along, wave), (along, wave), (across, bow), (across, bow))):
        degree = BOW_DEGREE if n in settings.no_bows else 1
        count, px = _count(*side), shape.px_per_mm * (settings.head_waves if n == HEAD else 1.0)
        amplitude = np.eye(count) / (settings.amplitude_mm * px)
        bend = np.diff(np.eye(count), 2, axis=0) / (bend_mm * px)
        blocks.append(np.concatenate([amplitude, bend, _smooth(*side, degree) / (STRAIGHT_MM * shape.px_per_mm)]))
    total = column_count(shape, settings)
    full = np.zeros((2 + sum(len(b) for b in blocks), total))
    full[0, 0] = full[1, 1] = 1 / settings.axis
    row, col = 2, 2
    for block in blocks:
        full[row : row + len(block), col : col + block.shape[1]] = block
        row, col = row + len(block), col + block.shape[1]
    return full


def lattice(shape: BedShape, solution: Array, settings: BedSettings, spacing: float) -> Warp:
    """The solved displacements on a lattice over the tile."""
    h, w = shape.size
    cols, rows = int(np.ceil((w - 1) / spacing)) + 1, int(np.ceil((h - 1) / spacing)) + 1
    # displacements of this form are sums of a function of v and one of u: evaluate the two rims, then add
    x, y = np.minimum(np.arange(cols) * spacing, w - 1), np.minimum(np.arange(rows) * spacing, h - 1)
    middle = ((w - 1) / 2, (h - 1) / 2)
    rim_v = _evaluate(shape, np.column_stack([np.full(rows, middle[0]), y]), solution, settings)
    rim_u = _evaluate(shape, np.column_stack([x, np.full(cols, middle[1])]), solution, settings)
    heart = _evaluate(shape, np.array([middle]), solution, settings)
    return Warp(rim_v[:, None] + rim_u[None] - heart[0], spacing)


def described(shape: BedShape, solution: Array, covariance: Array, settings: BedSettings, warp: Warp) -> Bed:
    """The bed in millimeters, and how much of each part the overlaps could see."""
    h, w = shape.size
    v = np.arange(0, h, max(1, int(shape.px_per_mm)))
    along = _evaluate(shape, np.column_stack([np.full(len(v), (w - 1) / 2), v]), solution, settings)
    u = np.arange(0, w, max(1, int(shape.px_per_mm)))
    across = _evaluate(shape, np.column_stack([u, np.full(len(u), (h - 1) / 2)]), solution, settings)
    slope_v, slope_u = np.polyfit(v, along, 1)[0], np.polyfit(u, across, 1)[0]
    spread = np.sqrt(np.maximum(np.diag(covariance), 0))
    beforehand = prior(shape, settings)
    expected = np.sqrt(np.diag(np.linalg.inv(beforehand.T @ beforehand)))
    left = spread / expected
    seen = [
        1 - left[0],
        1 - left[1],
        *(1 - float(np.median(left[own])) for own in spline_columns(shape, settings)[:2]),
    ]
    return Bed(
        1.0 + float(slope_v[1] - slope_u[0]),
        float(slope_v[0] + slope_u[1]),
        v / shape.px_per_mm,
        along[:, 0] / shape.px_per_mm,
        along[:, 1] / shape.px_per_mm,
        np.clip(seen, 0, 1),
        warp,
    )


def _smooth(length: int, spacing: float, degree: int) -> Array:
    """(degree + 1, K) shares of Legendre's polynomials in a spline (least squares): its mean over its range, its slope
    as the rise from the middle to an end, and so on. Reference: NIST DLMF, 18.3."""
    along = np.linspace(-1, 1, 4 * _count(length, spacing))
    columns, weights = _spline((along + 1) / 2 * length, length, spacing)
    values = np.zeros((len(along), _count(length, spacing)))
    np.put_along_axis(values, columns, weights, axis=1)
    shapes = np.polynomial.legendre.legvander(along, degree).T
    shares: Array = shapes @ values / (shapes**2).sum(axis=1, keepdims=True)
    return shares


def _evaluate(shape: BedShape, xy: Array, solution: Array, settings: BedSettings) -> Array:
    columns, by_x, by_y = basis(shape, xy, settings)
    return np.column_stack([(each * solution[columns]).sum(axis=1) for each in (by_x, by_y)])


def _count(length: int, spacing: float) -> int:
    return max(1, int(np.ceil(length / spacing))) + 3


def _spline(at: Array, length: int, spacing: float) -> tuple[NDArray[np.intp], Array]:
    """Cubic B-splines on uniform knots covering 0 .. length: which four are not zero at (N,) places, (N, 4), and their
    values there, (N, 4). Reference: de Boor (1978), ch. X, (8).

    Written out: the library's own takes a tenth of a second to load.
    """
    spans, x = _count(length, spacing) - 3, np.clip(at, 0, length - 1e-6)
    knots = (np.arange(spans + 7) - 3) * (length / spans)
    low = np.clip(np.searchsorted(knots, x, side="right") - 1, 3, spans + 2)
    weights = np.zeros((len(x), 4))
    weights[:, 0] = 1
    for degree in range(1, 4):
        before = weights[:, :degree].copy()
        weights[:, 0] = 0
        for n in range(1, degree + 1):
            right, left = knots[low + n], knots[low + n - degree]
            share = before[:, n - 1] / (right - left)
            weights[:, n - 1] += share * (right - x)
            weights[:, n] = share * (x - left)
    return low[:, None] + np.arange(-3, 1), weights
