"""I move all tiles at once until links disagree least.

In: first placements and ties. Out: placements, the beds they share, and what is left at every tie.

Unknown are, per tile, turn, scale and place, and per bed its axes and errors. Robust least squares over all ties
(Triggs et al., 2000; Cauchy weights, Holland & Welsch, 1977), Gauss-Newton, one tile held still. What no overlap
can see stays at its prior.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse import csr_matrix, diags, hstack, vstack

from stitchbed.core.arrays import Array
from stitchbed.mosaic.registration import scanner_bed as beds
from stitchbed.mosaic.registration.placement import Placement, Warp
from stitchbed.mosaic.registration.scanner_bed import Bed, BedSettings, BedShape
from stitchbed.mosaic.registration.tie_points import Ties, residuals_of

HOLD = 1e4  # weight of the rows that hold the anchor tile still


@dataclass(frozen=True)
class AlignmentSettings:
    """rounds: Gauss-Newton steps. cauchy: scale of the robust loss in sigmas (2.385: 95 % efficiency, Holland &
    Welsch 1977).
    scale_sigma: how far a tile's scale may differ from the expected one (share); scans of one bed repeat to about 1e-4.
    solve_bed: False leaves the bed at zero. least_ties_bed: ties under which a bed is left alone.
    lattice_mm: spacing of the displacement lattice.
    """

    rounds: int = 10
    cauchy: float = 2.385
    scale_sigma: float = 1e-4
    solve_bed: bool = True
    least_ties_bed: int = 40
    lattice_mm: float = 1.0


@dataclass(frozen=True)
class Frame:
    """What the solver is told of the tiles besides their places.

    scales : (T,) expected sheet px per tile px. group : (T,) bed of each tile, -1 for none. shapes : bed frame per
    group.
    anchor : index of the tile held still.
    """

    scales: Array
    group: NDArray[np.intp]
    shapes: Mapping[int, BedShape]
    anchor: int


@dataclass(frozen=True)
class Alignment:
    """placements in the order given; beds by group; residual (N, 2) sheet px per tie; weight (N,) 0..1 robust weight.

    rms, worst : px over ties the robust loss kept (weight > .25).
    """

    placements: tuple[Placement, ...]
    beds: Mapping[int, Bed]
    residual: Array
    weight: Array
    rms: float
    worst: float


def adjust_bundle(
    places: Sequence[Placement], ties: Ties, frame: Frame, settings: AlignmentSettings, bed_settings: BedSettings
) -> Alignment:
    """Solve for all tiles at once (warps of `places` are replaced)."""
    groups = _beds_to_solve(ties, frame, settings)
    starts = _starts(len(places), groups, frame, bed_settings)
    unknown = np.zeros(starts[-1])
    current = [replace(place, warp=None) for place in places]
    for _ in range(settings.rounds):
        residual, sigmas = _residual(current, ties)
        weight = _robust_weights(sigmas, settings.cauchy)
        seen = _as_seen(current, ties, residual)
        bases = {g: _bed_columns(current, seen, frame, g, bed_settings) for g in groups}
        jacobian = _jacobian(current, seen, frame, bases)
        rows, target = _prior(current, unknown, frame, groups, (settings, bed_settings))
        root = np.sqrt(weight)
        data = vstack([diags(root) @ part for part in _whitened(current, ties, jacobian)])
        stack = vstack([data, rows]).tocsr()
        rest = np.concatenate([-(root * sigmas[:, 0]), -(root * sigmas[:, 1]), target])
        factor = cho_factor((stack.T @ stack).toarray(), lower=True)
        step = cho_solve(factor, stack.T @ rest)
        unknown = unknown + step
        current = _stepped(current, step)
        current = _with_beds(current, unknown, frame, groups, starts, (settings, bed_settings))
        if np.abs(step).max(initial=0) < 1e-5:
            break
    covariance = cho_solve(factor, np.eye(len(unknown)))
    solved = {
        g: _described(unknown, covariance, starts[i : i + 2], frame.shapes[g], (settings, bed_settings))
        for i, g in enumerate(groups)
    }
    return _finished(current, ties, solved, covariance, settings)


def expected_residual(places: Sequence[Placement], ties: Ties, cauchy: float) -> tuple[Array, Array]:
    """(N, 2) residual in sheet px and (N,) robust weight of ties under given placements."""
    residual, sigmas = _residual(places, ties)
    return residual, _robust_weights(sigmas, cauchy)


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
    result: Array = 1 / (1 + (sigmas**2).sum(1) / cauchy**2)
    return result


def _beds_to_solve(ties: Ties, frame: Frame, settings: AlignmentSettings) -> list[int]:
    if not settings.solve_bed:
        return []
    mine = {g: int((frame.group[ties.a] == g).sum() + (frame.group[ties.b] == g).sum()) // 2 for g in frame.shapes}
    return [g for g in sorted(frame.shapes) if mine[g] >= settings.least_ties_bed]


def _starts(tiles: int, groups: Sequence[int], frame: Frame, bed_settings: BedSettings) -> list[int]:
    """First column of each bed's unknowns, and the total."""
    starts = [4 * tiles]
    for g in groups:
        starts.append(starts[-1] + beds.column_count(frame.shapes[g], bed_settings))
    return starts


def _bed_columns(
    places: Sequence[Placement], ties: Ties, frame: Frame, g: int, bed_settings: BedSettings
) -> tuple[tuple[csr_matrix, csr_matrix], tuple[csr_matrix, csr_matrix]]:
    """Bed basis at both ends of every tie; rows of ties whose tile has another bed are zero."""
    ends = []
    for index, xy in ((ties.a, ties.xy_a), (ties.b, ties.xy_b)):
        mine = diags((frame.group[index] == g).astype(float))
        by_x, by_y = beds.basis(frame.shapes[g], xy, bed_settings)
        ends.append(((mine @ by_x).tocsr(), (mine @ by_y).tocsr()))
    return ends[0], ends[1]


def _jacobian(
    places: Sequence[Placement], ties: Ties, frame: Frame, bases: Mapping[int, tuple[tuple[csr_matrix, ...], ...]]
) -> tuple[csr_matrix, csr_matrix]:
    """Derivatives of the x and of the y residual by all unknowns."""
    n, total = len(ties.a), 4 * len(places)
    across = csr_matrix((n, total))
    down = csr_matrix((n, total))
    linear = np.array([place.sheet_from_tile[:2, :2] for place in places])
    parts_x, parts_y = [], []
    for sign, index, xy in ((-1.0, ties.a, ties.xy_a), (1.0, ties.b, ties.xy_b)):
        x, y = (xy - _middles(places)[index]).T / _reach(places)[index]
        row = np.arange(n)
        one, zero = np.ones(n), np.zeros(n)
        across = across + _scattered(row, 4 * index, sign * np.stack([x, -y, one, zero]), (n, total))
        down = down + _scattered(row, 4 * index, sign * np.stack([y, x, zero, one]), (n, total))
    for ends in bases.values():
        bed_x, bed_y = 0, 0
        for sign, index, (by_x, by_y) in ((-1.0, ties.a, ends[0]), (1.0, ties.b, ends[1])):
            turn = linear[index] * sign
            bed_x = bed_x + diags(turn[:, 0, 0]) @ by_x + diags(turn[:, 0, 1]) @ by_y
            bed_y = bed_y + diags(turn[:, 1, 0]) @ by_x + diags(turn[:, 1, 1]) @ by_y
        parts_x.append(bed_x)
        parts_y.append(bed_y)
    return hstack([across, *parts_x]).tocsr(), hstack([down, *parts_y]).tocsr()


def _scattered(row: NDArray[np.intp], first: NDArray[np.intp], values: Array, shape: tuple[int, int]) -> csr_matrix:
    columns = np.stack([first + k for k in range(len(values))])
    return csr_matrix((values.ravel(), (np.tile(row, len(values)), columns.ravel())), shape=shape)


def _whitened(
    places: Sequence[Placement], ties: Ties, jacobian: tuple[csr_matrix, csr_matrix]
) -> tuple[csr_matrix, csr_matrix]:
    w = whitening(places, ties)
    x, y = jacobian
    return diags(w[:, 0, 0]) @ x + diags(w[:, 0, 1]) @ y, diags(w[:, 1, 0]) @ x + diags(w[:, 1, 1]) @ y


def _prior(
    places: Sequence[Placement],
    unknown: Array,
    frame: Frame,
    groups: Sequence[int],
    settings: tuple[AlignmentSettings, BedSettings],
) -> tuple[csr_matrix, Array]:
    """Rows and right-hand sides: expected scales, the anchor's place and turn, the beds' expected sizes."""
    sigma, total = settings[0].scale_sigma, len(unknown)
    rows = np.zeros((len(places) + 3, total))
    target = np.zeros(len(places) + 3)
    reach = _reach(places)
    for i, place in enumerate(places):
        a, b = place.sheet_from_tile[0, 0], place.sheet_from_tile[1, 0]
        scale = np.hypot(a, b)
        rows[i, 4 * i : 4 * i + 2] = np.array([a, b]) / scale / reach[i] / frame.scales[i] / sigma
        target[i] = -(scale / frame.scales[i] - 1) / sigma
        if i == frame.anchor:
            rows[-3, 4 * i : 4 * i + 2] = np.array([-b, a]) / scale * HOLD
            rows[-2, 4 * i + 2] = rows[-1, 4 * i + 3] = HOLD
    parts, targets, start = [csr_matrix(rows)], [target], 4 * len(places)
    for g in groups:
        own = beds.prior(frame.shapes[g], settings[1])
        columns = slice(start, start + own.shape[1])
        placed = hstack([csr_matrix((own.shape[0], start)), own, csr_matrix((own.shape[0], total - columns.stop))])
        parts.append(placed)
        targets.append(-(own @ unknown[columns]))
        start = columns.stop
    return vstack(parts).tocsr(), np.concatenate(targets)


def _middles(places: Sequence[Placement]) -> Array:
    return np.array([[(place.size[1] - 1) / 2, (place.size[0] - 1) / 2] for place in places])


def _reach(places: Sequence[Placement]) -> Array:
    """Half diagonal px: turns and scales are solved in px at the tile's corners, which keeps the system well scaled."""
    return np.array([np.hypot(*place.size) / 2 for place in places])


def _stepped(places: Sequence[Placement], step: Array) -> list[Placement]:
    moved_places = []
    for i, (place, middle, reach) in enumerate(zip(places, _middles(places), _reach(places), strict=True)):
        da, db, dx, dy = step[4 * i : 4 * i + 4]
        linear = np.array([[da, -db], [db, da]]) / reach
        matrix = place.sheet_from_tile.copy()
        matrix[:2, :2] += linear
        matrix[:2, 2] += np.array([dx, dy]) - linear @ middle
        moved_places.append(replace(place, sheet_from_tile=matrix))
    return moved_places


def _with_beds(
    places: Sequence[Placement],
    unknown: Array,
    frame: Frame,
    groups: Sequence[int],
    starts: Sequence[int],
    settings: tuple[AlignmentSettings, BedSettings],
) -> list[Placement]:
    warps = {g: _warp(frame.shapes[g], unknown[starts[i] : starts[i + 1]], settings) for i, g in enumerate(groups)}
    return [replace(place, warp=warps.get(int(g))) for place, g in zip(places, frame.group, strict=True)]


def _warp(shape: BedShape, solution: Array, settings: tuple[AlignmentSettings, BedSettings]) -> Warp:
    return beds.lattice(shape, solution, settings[1], settings[0].lattice_mm * shape.px_per_mm)


def _described(
    unknown: Array,
    covariance: Array,
    span: Sequence[int],
    shape: BedShape,
    settings: tuple[AlignmentSettings, BedSettings],
) -> Bed:
    columns = slice(span[0], span[1])
    warp = _warp(shape, unknown[columns], settings)
    return beds.described(shape, unknown[columns], covariance[columns, columns], settings[1], warp)


def _finished(
    places: Sequence[Placement], ties: Ties, solved: Mapping[int, Bed], covariance: Array, settings: AlignmentSettings
) -> Alignment:
    residual, weight = expected_residual(places, ties, settings.cauchy)
    spread = np.sqrt(np.maximum(np.diag(covariance), 0))
    sized = [replace(p, sigma=float(np.hypot(*spread[4 * i + 2 : 4 * i + 4]))) for i, p in enumerate(places)]
    length = np.hypot(*residual.T)[weight > 0.25]
    rms = float(np.sqrt((length**2).mean())) if len(length) else 0.0
    return Alignment(tuple(sized), dict(solved), residual, weight, rms, float(length.max(initial=0)))
