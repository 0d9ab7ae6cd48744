"""I move all tiles at once until links disagree least.

In: first placements and ties. Out: placements, the beds they share, and what is left at every tie.

Robust least squares over all ties for the unknowns listed in `unknowns` (Triggs et al., 2000; Cauchy weights, Holland
& Welsch, 1977), Gauss-Newton, one tile held still. What no overlap can see stays at its prior.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.core.memory import late
from stitchbed.imaging.compiled import compiled
from stitchbed.matching.robust import cauchy_weights
from stitchbed.mosaic.registration import scanner_bed as beds
from stitchbed.mosaic.registration.placement import Placement, Warp
from stitchbed.mosaic.registration.scanner_bed import Bed, BedSettings, BedShape
from stitchbed.mosaic.registration.tie_points import Ties, residuals_of
from stitchbed.mosaic.registration.unknowns import (
    PER_TILE,
    AlignmentSettings,
    Columns,
    Frame,
    bed_information,
    columns_of,
    motion,
    piece_equations,
    stepped,
)

linalg = late("scipy.linalg")


@dataclass(frozen=True)
class System:
    """The normal equations at the solution: columns, (total, total) information of the ties, of what was known
    beforehand of places, and of the priors; and (total,) by how much each unknown was moved from zero."""

    columns: Columns
    of_ties: Array
    of_known: Array
    of_priors: Array
    solution: Array


@dataclass(frozen=True)
class Alignment:
    """placements in the order given; beds by group; residual (N, 2) sheet px per tie; weight (N,) 0..1 robust weight.

    rms, worst : px, `misses` of the ties the robust loss kept (weight > .25). system : for what is uncertain.
    rivals : other placements that the ties fit as well. uneven : the ties do not fit without what these differ by, a
    stretch of paper or a bow of the bed.
    """

    placements: tuple[Placement, ...]
    beds: Mapping[int, Bed]
    residual: Array
    weight: Array
    rms: float
    worst: float
    system: System
    rivals: tuple[tuple[Placement, ...], ...] = ()
    uneven: bool = False


def adjust_bundle(
    places: Sequence[Placement],
    ties: Ties,
    frame: Frame,
    settings: AlignmentSettings,
    bed_settings: BedSettings,
    *,
    known: int = 0,
) -> Alignment:
    """Solve for all tiles at once (warps of `places` are replaced). known : of the ties so many, the last ones, were
    not measured but known beforehand: how far measured ones miss tells nothing of them."""
    both = (settings, bed_settings)
    columns = columns_of(places, _beds_to_solve(ties, frame, settings), frame, both)
    free = np.setdiff1d(np.arange(columns.total), columns.held)
    unknown, reach = np.zeros(columns.total), _reach(columns, frame)
    current, of_beds = [replace(place, warp=None) for place in places], bed_information(columns, frame, bed_settings)
    for _ in range(settings.rounds):
        normal, right = normal_equations(_tie_rows(current, ties, columns, frame, both), columns.total)
        of_pieces, expected = piece_equations(current, columns, frame, settings)
        normal, right = normal + of_pieces + of_beds, right + expected - of_beds @ unknown
        factor = linalg.cho_factor(normal[np.ix_(free, free)], lower=True)
        step = np.zeros(columns.total)
        step[free] = linalg.cho_solve(factor, right[free])
        unknown = unknown + step
        current = _with_beds(stepped(current, step), unknown, columns, frame, both)
        if np.abs(step * reach).max(initial=0) < settings.settled_px:
            break
    rows, measured = _tie_rows(current, ties, columns, frame, both), len(ties.a) - known
    of_ties = normal_equations(rows.part(slice(None, measured)), columns.total)[0]
    of_known = normal_equations(rows.part(slice(measured, None)), columns.total)[0]
    of_priors = piece_equations(current, columns, frame, settings)[0] + of_beds
    system = System(columns, of_ties, of_known, of_priors, unknown)
    return _finished(current, ties, unknown, system, frame, both)


def _reach(columns: Columns, frame: Frame) -> Array:
    """(total,) px that one of each unknown moves at most: those of a bed's axes are shares of its length."""
    px = np.ones(columns.total)
    for g, (start, _) in columns.beds.items():
        px[start : start + 2] = max(frame.shapes[g].size) / 2
    return px


def covariance_of(system: System) -> Array:
    """(total, total) covariance of the unknowns; those held are as uncertain as their prior and pull the others along.

    Reference: consider covariance, Bierman (1977), Factorization Methods for Discrete Sequential Estimation, ch. 8.
    """
    held = system.columns.held
    normal, free, root = _solved_for(system)
    result = np.zeros_like(normal)
    result[np.ix_(free, free)] = linalg.cho_solve((root, True), np.eye(len(free)))
    if len(held):
        pull = _pull(normal, held, free, root)
        expected = linalg.cho_factor(system.of_priors[np.ix_(held, held)], lower=True)
        result += pull @ linalg.cho_solve(expected, pull.T)
    return result


def determined(system: System, share: float) -> float:
    """How many unknowns the ties determine, each of which counts as `share` of one.

    Reference: MacKay (1992), Bayesian Interpolation, Neural Computation 4.
    """
    free = np.setdiff1d(np.arange(system.columns.total), system.columns.held)
    of_ties, others = (part[np.ix_(free, free)] for part in (system.of_ties, system.of_known + system.of_priors))
    shown = share * of_ties
    return float(np.trace(np.linalg.solve(shown + others, shown)))


def ruled_out(system: System, share: float) -> float:
    """Log of by how much the ties, each as `share` of one, narrow down what beds may be; of pieces, for which there
    is no prior, but for what is the same in all systems of the same pieces. Reference: as of `determined`."""
    free = np.setdiff1d(np.arange(system.columns.total), system.columns.held)
    bends = free[free >= PER_TILE * system.columns.tiles]
    known = (share * system.of_ties + system.of_known + system.of_priors)[np.ix_(free, free)]
    after, before = (np.linalg.slogdet(part)[1] for part in (known, system.of_priors[np.ix_(bends, bends)]))
    return float(after - before) / 2


def drawn_errors(system: System, count: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """(total, count) errors of the unknowns with `covariance_of`, in two parts: without, and by, the axes held."""
    normal, free, root = _solved_for(system)
    others = np.setdiff1d(system.columns.held, system.columns.axes)
    known = np.zeros((system.columns.total, count))
    known[free] = linalg.solve_triangular(root, rng.standard_normal((len(free), count)), trans="T", lower=True)
    parts = []
    for columns in (others, system.columns.axes):
        wrong = rng.standard_normal((len(columns), count))
        if len(columns):
            expected = linalg.cholesky(system.of_priors[np.ix_(columns, columns)], lower=True)
            wrong = linalg.solve_triangular(expected, wrong, trans="T", lower=True)
        parts.append(_pull(normal, columns, free, root) @ wrong)
    return known + parts[0], parts[1]


def _solved_for(system: System) -> tuple[Array, NDArray[np.intp], Array]:
    """All that is known, (total, total); the columns that are free, and the lower Cholesky factor of what is known of
    them."""
    normal = system.of_ties + system.of_known + system.of_priors
    free = np.setdiff1d(np.arange(system.columns.total), system.columns.held)
    return normal, free, linalg.cholesky(normal[np.ix_(free, free)], lower=True)


def _pull(normal: Array, held: NDArray[np.intp], free: NDArray[np.intp], root: Array) -> Array:
    """(total, held) errors of all unknowns per error of those that are held."""
    pull = np.zeros((len(normal), len(held)))
    pull[free] = linalg.cho_solve((root, True), normal[np.ix_(free, held)])
    pull[held] = -np.eye(len(held))
    return pull


def expected_residual(places: Sequence[Placement], ties: Ties, cauchy: float) -> tuple[Array, Array]:
    """(N, 2) residual in sheet px and (N,) robust weight of ties under given placements."""
    residual, sigmas = _residual(places, ties)
    return residual, _robust_weights(sigmas, cauchy)


def misses(places: Sequence[Placement], ties: Ties) -> Array:
    """(N,) px of tile a by which ties miss across what is drawn: a straight edge tells nothing of how far along it.

    The residual in sigmas, times the sigma of the direction that is best known; never more than its plain length.
    """
    sigmas = _residual(places, ties)[1]
    result: Array = np.hypot(*sigmas.T) / np.sqrt(np.linalg.eigvalsh(ties.info)[:, -1])
    return result


def whitening(places: Sequence[Placement], ties: Ties) -> Array:
    """(N, 2, 2) factors that turn sheet residuals into sigmas: transposed Cholesky factor, turned into the sheet
    frame."""
    linear = np.array([np.linalg.inv(place.sheet_from_tile[:2, :2]) for place in places])[ties.a]
    result: Array = np.linalg.cholesky(ties.info).swapaxes(1, 2) @ linear
    return result


def _residual(places: Sequence[Placement], ties: Ties) -> tuple[Array, Array]:
    residual = residuals_of(places, ties)
    return residual, np.einsum("nij,nj->ni", whitening(places, ties), residual)


def _as_seen(places: Sequence[Placement], ties: Ties, residual: Array) -> Ties:
    """The ties, tile a's end moved to where a would see what b shows: derivatives are taken there.

    Misfits are counted in a's pixels. With derivatives at a's own point, shrinking all tiles (or the bed's axis, where
    no overlap sees it) would seem to lessen the noise, and thousands of ties would outvote the prior.
    """
    linear = np.array([np.linalg.inv(place.sheet_from_tile[:2, :2]) for place in places])[ties.a]
    return replace(ties, xy_a=ties.xy_a + np.einsum("nij,nj->ni", linear, residual))


def _robust_weights(sigmas: Array, cauchy: float) -> Array:
    return cauchy_weights((sigmas**2).sum(1), cauchy)


def _beds_to_solve(ties: Ties, frame: Frame, settings: AlignmentSettings) -> list[int]:
    """Beds of several tiles that share ties enough; those of a single one only add to what is uncertain."""
    if not settings.solve_bed:
        return []
    mine = {g: int((frame.group[ties.a] == g).sum() + (frame.group[ties.b] == g).sum()) // 2 for g in frame.shapes}
    shared = [g for g in sorted(frame.shapes) if (frame.group == g).sum() > 1]
    return [g for g in shared if mine[g] >= settings.least_ties_bed]


@dataclass(frozen=True)
class TieRows:
    """Two rows of equations per tie, in sigmas, weighed by the robust loss.

    columns : (N, K) the unknowns of each tie; one may be named twice. values : (N, 2, K) derivatives by them. rest :
    (N, 2) right-hand sides.
    """

    columns: NDArray[np.intp]
    values: Array
    rest: Array

    def part(self, which: slice) -> TieRows:
        """The rows of some ties."""
        return TieRows(self.columns[which], self.values[which], self.rest[which])


def _tie_rows(
    places: Sequence[Placement],
    ties: Ties,
    columns: Columns,
    frame: Frame,
    settings: tuple[AlignmentSettings, BedSettings],
) -> TieRows:
    residual, sigmas = _residual(places, ties)
    root = np.sqrt(_robust_weights(sigmas, settings[0].cauchy))
    seen = _as_seen(places, ties, residual)
    one, two = (motion(places, end, columns, frame, settings[1]) for end in ((seen.a, seen.xy_a), (seen.b, seen.xy_b)))
    apart = np.stack([np.hstack([-one.by_x, two.by_x]), np.hstack([-one.by_y, two.by_y])], axis=1)
    values = root[:, None, None] * (whitening(places, ties) @ apart)
    return TieRows(np.hstack([one.columns, two.columns]), values, -root[:, None] * sigmas)


def normal_equations(rows: TieRows, total: int) -> tuple[Array, Array]:
    """(total, total) and (total,): the rows' transpose times the rows, and times their right-hand sides."""
    half, right = np.zeros((total, total)), np.zeros(total)
    _add_products(rows.columns, rows.values, rows.rest, half, right)
    return half + half.T, right


@compiled
def _add_products(columns: NDArray[np.intp], values: Array, rest: Array, half: Array, right: Array) -> None:
    """Add each row's products to one half of the normal equations, squares by half: the other half mirrors it."""
    for n in range(values.shape[0]):
        for k in range(values.shape[1]):
            for i in range(values.shape[2]):
                value, row = values[n, k, i], columns[n, i]
                if value == 0:
                    continue
                right[row] += value * rest[n, k]
                half[row, row] += value * value / 2
                for j in range(i):
                    half[row, columns[n, j]] += value * values[n, k, j]


def _with_beds(
    places: Sequence[Placement],
    unknown: Array,
    columns: Columns,
    frame: Frame,
    settings: tuple[AlignmentSettings, BedSettings],
) -> list[Placement]:
    warps = {g: _warp(frame.shapes[g], unknown[slice(*columns.beds[g])], settings) for g in columns.solved}
    return [replace(place, warp=warps.get(int(g))) for place, g in zip(places, frame.group, strict=True)]


def _warp(shape: BedShape, solution: Array, settings: tuple[AlignmentSettings, BedSettings]) -> Warp:
    return beds.lattice(shape, solution, settings[1], settings[0].lattice_mm * shape.px_per_mm)


def _finished(
    places: Sequence[Placement],
    ties: Ties,
    unknown: Array,
    system: System,
    frame: Frame,
    settings: tuple[AlignmentSettings, BedSettings],
) -> Alignment:
    covariance = covariance_of(system)
    solved = {}
    for g in system.columns.solved:
        own = slice(*system.columns.beds[g])
        warp = _warp(frame.shapes[g], unknown[own], settings)
        solved[g] = beds.described(frame.shapes[g], unknown[own], covariance[own, own], settings[1], warp)
    residual, weight = expected_residual(places, ties, settings[0].cauchy)
    spread = np.sqrt(np.maximum(np.diag(covariance), 0))
    first = PER_TILE * np.arange(len(places)) + 2
    sigma = np.hypot(spread[first], spread[first + 1])
    sized = [replace(place, sigma=float(own)) for place, own in zip(places, sigma, strict=True)]
    length = misses(places, ties)[weight > 0.25]
    rms = float(np.sqrt((length**2).mean())) if len(length) else 0.0
    return Alignment(tuple(sized), solved, residual, weight, rms, float(length.max(initial=0)), system)
