"""I solve the plane: views, lens, card places, print size and straight sides together, by least squares.

In: card corners seen in photos, points along straight sides, places that two photos share, what is believed beforehand.
Out: a `PlaneFit`.

What the observations cannot tell stays at its prior, and the prior's width then shows in the covariance: a lens that
nothing observes makes the result uncertain, not wrong in silence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.optimize import least_squares

from stitchbed.core.arrays import Array
from stitchbed.core.errors import CardNotFound
from stitchbed.matching.robust import robust_sigma, soft_l1_weights
from stitchbed.photos.geometry.lens import folds, plain_lens, undistorted
from stitchbed.photos.geometry.plane_pose import (
    UNIT_MM,
    Frame,
    PlaneFit,
    inverted,
    lenses_of,
    placed,
    poses_of,
    stretch_of,
    through,
    views_of,
)
from stitchbed.photos.solving.heights import lifts_of
from stitchbed.photos.solving.initial_guess import CardPoints, SidePoints, TiePoints, chosen, first_guess
from stitchbed.photos.solving.loose_paper import Paper, paper_of, weighted
from stitchbed.photos.solving.plane_equations import (
    NOTHING,
    PlaneSettings,
    Problem,
    card_residuals,
    priors,
    residuals_at,
    side_residuals,
    slopes_at,
    tie_residuals,
)

ROBUST_SIGMAS = 3.0  # residuals beyond are pulled down (soft L1); common practice, no source
ROBUST_ROUNDS = 2
OUTLIER_SIGMAS = 4.5  # robust sigmas beyond which a point is left out of the last round; common practice, no source
MOST_DROPPED = 0.3  # share of card corners that may be left out before the solution counts as none
BEGUN_LOOKS, MOST_LOOKS = 3, 600  # for each unknown; a first solution without a lens lies in a long valley
NO_PLANE = "flat cards in the plane of the artwork, none moved or bent, printed from one file"  # is expected
WORST_SIGMAS = 12.0  # rms over the corners' sigma (.05 px); curled paper leaves some tenths; beyond this is no plane


def solve_plane(
    sizes: Sequence[tuple[int, int]],
    cards: Sequence[CardPoints],
    sides: Sequence[SidePoints] = (),
    *,
    settings: PlaneSettings,
    start: PlaneFit | None = None,
    ties: Sequence[TiePoints] = (),
    size_mm: tuple[float, float] | None = None,
    alike: bool = False,
) -> PlaneFit:
    """Solve everything together; the first card named fixes the plane's frame.

    sizes : (width, height) px of each photo. start : a solution of the same cards without sides to begin from.
    ties : places that two photos share; they also place photos that show no card. size_mm : width and height of the
    rectangle whose four sides are among `sides`, as far as a size that the user gives is sure. alike : of a
    size that is not known, but of sides alike long as works are cut.

    Raises
    ------
    CardNotFound : a photo shares nothing with the others, or no plane explains the points.
    Reference: Triggs, McLauchlan, Hartley & Fitzgibbon (2000), "Bundle adjustment - a modern synthesis", sec. 4 and 9.
    """
    names = tuple(dict.fromkeys(points.card for points in cards))
    free = tuple(dict.fromkeys(side.side for side in sides if side.line is None))
    frame = Frame(tuple(plain_lens(*size) for size in sizes), names, free, settings.shared_lens)
    problem = Problem(frame, tuple(cards), tuple(sides), tuple(ties), settings, size_mm, alike)
    bare = replace(problem, frame=replace(frame, sides=()), sides=(), size_mm=None, alike=False)
    rough = start.params if start is not None else _begun(bare)
    robust = _robust_solution(problem, _with_lines(problem, rough))
    kept, dropped = _without_outliers(problem, robust)
    alone = _minimize(kept, robust)
    _check_flat(kept, alone)
    paper = _paper(kept, alone)
    params = alone if paper is None else _minimize(kept, alone, paper)
    return _finished(kept, params, paper, _rms_px(kept, alone), dropped)


def _begun(bare: Problem) -> Array:
    """A first solution from cards alone: with a plain lens, then with a centered one, then freely.

    All at once the lens may run off to the side and mimic a tilt (1 of 150 synthetic photos did).
    """
    params = first_guess(bare.frame, bare.cards, bare.ties)
    for k_width, center_width in ((NOTHING, NOTHING), (1.0, NOTHING), (1.0, 1.0)):
        s = bare.settings
        stage = replace(
            s,
            k1=s.k1 * k_width,
            k2=s.k2 * k_width,
            center=s.center * center_width,
            decentering=s.decentering * center_width,
        )
        params = _minimize(replace(bare, settings=stage), params, most=BEGUN_LOOKS)
    return params


def _minimize(problem: Problem, guess: Array, weights: Array | Paper | None = None, *, most: int = MOST_LOOKS) -> Array:
    """Least squares of residuals times weights, or as paper tells how they go together, by MINPACK's
    Levenberg-Marquardt, or as far as `most` looks for each unknown lead.
    """
    found = least_squares(
        lambda params: weighted(weights, residuals_at(problem, params)),
        guess,
        lambda params: weighted(weights, slopes_at(problem, params)),
        method="lm",
        x_scale="jac",
        max_nfev=most * len(guess),
    )
    return np.asarray(found.x, dtype=np.float64)


def _robust_solution(problem: Problem, guess: Array) -> Array:
    """The same with residuals beyond ROBUST_SIGMAS pulled down (soft L1 by reweighting); beliefs keep their weight."""
    params = guess
    for _ in range(ROBUST_ROUNDS):
        residuals = residuals_at(problem, params)
        weights = np.sqrt(soft_l1_weights(residuals, ROBUST_SIGMAS))
        weights[len(residuals) - len(priors(problem, params)) :] = 1
        params = _minimize(problem, params, weights)
    return params


def _with_lines(problem: Problem, bare: Array) -> Array:
    """The bare solution's unknowns with free lines fitted through the side points it puts on the plane."""
    frame = problem.frame
    bare_frame = replace(frame, sides=())
    views, lenses = views_of(bare_frame, bare), lenses_of(bare_frame, bare)
    lines = []
    for name in frame.sides:
        side = next(s for s in problem.sides if s.side == name)
        plane = through(inverted(views[side.photo]), undistorted(lenses[side.photo], side.photo_xy))
        normal = np.linalg.svd(plane - plane.mean(0), full_matrices=False)[2][1]
        lines += [float(np.arctan2(normal[1], normal[0])), float(normal @ plane.mean(0)) / UNIT_MM]
    at = frame.starts[2]
    return np.concatenate([bare[:at], lines, bare[at:]])


def _without_outliers(problem: Problem, params: Array) -> tuple[Problem, int]:
    """The problem without the points the robust solution does not explain, and how many went."""
    cards, sides, dropped, total = [], [], 0, 0
    errors = [np.hypot(*part.reshape(-1, 2).T) for part in card_residuals(problem, params)]
    limit = OUTLIER_SIGMAS * _robust_sigma(np.concatenate(errors))
    for points, error in zip(problem.cards, errors, strict=True):
        good = error <= limit
        dropped, total = dropped + int((~good).sum()), total + len(good)
        if good.sum() >= min(4, len(good)):  # corners of a work in parts are seen one or two to a photo
            cards.append(replace(points, card_xy=points.card_xy[good], photo_xy=points.photo_xy[good]))
    if dropped > MOST_DROPPED * total or {p.card for p in cards} != set(problem.frame.cards):
        raise _no_plane(f"{dropped} of {total} card corners do not fit one flat plane")
    for side, part in zip(problem.sides, side_residuals(problem, params), strict=True):
        good = np.abs(part) <= OUTLIER_SIGMAS * _robust_sigma(np.abs(part))
        sides.append(replace(side, photo_xy=side.photo_xy[good]))
        dropped += int((~good).sum())
    ties = _agreeing_ties(problem, params)
    return replace(problem, cards=tuple(cards), sides=tuple(sides), ties=ties), dropped


def _agreeing_ties(problem: Problem, params: Array) -> tuple[TiePoints, ...]:
    """Ties without those the solution does not explain: other things look alike, relief shifts with the camera."""
    kept = []
    for tie, part in zip(problem.ties, tie_residuals(problem, params), strict=True):
        away = np.hypot(*part.reshape(-1, 2).T)
        kept.append(chosen(tie, away <= OUTLIER_SIGMAS * _robust_sigma(away)))
    return tuple(kept)


def _robust_sigma(errors: Array) -> float:
    """Robust sigma of absolute errors, never below the stated one."""
    return max(1.0, robust_sigma(errors))


def _check_flat(problem: Problem, params: Array) -> None:
    """Raise where no plane explains the corners. params : as if they erred independently."""
    rms = _rms_px(problem, params)
    limit = WORST_SIGMAS * float(np.median([points.sigma for points in problem.cards]))
    if rms > limit or any(folds(lens) for lens in lenses_of(problem.frame, params)):
        raise _no_plane(f"the card corners disagree with one flat plane by {rms:.1f} px (rms)")


def _rms_px(problem: Problem, params: Array) -> float:
    """How far corners lie from where the solution sees them, per axis."""
    sigma = np.concatenate([np.repeat(points.sigma, points.photo_xy.size) for points in problem.cards])
    return float(np.sqrt(np.mean((np.concatenate(card_residuals(problem, params)) * sigma) ** 2)))


def _finished(problem: Problem, params: Array, paper: Paper | None, rms_px: float, dropped: int) -> PlaneFit:
    frame = problem.frame
    covariance = _covariance(problem, params, paper)
    poses, stretch = poses_of(frame, params), stretch_of(frame, params)
    views, lenses = views_of(frame, params), lenses_of(frame, params)
    return PlaneFit(views, lenses, poses, stretch, params, covariance, frame, rms_px, dropped)


def _covariance(problem: Problem, params: Array, paper: Paper | None) -> Array:
    """(P, P): inverse normal matrix, widened where the residuals are larger than the stated sigmas, never narrowed.

    That all cards lie above the work, which no residual tells, comes on top.
    """
    slopes = weighted(paper, slopes_at(problem, params))
    residuals = weighted(paper, residuals_at(problem, params))
    data = residuals[: len(residuals) - len(priors(problem, params))]
    freedom = max(1, len(residuals) - len(params))
    chi = max(1.0, float(np.sum(data**2)) / freedom)
    scale = np.linalg.norm(slopes, axis=0) + 1e-300
    slopes = slopes / scale
    inverse = np.linalg.pinv(slopes.T @ slopes, rcond=1e-13)
    covariance = chi * inverse
    if paper is not None:
        common = weighted(paper, np.append(paper.common, np.zeros(len(slopes) - len(paper.common))))
        way = inverse @ (slopes.T @ common)
        covariance = covariance + np.outer(way, way)
    return np.asarray(covariance / np.outer(scale, scale), dtype=np.float64)


def _paper(problem: Problem, params: Array) -> Paper | None:
    """How corners err together."""
    return paper_of(problem.cards, _lifts(problem, params), residuals_at(problem, params), slopes_at(problem, params))


def _lifts(problem: Problem, params: Array) -> list[Array]:
    """(N, 2) of each card: how far, in sigmas, its corners are seen elsewhere where its paper lifts as it may; a scan
    is seen from above, and pressed flat.
    """
    frame, bend = problem.frame, 0.0 if problem.settings.flat else problem.settings.bend
    views, lenses = views_of(frame, params), lenses_of(frame, params)
    poses, stretch = poses_of(frame, params), stretch_of(frame, params)
    return [
        lifts_of(views[card.photo], lenses[card.photo], placed(poses[card.card], card.card_xy * stretch))
        * bend
        / card.sigma
        for card in problem.cards
    ]


def _no_plane(found: str) -> CardNotFound:
    return CardNotFound(
        found,
        expected=NO_PLANE,
        attempt="press the cards flat (a board underneath helps), check that all come from one print, photograph again",
    )
