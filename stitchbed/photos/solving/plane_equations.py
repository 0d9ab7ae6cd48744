"""I say how far a plane as it is solved for is off what was seen and what is believed, and how that changes with it.

In: card corners seen in photos, points along straight sides, places that two photos share, beliefs. Out: residuals in
sigmas and their slopes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.photos.geometry.lens import distorted, undistorted
from stitchbed.photos.geometry.plane_pose import (
    LENS_TERMS,
    UNIT_MM,
    Frame,
    inverted,
    lenses_of,
    line_of,
    placed,
    poses_of,
    px_per_mm,
    stretch_of,
    through,
    views_of,
)
from stitchbed.photos.geometry.print_size import SIZE_SIGMA_MM, off_alike, off_size
from stitchbed.photos.sides.lines import SIDES, corners_of_all
from stitchbed.photos.solving.initial_guess import CardPoints, SidePoints, TiePoints, in_sigmas
from stitchbed.photos.solving.plane_slopes import card_slopes, side_slopes, tie_slopes

STEP = 1e-6  # of lines, rad and UNIT_MM: lengths between them bend so little that slopes are true to nine digits
NOTHING, ANYTHING = 1e-8, 1e3  # widths of a belief that holds a value at zero, and of one that says nothing


@dataclass(frozen=True)
class PlaneSettings:
    """Widths (standard deviations) of what is believed before looking.

    k1, k2 : lens terms at the half diagonal; .06 and .02 cover hand cameras (common practice, no source).
    center : offset of the optical center, share of the half diagonal (about 1 %; from memory).
    decentering : lens terms p1, p2 at the half diagonal (a few ten-thousandths, from memory of calibrated cameras).
    scale : relative error of the print's size; stretch : half the difference between its axes.
    bend : mm, how flat cards lie (sigma of the height; of pressed or taped ones, from memory, no source), unless their
    corners tell otherwise.
    size_sigma : mm, of width and height that the user gives. cut : mm, of one side's length as works are cut; from
    memory: knives and frames keep within a millimeter or two. shared_lens : one lens for all photos.
    flat : a scan, seen without perspective and without a lens.
    """

    k1: float = 0.06
    k2: float = 0.02
    center: float = 0.01
    decentering: float = 0.0006
    scale: float = 0.003
    stretch: float = 0.0005
    bend: float = 0.05
    size_sigma: float = SIZE_SIGMA_MM
    cut: float = 0.7
    shared_lens: bool = True
    flat: bool = False


@dataclass(frozen=True)
class Problem:
    """What a plane is solved from. size_mm : width and height of the rectangle that `sides` bound, where known.

    alike : opposite sides of the work are believed to be alike long, of any size.
    """

    frame: Frame
    cards: tuple[CardPoints, ...]
    sides: tuple[SidePoints, ...]
    ties: tuple[TiePoints, ...]
    settings: PlaneSettings
    size_mm: tuple[float, float] | None = None
    alike: bool = False


def residuals_at(problem: Problem, params: Array) -> Array:
    """Card corners, side points, ties, beliefs; each divided by its sigma."""
    seen = [*card_residuals(problem, params), *side_residuals(problem, params), *tie_residuals(problem, params)]
    parts = [*seen, priors(problem, params)]
    return np.nan_to_num(np.concatenate(parts), nan=1e6, posinf=1e6, neginf=-1e6)


def slopes_at(problem: Problem, params: Array) -> Array:
    """(rows, P) of `residuals_at`."""
    frame = problem.frame
    parts = [
        *(card_slopes(frame, params, points) for points in problem.cards),
        *(side_slopes(frame, params, side) for side in problem.sides),
        *(tie_slopes(frame, params, tie) for tie in problem.ties),
        _prior_slopes(problem, params),
    ]
    return np.nan_to_num(np.concatenate(parts), nan=0.0, posinf=0.0, neginf=0.0)


def card_residuals(problem: Problem, params: Array) -> list[Array]:
    """(2N,) of each card's corners, x and y in turn."""
    frame = problem.frame
    views, lenses = views_of(frame, params), lenses_of(frame, params)
    poses, stretch = poses_of(frame, params), stretch_of(frame, params)
    parts = []
    for points in problem.cards:
        plane = placed(poses[points.card], points.card_xy * stretch)
        seen = distorted(lenses[points.photo], through(views[points.photo], plane))
        parts.append(((seen - points.photo_xy) / points.sigma).ravel())
    return parts


def side_residuals(problem: Problem, params: Array) -> list[Array]:
    """(N,) of each side's points, across the line."""
    frame = problem.frame
    views, lenses = views_of(frame, params), lenses_of(frame, params)
    parts = []
    for side in problem.sides:
        view = views[side.photo]
        plane = through(inverted(view), undistorted(lenses[side.photo], side.photo_xy))
        a, b, c = line_of(frame, params, side.side) if side.line is None else side.line
        parts.append((plane @ np.array([a, b]) - c) * px_per_mm(view, plane.mean(0)) / side.sigma)
    return parts


def tie_residuals(problem: Problem, params: Array) -> list[Array]:
    """(2N,) of each pair of photos, x and y of places in turn."""
    frame = problem.frame
    views, lenses = views_of(frame, params), lenses_of(frame, params)
    parts = []
    for tie in problem.ties:
        plane = through(inverted(views[tie.a]), undistorted(lenses[tie.a], tie.xy_a))
        seen = distorted(lenses[tie.b], through(views[tie.b], plane))
        parts.append(in_sigmas(tie, seen).ravel())
    return parts


def priors(problem: Problem, params: Array) -> Array:
    """Of what is believed beforehand; the last of all residuals."""
    return np.concatenate([_beliefs(problem, params), _size_errors(problem, params)])


def _beliefs(problem: Problem, params: Array) -> Array:
    s, frame = problem.settings, problem.frame
    lens = params[frame.starts[0] : frame.starts[1]].reshape(-1, LENS_TERMS)
    views = params[: frame.starts[0]].reshape(-1, 8)[:, 6:]
    widths = np.full(LENS_TERMS, NOTHING) if s.flat else np.array([s.k1, s.k2, *[s.center] * 2, *[s.decentering] * 2])
    printed = params[frame.starts[3] :] / np.array([s.scale, s.stretch])
    perspective = views.ravel() / (NOTHING if s.flat else ANYTHING)
    return np.concatenate([(lens / widths).ravel(), printed, perspective])


def _size_errors(problem: Problem, params: Array) -> Array:
    """How far the work that the four sides bound is off its size, or off a rectangle of any, in sigmas; nothing where
    neither is believed.
    """
    if problem.size_mm is None and not problem.alike:
        return np.empty(0)
    own = params[problem.frame.starts[2] : problem.frame.starts[3]].reshape(-1, 2) * (1.0, UNIT_MM)
    round_work = own[[problem.frame.sides.index(name) for name in SIDES]]
    corners = corners_of_all(round_work)
    if problem.size_mm is None:
        return off_alike(corners, problem.settings.cut)
    return off_size(corners, problem.size_mm, problem.settings.size_sigma)


def _prior_slopes(problem: Problem, params: Array) -> Array:
    """(rows, P): what is believed is a share of each unknown by itself; a size is one of the lines round the work."""
    of_each = np.eye(len(params))
    beliefs = [_beliefs(problem, unit) for unit in of_each]
    size = [_size_errors(problem, params + STEP * u) - _size_errors(problem, params - STEP * u) for u in of_each]
    return np.concatenate([np.stack(beliefs, axis=1), np.stack(size, axis=1) / (2 * STEP)])
