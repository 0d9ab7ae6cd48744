"""I am the list of unknowns of an alignment: which column moves what, and what is expected of each beforehand.

In: placements, beds, settings. Out: derivatives, what is expected as equations, placements after a step.

Per tile six: turn and size, place, and the stretch of the paper (longer one way, shorter the other; and askew); then,
per bed, its axes and errors. Paper that took up moisture between scans is a piece's own; axes are the bed's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.matching.robust import cauchy_weights
from stitchbed.mosaic.registration import scanner_bed as beds
from stitchbed.mosaic.registration.placement import Placement
from stitchbed.mosaic.registration.scanner_bed import BedSettings, BedShape

PER_TILE = 6
HOLD = 1e4  # weight of the rows that hold the anchor tile still
FREE_STRETCH = 0.005  # share by which pieces said to have stretched may have
SHOWN_BY = np.sin(np.pi / 6)  # pieces turned against each other by 30 to 150 degrees show a bed's axes


@dataclass(frozen=True)
class AlignmentSettings:
    """rounds: Gauss-Newton steps, fewer where one moves nothing by more than settled_px: what is left then is a third
    of that, a hundredth of what a tie is good to. cauchy: scale of the robust loss in sigmas (2.385: 95 % efficiency,
    Holland & Welsch 1977).
    scale_sigma: how far a tile's scale may differ from the expected one (share); scans of one bed repeat to about 1e-4.
    solve_stretch: False leaves pieces rigid. stretch_sigma, skew_sigma: expected stretch of a piece's paper (share),
    longer against across and askew; with scale_sigma in one heavy-tailed prior, for most pieces do not stretch and
    some do by a permille. far_stretch: takes those tails away from all pieces but these; None: from none.
    free_stretch: pieces that may stretch along one side by FREE_STRETCH as well as not at all.
    solve_bed: False leaves the bed at zero. solve_axes: False holds its axes whatever shows them.
    least_ties_bed: ties under which a bed is left alone.
    lattice_mm: spacing of the displacement lattice.
    """

    rounds: int = 12
    settled_px: float = 1e-3
    cauchy: float = 2.385
    scale_sigma: float = 1e-4
    solve_stretch: bool = True
    stretch_sigma: float = 1e-4
    skew_sigma: float = 3e-5
    far_stretch: tuple[int, ...] | None = None
    free_stretch: tuple[int, ...] = ()
    solve_bed: bool = True
    solve_axes: bool = True
    least_ties_bed: int = 40
    lattice_mm: float = 1.0


@dataclass(frozen=True)
class Frame:
    """What the solver is told of the tiles besides their places.

    scales : (T,) expected sheet px per tile px. group : (T,) bed of each tile, -1 for none. shapes : bed frame per
    group.
    anchor : index of the tile held still. held : other tiles that keep their places.
    """

    scales: Array
    group: NDArray[np.intp]
    shapes: Mapping[int, BedShape]
    anchor: int
    held: tuple[int, ...] = ()


@dataclass(frozen=True)
class Columns:
    """Where each unknown stands.

    tiles : number of tiles, PER_TILE columns each. beds : columns (first, past the last) per group. solved : groups
    whose bed is solved for; of the others all columns are held.
    held : columns that keep their value, for nothing shows them. axes : those of them that are a bed's axes.
    total : all columns.
    """

    tiles: int
    beds: Mapping[int, tuple[int, int]]
    solved: tuple[int, ...]
    held: NDArray[np.intp]
    axes: NDArray[np.intp]
    total: int


def columns_of(
    places: Sequence[Placement],
    groups: Sequence[int],
    frame: Frame,
    settings: tuple[AlignmentSettings, BedSettings],
) -> Columns:
    """Columns of all unknowns; `groups` are the beds to solve."""
    tiles, start = len(places), PER_TILE * len(places)
    spans, held, axes = {}, [], []
    if not settings[0].solve_stretch:
        held += [PER_TILE * i + k for i in range(tiles) for k in (4, 5)]
    for g, shape in sorted(frame.shapes.items()):
        spans[g] = (start, start + beds.column_count(shape, settings[1]))
        mine = [place for place, own in zip(places, frame.group, strict=True) if own == g]
        seen = settings[0].solve_axes and g in groups and axes_shown(mine)
        axes += [] if seen else [start, start + 1]
        held += range(start + 2, spans[g][1]) if g not in groups else []
        start = spans[g][1]
    every = np.array(sorted([*held, *axes]), np.intp)
    return Columns(tiles, spans, tuple(groups), every, np.array(axes, np.intp), start)


def axes_shown(places: Sequence[Placement]) -> bool:
    """True when some pieces are turned against others so far that they see the bed's axes.

    Turns of a degree would show them too if all else were known to 1e-5; paper that stretches by a permille is not.
    """
    turns = np.array([turn_and_stretch(place.sheet_from_tile)[1] for place in places])
    return bool(np.abs(np.sin(turns[:, None] - turns[None])).max(initial=0) > SHOWN_BY)


def turn_and_stretch(matrix: Array) -> tuple[float, float, float, float]:
    """Size, turn rad, stretch and skew of a 3x3: linear part = size * turn @ (I + [[stretch, skew], [skew,
    -stretch]])."""
    m = matrix[:2, :2]
    similar = complex(m[0, 0] + m[1, 1], m[1, 0] - m[0, 1]) / 2
    rest = complex(m[0, 0] - m[1, 1], m[1, 0] + m[0, 1]) / 2 / similar
    return abs(similar), float(np.angle(similar)), rest.real, rest.imag


@dataclass(frozen=True)
class Motion:
    """How points move by the unknowns.

    columns : (N, K) the unknowns that move each point; one may be named twice, then both shares count. by_x, by_y :
    (N, K) sheet px per one of each.
    """

    columns: NDArray[np.intp]
    by_x: Array
    by_y: Array


def motion(
    places: Sequence[Placement],
    points: tuple[NDArray[np.intp], Array],
    columns: Columns,
    frame: Frame,
    bed_settings: BedSettings,
) -> Motion:
    """Derivatives of sheet x and y (px) of tile points by all unknowns that move them.

    points : (N,) index of the tile, (N, 2) px in it.
    """
    index, xy = points
    linear = np.array([place.sheet_from_tile[:2, :2] for place in places])[index]
    x, y = ((xy - middles(places)[index]) / reach(places)[index, None]).T
    one, none = np.ones(len(index)), np.zeros(len(index))
    unstretched, askew = np.stack([x, -y], 1), np.stack([y, x], 1)
    by_x = [x, -y, one, none, *(np.einsum("nj,nj->n", linear[:, 0], part) for part in (unstretched, askew))]
    by_y = [y, x, none, one, *(np.einsum("nj,nj->n", linear[:, 1], part) for part in (unstretched, askew))]
    own = PER_TILE * index[:, None] + np.arange(PER_TILE)
    bed, bed_x, bed_y = _bed_motion(index, xy, columns, frame, bed_settings)
    turned = [linear[:, row, :1] * bed_x + linear[:, row, 1:] * bed_y for row in range(2)]
    return Motion(
        np.hstack([own, bed]), np.hstack([np.stack(by_x, 1), turned[0]]), np.hstack([np.stack(by_y, 1), turned[1]])
    )


def _bed_motion(
    index: NDArray[np.intp], xy: Array, columns: Columns, frame: Frame, bed_settings: BedSettings
) -> tuple[NDArray[np.intp], Array, Array]:
    """Derivatives of the displacement in the tile by its bed's unknowns (see `scanner_bed.basis`); of tiles without a
    bed zeros."""
    group = frame.group[index]
    found = [beds.basis(shape, xy[group == g], bed_settings) for g, shape in sorted(frame.shapes.items())]
    width = found[0][0].shape[1] if found else 0
    bed = np.zeros((len(index), width), np.intp)
    by_x, by_y = np.zeros(bed.shape), np.zeros(bed.shape)
    for (g, (start, _)), (own, x, y) in zip(sorted(columns.beds.items()), found, strict=True):
        mine = group == g
        bed[mine], by_x[mine], by_y[mine] = start + own, x, y
    return bed, by_x, by_y


def bed_information(columns: Columns, frame: Frame, bed_settings: BedSettings) -> Array:
    """(total, total) what is known of the beds beforehand: their errors are of the expected sizes."""
    known = np.zeros((columns.total, columns.total))
    for g, (start, stop) in columns.beds.items():
        rows = beds.prior(frame.shapes[g], bed_settings)
        known[start:stop, start:stop] = rows.T @ rows
    return known


def piece_equations(
    places: Sequence[Placement], columns: Columns, frame: Frame, settings: AlignmentSettings
) -> tuple[Array, Array]:
    """Normal equations (total, total), (total,) of what is expected of pieces: sizes and stretches, and the place and
    turn of the anchor and of those held."""
    normal, right = np.zeros((columns.total, columns.total)), np.zeros(columns.total)
    for i, (place, far) in enumerate(zip(places, reach(places), strict=True)):
        own = slice(PER_TILE * i, PER_TILE * (i + 1))
        own_settings, may_stretch = _expected_of(i, settings)
        rows, target = _piece_rows(place, far, frame.scales[i], own_settings, far_stretch=may_stretch)
        normal[own, own], right[own] = rows.T @ rows, rows.T @ target
        if i in (frame.anchor, *frame.held):
            held = _still_rows(place)
            normal[own, own] += held.T @ held
    return normal, right


def strain_of_pieces(places: Sequence[Placement], frame: Frame, settings: AlignmentSettings) -> float:
    """Half of the sum of squares, in sigmas, by which pieces miss the sizes and stretches expected of them; less where
    a heavy-tailed prior takes large ones for likelier."""
    total = 0.0
    for i, (place, scale) in enumerate(zip(places, frame.scales, strict=True)):
        own_settings, may_stretch = _expected_of(i, settings)
        square, cauchy = float((_off(place, scale, own_settings) ** 2).sum()), settings.cauchy
        total += cauchy**2 / 2 * float(np.log1p(square / cauchy**2)) if may_stretch else square / 2
    return total


def stepped(places: Sequence[Placement], step: Array) -> list[Placement]:
    """Placements after a step of the unknowns (beds apart)."""
    moved_places = []
    for i, (place, middle, far) in enumerate(zip(places, middles(places), reach(places), strict=True)):
        da, db, dx, dy, stretch, skew = step[PER_TILE * i : PER_TILE * (i + 1)]
        matrix = place.sheet_from_tile.copy()
        own = matrix[:2, :2] @ np.array([[stretch, skew], [skew, -stretch]])
        linear = (np.array([[da, -db], [db, da]]) + own) / far
        matrix[:2, :2] += linear
        matrix[:2, 2] += np.array([dx, dy]) - linear @ middle
        moved_places.append(replace(place, sheet_from_tile=matrix))
    return moved_places


def middles(places: Sequence[Placement]) -> Array:
    """(T, 2) px, middle of each tile."""
    return np.array([[(place.size[1] - 1) / 2, (place.size[0] - 1) / 2] for place in places])


def reach(places: Sequence[Placement]) -> Array:
    """Half diagonal px: turns and scales are solved in px at the tile's corners, which keeps the system well scaled."""
    return np.array([np.hypot(*place.size) / 2 for place in places])


def _expected_of(index: int, settings: AlignmentSettings) -> tuple[AlignmentSettings, bool]:
    """The settings of one piece, and whether it may stretch by far more than most do."""
    if index in settings.free_stretch:
        return replace(settings, scale_sigma=FREE_STRETCH, stretch_sigma=FREE_STRETCH), False
    return settings, settings.far_stretch is None or index in settings.far_stretch


def _piece_rows(
    place: Placement, far: float, scale: float, settings: AlignmentSettings, *, far_stretch: bool
) -> tuple[Array, Array]:
    """(3, PER_TILE) rows and (3,) right-hand sides of a piece's size and stretches; scale : the expected size."""
    turn, off = turn_and_stretch(place.sheet_from_tile)[1], _off(place, scale, settings)
    root = np.sqrt(cauchy_weights((off**2).sum(), settings.cauchy)) if far_stretch else 1.0
    rows = np.zeros((3, PER_TILE))
    rows[0, :2] = np.array([np.cos(turn), np.sin(turn)]) / scale
    rows[1, 4] = rows[2, 5] = 1
    return rows * (root / far / _sigmas(settings))[:, None], -off * root


def _off(place: Placement, scale: float, settings: AlignmentSettings) -> Array:
    """(3,) by how many sigmas a piece's size, stretch and skew are off what is expected."""
    size, _, stretch, skew = turn_and_stretch(place.sheet_from_tile)
    off: Array = np.array([size / scale - 1, stretch, skew]) / _sigmas(settings)
    return off


def _sigmas(settings: AlignmentSettings) -> Array:
    return np.array([settings.scale_sigma, settings.stretch_sigma, settings.skew_sigma])


def _still_rows(place: Placement) -> Array:
    """(3, PER_TILE) rows that hold a piece's turn and place."""
    turn = turn_and_stretch(place.sheet_from_tile)[1]
    rows = np.zeros((3, PER_TILE))
    rows[0, :2] = -np.sin(turn), np.cos(turn)
    rows[1, 2] = rows[2, 3] = 1
    return rows * HOLD
