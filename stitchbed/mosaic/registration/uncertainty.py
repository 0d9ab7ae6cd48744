"""I say how far the canvas may be from the truth, by all that is unknown: also what no overlap shows.

In: a solved alignment and its ties. Out: `Uncertainty`, px of the sheet.

Of a bed, what overlaps show tells how large to expect what they do not show: a bed that waves where it is seen waves
elsewhere too; how large its errors are is itself only known so far. The errors of all unknowns are drawn many times
from their covariance, and each draw is looked at as a picture would be: how far do its places lie from where they
belong, apart from a turn and a size of the whole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Mask
from stitchbed.core.memory import late
from stitchbed.mosaic.registration.bundle_adjustment import Alignment, System, covariance_of, drawn_errors, whitening
from stitchbed.mosaic.registration.placement import Placement, edge_distance, from_sheet, to_sheet
from stitchbed.mosaic.registration.scanner_bed import BedSettings, spline_columns
from stitchbed.mosaic.registration.tie_points import Ties, residuals_of
from stitchbed.mosaic.registration.unknowns import Frame, Motion, motion

if TYPE_CHECKING:
    from scipy import sparse
else:
    sparse = late("scipy.sparse")

spatial = late("scipy.spatial")
special = late("scipy.special")


@dataclass(frozen=True)
class UncertaintySettings:
    """draws: how many errors are drawn; the 95th percentile of 400 is known to a tenth. sizes: of the
    beds' errors, that they are drawn for.
    share: of the places and of the draws that lie below the figures told.
    correlated: neighboring ties err alike; each counts as this share of one.
    near_mm: ties nearer than this to each other show what is left of errors that no unknown stands for.
    across: places per side of a tile that are looked at.
    beforehand: what is known of beds beforehand is worth so many unknowns that overlaps show: units that differ as .04
    from .17 mm rms do (95 %) have sizes spread like those found from four.
    """

    draws: int = 400
    sizes: int = 8
    share: float = 0.95
    correlated: float = 0.3
    near_mm: float = 8.0
    across: int = 9
    beforehand: float = 4.0
    seed: int = 20


@dataclass(frozen=True)
class Uncertainty:
    """Bounds px that 95 % of the places keep with a probability of 95 %.

    error_px : of the whole. shown_px : the same if the beds' axes were known. local_px : one sd per axis of errors no
    unknown stands for. piece_px : (T,) the same as shown_px of each tile's worst place, 0 where it shows nothing.
    rival_px : how far from each of the alignment's rivals 95 % of the places lie at most; it is part of the bounds.
    """

    error_px: float
    shown_px: float
    local_px: float
    piece_px: tuple[float, ...]
    rival_px: tuple[float, ...] = ()


def uncertainty(
    alignment: Alignment,
    ties: Ties,
    frame: Frame,
    px_per_mm: float,
    *,
    settings: tuple[BedSettings, UncertaintySettings],
    folded: Mask,
) -> Uncertainty:
    """How far off `alignment` may be (see module); `ties` are those it tells residuals of.

    folded : (N,) ties at folds: what they have in common counts as local error, and as an error of all that lies
    beyond them: which of two scans shows the sheet's true shape there no overlap tells.
    """
    wishes = settings[1]
    places = alignment.placements
    factor, system = _variance_factor(places, ties, alignment.weight), alignment.system
    of_ties, of_known = system.of_ties * wishes.correlated / factor, system.of_known * wishes.correlated
    system = replace(system, of_ties=of_ties, of_known=of_known)
    local = _local_error(
        ties, alignment.residual, (alignment.weight > 0.25) | folded, near_px=wishes.near_mm * px_per_mm
    )
    shown = shown_places(places, wishes.across)
    moves = _as_matrices(motion(places, shown, system.columns, frame, settings[0]), system.columns.total)
    sheet = np.concatenate([to_sheet(places[i], xy[None]) for i, xy in zip(*shown, strict=True)])
    whole, known = _drawn(_as_shown(system, frame, settings), moves, local=local, settings=wishes)
    error, shown_error = (
        _bound(without_whole(errors, sheet, np.ones(len(sheet))), wishes.share) for errors in (whole, known)
    )
    fold = float(np.quantile(np.hypot(*alignment.residual[folded].T), wishes.share)) if folded.any() else 0.0
    rival_px = _rivals_apart(alignment, shown, sheet, wishes.share)
    besides = float(np.hypot(fold, max(rival_px, default=0.0)))
    error, shown_error = float(np.hypot(error, besides)), float(np.hypot(shown_error, besides))
    of_pieces = _of_pieces(known, sheet, shown[0], len(places), wishes.share)
    return Uncertainty(error, shown_error, local, of_pieces, rival_px)


def _rivals_apart(
    alignment: Alignment, shown: tuple[NDArray[np.intp], Array], sheet: Array, share: float
) -> tuple[float, ...]:
    """Px that `share` of the places lie nearer than to where each of the alignment's rivals puts them."""
    apart = []
    for rival in alignment.rivals:
        there = np.concatenate([to_sheet(rival[i], xy[None]) for i, xy in zip(*shown, strict=True)])
        left = without_whole((there - sheet).T.reshape(-1, 1), sheet, np.ones(len(sheet)))
        apart.append(float(np.quantile(left, share)))
    return tuple(apart)


def _as_matrices(moves: Motion, total: int) -> tuple[sparse.csr_matrix, sparse.csr_matrix]:
    """(N, total) each: the moves in x and in y."""
    count, each = moves.columns.shape
    ends = each * np.arange(count + 1)
    x, y = (
        sparse.csr_matrix((own.ravel(), moves.columns.ravel(), ends), shape=(count, total))
        for own in (moves.by_x, moves.by_y)
    )
    return x, y


def _as_shown(system: System, frame: Frame, settings: tuple[BedSettings, UncertaintySettings]) -> list[System]:
    """The system with the four bends of its beds as large as the overlaps leave possible, all sizes equally likely.

    The square of a bend's size over its prior's follows the scaled inverse chi-square of so many unknowns as the ties
    determine, and as what is known beforehand is worth. One scanner made all beds, as far as one can know.
    References: MacKay (1992), Bayesian Interpolation, Neural Computation 4(3) (unknowns determined); Gelman et al.
    (2013), Bayesian Data Analysis, ch. 3.
    """
    covariance, rng = covariance_of(system), np.random.default_rng(settings[1].seed)
    columns = {
        g: [slice(start + own.start, start + own.stop) for own in spline_columns(frame.shapes[g], settings[0])]
        for g, (start, _) in system.columns.beds.items()
    }
    priors = [system.of_priors.copy() for _ in range(settings[1].sizes)]
    share = (np.arange(settings[1].sizes) + 0.5) / settings[1].sizes
    for each in range(4):
        square = determined = settings[1].beforehand
        for own in (columns[g][each] for g in system.columns.solved):
            prior, solution = system.of_priors[own, own], system.solution[own]
            square += float(solution @ prior @ solution)
            # what is held may leave a bend less sure than its prior alone would; then the ties determine none of it
            determined += max(0.0, len(solution) - float(np.trace(prior @ covariance[own, own])))
        shares, before = rng.permutation(share), settings[1].beforehand
        # long waves hide where short ones would show: a bend is not thought smaller than before any was seen
        sizes = np.maximum(square / special.chdtri(determined, shares), before / special.chdtri(before, shares))
        for one, size in zip(priors, sizes, strict=True):
            for own in (columns[g][each] for g in columns):
                one[own, own] /= size
    return [replace(system, of_priors=one) for one in priors]


def _variance_factor(places: Sequence[Placement], ties: Ties, weight: Array) -> float:
    """Mean square of what is left, in sigmas, over the ties the robust loss kept; at least 1."""
    kept = weight > 0.25
    if not kept.any():
        return 1.0
    sigmas = np.einsum("nij,nj->ni", whitening(places, ties), residuals_of(places, ties))[kept]
    return max(1.0, float((sigmas**2).mean()))


def _local_error(ties: Ties, residual: Array, kept_ties: Mask, *, near_px: float) -> float:
    """One sd px per axis and tile of what near ties of an overlap have in common: noise of their own cancels out."""
    kept = np.flatnonzero(kept_ties)
    pair = (ties.a * (1 + ties.b.max(initial=0)) + ties.b)[kept]
    products = []
    for key in np.unique(pair):
        mine = kept[pair == key]
        near = spatial.cKDTree(ties.xy_a[mine]).query_pairs(near_px, output_type="ndarray")
        left = residual[mine]
        products.append((left[near[:, 0]] * left[near[:, 1]]).ravel())
    every = np.concatenate(products) if products else np.zeros(0)
    return float(np.sqrt(max(0.0, every.mean() / 2))) if len(every) else 0.0


def shown_places(places: Sequence[Placement], across: int = 9) -> tuple[NDArray[np.intp], Array]:
    """Index of the tile and (N, 2) px in it: places over all tiles where no other tile sees deeper."""
    index, points = [], []
    for i, place in enumerate(places):
        h, w = place.size
        xy = np.stack(np.meshgrid(np.linspace(0, w - 1, across), np.linspace(0, h - 1, across)), -1).reshape(-1, 2)
        sheet, best = to_sheet(place, xy), np.ones(len(xy), bool)
        for j, other in enumerate(places):
            if j != i:
                deeper = edge_distance(other.size, from_sheet(other, sheet)) - edge_distance(place.size, xy)
                best &= deeper < 0 if j < i else deeper <= 0
        index.append(np.full(int(best.sum()), i))
        points.append(xy[best])
    return np.concatenate(index), np.concatenate(points)


def _drawn(
    systems: Sequence[System],
    moves: tuple[sparse.csr_matrix, sparse.csr_matrix],
    *,
    local: float,
    settings: UncertaintySettings,
) -> tuple[Array, Array]:
    """(2 N, draws) px, x then y, by which drawn errors of the unknowns put the N places of `moves` off; and the same if
    the beds' axes were known."""
    rng, count = np.random.default_rng(settings.seed), settings.draws // len(systems)
    known, axes = (
        np.concatenate(part, 1) for part in zip(*(drawn_errors(one, count, rng) for one in systems), strict=True)
    )
    errors = np.concatenate([moves[0] @ known, moves[1] @ known])
    shown = errors + local * rng.standard_normal(errors.shape)
    return shown + np.concatenate([moves[0] @ axes, moves[1] @ axes]), shown


def _bound(length: Array, share: float) -> float:
    """Bound px that `share` of the places keep in `share` of the draws of `length` (N, draws)."""
    return float(np.quantile(np.quantile(length, share, axis=0), share))


def _of_pieces(errors: Array, sheet: Array, index: NDArray[np.intp], count: int, share: float) -> tuple[float, ...]:
    """Bound px of each piece's worst place, as seen from those pieces that are held well.

    index : (N,) piece of each place. A piece held by little would else pull the whole along, and all look loose.
    """
    weight = np.ones(len(sheet))
    for _ in range(2):
        left = without_whole(errors, sheet, weight)
        spread = [float((left[index == i] ** 2).mean()) if (index == i).any() else np.inf for i in range(count)]
        weight = (min(spread) / np.array(spread))[index] ** 2
    worst = [left[index == i].max(axis=0, initial=0) for i in range(count)]
    return tuple(float(px) for px in np.quantile(worst, share, axis=1))


def without_whole(errors: Array, sheet: Array, weight: Array) -> Array:
    """(N, draws) px that are left of `errors` (2 N, draws) without the whole's own move, turn and size, fitted to the
    places by `weight` (N,)."""
    whole, root = _whole_motion(sheet), np.sqrt(np.tile(weight, 2))[:, None]
    fitted = np.linalg.lstsq(root * whole, root * errors, rcond=None)[0]
    left = errors - whole @ fitted
    result: Array = np.hypot(left[: len(sheet)], left[len(sheet) :])
    return result


def _whole_motion(sheet: Array) -> Array:
    """(2 N, 4) columns of length 1: the moves of points when the whole is moved, turned and resized."""
    x, y = (sheet - sheet.mean(axis=0)).T
    one, none = np.ones(len(sheet)), np.zeros(len(sheet))
    columns = np.stack([np.r_[one, none], np.r_[none, one], np.r_[x, y], np.r_[-y, x]], axis=1)
    result: Array = columns / np.linalg.norm(columns, axis=0)
    return result
