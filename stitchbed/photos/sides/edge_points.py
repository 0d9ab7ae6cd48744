"""I measure the artwork's sides in the photo itself, to a fraction of a pixel, along lines that are roughly known.

In: lines on a flat plane, a way from there to the photo, a way to read the photo. Out: points along each side.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.matching.robust import robust_sigma
from stitchbed.photos.sides.edge_shape import FAR_PX, STEPS_PX, EdgeShape, edge_shape

STATIONS = 90  # places along a side where it is looked for
INSET = 0.03  # share of the side left out at both ends, where the corner is
FEWEST_STEPS, MOST_STEPS = 16, 4000  # looks across a side; fewer hold no edge, more mean a plane seen from its rim
LEAST_STEP = 0.015  # of full scale: a weaker change of light is no edge
TIGHT = 1 / 6  # a side's places scatter by less than this part of the reach; strokes scatter over all of it
AGREE_PX = 0.7  # points this near a curve agree with it
BOWS_PX = (0, -1, 1, -2, 2, -4, 4, -8, 8)  # how far a lens may bend a side
BENT = 0.04  # share of points by which a curve must do better for each px it is bent
MOST_CURVES = 400  # tried of each
LEAST_FOUND = 0.25  # share of stations that must show it
LINE_SHARE = 0.5  # of the places, at which each flank of a dark line beside the work must lie on one line
FAINTER = 4.0  # times as faint the flank on the work's side may be and count as one
TOGETHER = 1.5  # stations over which looks are averaged (sigma) where such a line is sought, and half a step counts
SHADE = 0.35  # of the stored light a shadow may take; a line drawn along the edge takes more
ROUND = 6  # looks at both sides of an edge among which its middle is sought
SIDE_FREEDOM = 8  # independent places along a side: deviations of real sides are long waves
WITHIN_PX = 3.0  # of an edge, where the tone before it is looked at


@dataclass(frozen=True)
class Side:
    """One side found. photo_xy : (N, 2) px. step : median change of light across it, share of full scale.

    share : of the places that nothing hides, those that lie on one line, within a TIGHT part of the reach.
    other_xy : (M, 2) px of the other flank of a dark line that runs along it; either may be the work's edge.
    shape : how light changes across it; None where nobody looked. shaded_px : sigma of where it ends in the shadow at
    its foot, px, out or in as a whole.
    """

    name: str
    photo_xy: Array
    step: float
    share: float
    other_xy: Array | None = None
    shape: EdgeShape | None = None
    shaded_px: float = 0.0


@dataclass(frozen=True)
class _Edge:
    """at : (N,) offsets at the stations `keep` (STATIONS,), of the frame. curve : through them, of the share along.

    step : median change of light. tight : as `Side.share`.
    """

    at: Array
    keep: NDArray[np.bool_]
    curve: np.polynomial.Polynomial
    step: float
    tight: float


@dataclass(frozen=True)
class _Looks:
    """What is seen across a side. lines : (STATIONS, n, channels), 0..1, at `offsets` (n,) of the frame. light : the
    same in light. px : of the photo in a unit of the frame. free : stations where nothing else lies. share :
    (STATIONS,) along the side."""

    lines: Array
    light: Array
    offsets: Array
    px: float
    free: NDArray[np.bool_]
    share: Array


def measure_side(
    name: str,
    ends: Array,
    to_photo: Callable[[Array], Array],
    read: Callable[[Array], Array],
    *,
    reach: float,
    hidden: Callable[[Array], NDArray[np.bool_]] | None = None,
    light_of: Callable[[Array], Array] = lambda stored: stored,
) -> Side | None:
    """Points of the edge near the segment between `ends` (2, 2), looked for up to `reach` at both sides of it.

    to_photo : (N, 2) of the segment's frame -> (N, 2) photo px.
    read : (rows, n, 2) photo px -> (rows, n, channels), 0..1. light_of : (..., channels) of these -> in light.
    hidden : True for points (N, 2) of the segment's frame where something else lies; places near such are passed over.
    Returns None when too little of it is seen.
    """
    along = ends[1] - ends[0]
    normal = np.array([-along[1], along[0]]) / np.linalg.norm(along)
    share = np.linspace(INSET, 1 - INSET, STATIONS)[:, None]
    middles = ends[0] + share * along
    span = to_photo(np.concatenate([middles - reach * normal, middles + reach * normal]))
    px = float(np.median(np.linalg.norm(span[STATIONS:] - span[:STATIONS], axis=1))) / (2 * reach)
    offsets = np.arange(-reach, reach, 1 / STEPS_PX / max(px, 1e-9))
    if not FEWEST_STEPS <= len(offsets) <= MOST_STEPS:
        return None
    frame = middles[:, None] + offsets[:, None] * normal
    photo = to_photo(frame.reshape(-1, 2)).reshape(frame.shape)
    free: NDArray[np.bool_] = np.ones(STATIONS, dtype=np.bool_)
    if hidden is not None:
        free = np.asarray(~hidden(frame.reshape(-1, 2)).reshape(frame.shape[:2]).any(axis=1), dtype=np.bool_)
    lines = read(photo).reshape(*frame.shape[:2], -1)
    looks = _Looks(lines, light_of(lines), offsets, px, free, share[:, 0])
    outward = 1 if name in ("bottom", "left") else -1
    edge, other = _work_edge(looks, outward)
    if edge is None:
        return None
    places = [to_photo(middles[one.keep] + one.at[:, None] * normal) for one in (edge, other) if one is not None]
    shape = edge_shape(_along_edge(looks, edge)[:, ::outward], light_of)
    return Side(name, places[0], edge.step, edge.tight, places[1] if other is not None else None, shape)


def _along_edge(looks: _Looks, edge: _Edge) -> Array:
    """(places, n, channels) stored values across an edge, which is in the middle; the last are repeated beyond."""
    index = np.arange(len(looks.offsets))
    beside = np.arange(-2 * FAR_PX * STEPS_PX, 2 * FAR_PX * STEPS_PX + 1)
    at = np.interp(edge.curve(looks.share[edge.keep]), looks.offsets, index)[:, None] + beside
    found = np.stack(
        [[np.interp(x, index, values) for values in line.T] for x, line in zip(at, looks.lines[edge.keep], strict=True)]
    )
    return np.asarray(np.moveaxis(found, 1, 2), dtype=np.float64)


def _work_edge(looks: _Looks, outward: int) -> tuple[_Edge | None, _Edge | None]:
    """The edge of the work, and another one that may be it, where a dark line lies between the work and what is beyond.

    Such a line is the shadow under the work's rim, and the work ends where it begins. Beside a table that is lighter
    than the work the far end of its shadow is the steeper one of the two, and either may be the work's; a line as dark
    as drawn ones are is left as it was found. outward : 1 where offsets grow away from the work, else -1.
    """
    edge, into, out_of = (_edge_along(looks, way) for way in (0, -outward, outward))
    if edge is None or into is None or out_of is None or min(into.tight, out_of.tight) < LINE_SHARE:
        return edge, None
    wide = outward * (out_of.curve(looks.share) - into.curve(looks.share))
    if wide.min() <= 0 or out_of.step > FAINTER * into.step:  # lines that cross are flanks of no line
        return edge, None
    at_far_end = abs(_apart(looks, edge, out_of)) < abs(_apart(looks, edge, into))
    lighter, shadow = out_of.step >= into.step, into.step <= SHADE * _tone_within(looks, into, outward)
    if not lighter:
        return into if shadow and at_far_end else edge, None
    if shadow:
        return into, out_of
    return edge, into if at_far_end else out_of


def _apart(looks: _Looks, one: _Edge, other: _Edge) -> float:
    """How far the second edge lies beyond the first, of the frame."""
    return float(np.median(other.curve(looks.share) - one.curve(looks.share)))


def _tone_within(looks: _Looks, edge: _Edge, outward: int) -> float:
    """Median light just within an edge, in the channel that has most."""
    at = np.interp(edge.at - outward * WITHIN_PX / looks.px, looks.offsets, np.arange(len(looks.offsets)))
    return float(np.median(looks.lines[edge.keep, np.rint(at).astype(int)], axis=0).max())


def _edge_along(looks: _Looks, way: int) -> _Edge | None:
    """The edge that most stations show on one smooth curve; None where too few do. way : as of `_crossings`."""
    found, steps = _crossings(looks.lines, looks.light, way)
    found[~looks.free] = np.nan
    good = np.isfinite(found)
    if good.mean() < LEAST_FOUND:
        return None
    at, share, unit = (
        np.interp(found[good], np.arange(len(looks.offsets)), looks.offsets),
        looks.share[good],
        1 / looks.px,
    )
    keep, away = _along_one_line(share, at, unit)
    if keep.sum() < LEAST_FOUND * STATIONS:
        return None
    reach = -float(looks.offsets[0])
    near = np.count_nonzero(away <= np.maximum(unit, reach * TIGHT))
    tight = near / max(1, int(np.count_nonzero(looks.free)))
    whole = np.zeros(STATIONS, dtype=np.bool_)
    whole[np.flatnonzero(good)[keep]] = True
    curve = np.polynomial.Polynomial.fit(share[keep], at[keep], 2)
    return _Edge(at[keep], whole, curve, float(np.median(steps[whole])), tight)


def _crossings(lines: Array, light: Array, way: int) -> tuple[Array, Array]:
    """Position (index, NaN where none) of the strongest edge in each line (rows, n, channels), and its step.

    The edge is sought among stored values, which show dark ones as eyes do; it lies where light has its middle, since
    blur mixes light. way : 1 for edges beyond which it gets lighter, -1 for darker ones, both of stations together; 0
    for any.
    """
    slope, in_light = (_slopes(values, way) for values in (lines, light))
    least = LEAST_STEP / 2 if way else LEAST_STEP
    channel = slope.max(axis=1).argmax(axis=1)
    rows = np.arange(len(lines))
    steep, lit = slope[rows, :, channel], in_light[rows, :, channel]
    # the edge looked for is the one nearest the middle among those nearly as steep as the steepest
    ahead = np.linspace(-1, 1, steep.shape[1]) ** 2
    peak = (steep * (1 - 0.5 * ahead)).argmax(axis=1)
    positions, steps = np.full(len(lines), np.nan), np.zeros(len(lines))
    for row, at in enumerate(peak):
        steps[row] = float(_risen(steep[row], at)[1].sum())
        if 3 < at < steep.shape[1] - 4 and steps[row] > least:
            positions[row] = _middle(lit[row], _middle(lit[row], float(at)))
    return positions, steps


def _slopes(values: Array, way: int) -> Array:
    """How steeply values (rows, n, channels) change from place to place, the way asked for; below that 0."""
    smooth = cv2.GaussianBlur(values, (0, 0), sigmaX=2.0, sigmaY=TOGETHER if way else 1e-6)
    slope = np.gradient(smooth.reshape(values.shape).astype(np.float64), axis=1)
    return np.asarray(np.maximum(way * slope, 0) if way else np.abs(slope), dtype=np.float64)


def _risen(steep: Array, at: int) -> tuple[NDArray[np.int_], Array]:
    """Places round one of a line, and how much steeper than at the ends of these it is at each."""
    places = np.arange(max(0, at - ROUND), min(len(steep), at + ROUND + 1))
    part = steep[places] - min(steep[places[0]], steep[places[-1]])
    return places, np.maximum(part, 0)


def _middle(steep: Array, at: float) -> float:
    """Where what changes round a place has its middle."""
    places, part = _risen(steep, round(at))
    return float((places * part).sum() / part.sum()) if part.any() else at


def _along_one_line(share: Array, at: Array, px: float) -> tuple[NDArray[np.bool_], Array]:
    """Points near one smooth curve and all points' distances from it.

    The curve is a parabola, since the lens may bend a side; it begins where most points agree, since a shadow or a
    stroke beside the side may draw many of them away, and is fitted again and again without the farthest.
    """
    away = _most_agreed(share, at, px)
    keep = away <= 2 * AGREE_PX * px
    if keep.sum() < 10:
        return keep, away
    for _ in range(8):
        fit = np.polynomial.Polynomial.fit(share[keep], at[keep], 2)
        away = np.abs(at - fit(share))
        limit = float(np.clip(3.0 * robust_sigma(away[keep]), 1.0 * px, 3 * AGREE_PX * px))
        again = away <= limit
        if again.sum() < 10 or np.array_equal(again, keep):
            break
        keep = again
    return keep, away


def _most_agreed(share: Array, at: Array, px: float) -> Array:
    """Distances from the curve through two of the points, bent by some px, that most points lie near."""
    first, last = np.triu_indices(len(at), max(2, len(at) // 4))
    some = slice(None, None, max(1, len(first) // MOST_CURVES))
    a, b = first[some], last[some]
    best: tuple[float, Array] = (-1.0, np.zeros(len(at)))
    for bow in BOWS_PX:
        bent = at - bow * px * (1 - (2 * share - 1) ** 2)
        lean = (bent[b] - bent[a]) / (share[b] - share[a])
        away = np.abs(bent - (bent[a] - lean * share[a])[:, None] - lean[:, None] * share)
        count = np.count_nonzero(away <= AGREE_PX * px, axis=1)
        top = int(count.argmax())
        score = count[top] / len(at) - BENT * abs(bow)  # a straight one first: shadows draw sides into curves
        if score > best[0]:
            best = (score, away[top])
    return best[1]
