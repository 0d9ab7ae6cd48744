"""I check the unknowns of an alignment: their derivatives, the stretch of pieces, and what is held until shown."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stitchbed.imaging.transforms import moved, similarity_matrix
from stitchbed.mosaic.registration.bundle_adjustment import Alignment, adjust_bundle, covariance_of, drawn_errors
from stitchbed.mosaic.registration.placement import Placement, from_sheet, to_sheet
from stitchbed.mosaic.registration.scanner_bed import BedSettings, BedShape
from stitchbed.mosaic.registration.tie_points import Ties, gathered
from stitchbed.mosaic.registration.unknowns import (
    AlignmentSettings,
    Frame,
    axes_shown,
    columns_of,
    motion,
    stepped,
    strain_of_pieces,
    turn_and_stretch,
)

SIZE = (600, 440)
SHAPE = BedShape(SIZE, 6.0)
MIDDLE = np.array([[(SIZE[1] - 1) / 2, (SIZE[0] - 1) / 2]])
NOISE = 0.03  # px


def _piece(
    k: int, turn: float, stretch: tuple[float, float] = (0, 0), axis: float = 0.0, skew: float = 0.0
) -> Placement:
    """Piece k of a grid of three columns, turned (deg), its paper longer (x, y) than the others', scanned askew."""
    a = np.deg2rad(turn)
    matrix = similarity_matrix(np.array([np.cos(a), np.sin(a), 0, 0]))
    paper = np.diag([1 / (1 + stretch[0]), 1 / (1 + stretch[1])])
    matrix[:2, :2] = paper @ matrix[:2, :2] @ np.array([[1, skew], [0, 1 + axis]])
    at = np.array([SIZE[1] * 0.65 * (k % 3), SIZE[0] * 0.65 * (k // 3)])
    matrix[:2, 2] = at - moved(matrix, MIDDLE)[0]
    return Placement(f"t{k}", SIZE, matrix)


def _ties(places: list[Placement], rng: np.random.Generator, count: int = 80) -> Ties:
    rows = []
    for a, one in enumerate(places):
        for b, two in list(enumerate(places))[a + 1 :]:
            xy = rng.uniform([4, 4], [SIZE[1] - 5, SIZE[0] - 5], (6 * count, 2))
            there = from_sheet(two, to_sheet(one, xy))
            seen = ((there > 3) & (there < (SIZE[1] - 4, SIZE[0] - 4))).all(1)
            for p, q in list(zip(xy[seen], there[seen], strict=True))[:count]:
                rows.append((a, b, p, q + rng.normal(0, NOISE, 2), np.eye(2) / NOISE**2, 0.9))
    return gathered(rows)


def _solved(places: list[Placement], ties: Ties, **changes: object) -> Alignment:
    rigid = [replace(p, sheet_from_tile=_similar(p.sheet_from_tile)) for p in places]
    frame = Frame(np.ones(len(places)), np.zeros(len(places), np.intp), {0: SHAPE}, 0)
    return adjust_bundle(rigid, ties, frame, replace(AlignmentSettings(), **changes), BedSettings())


def _similar(matrix: np.ndarray) -> np.ndarray:
    turn = turn_and_stretch(matrix)[1]
    result = similarity_matrix(np.array([np.cos(turn), np.sin(turn), 0, 0]))
    result[:2, 2] = moved(matrix, MIDDLE)[0] - moved(result, MIDDLE)[0]
    return result


def _shape_error(found: Alignment, places: list[Placement]) -> float:
    """Rms px of all pieces' corners after the similarity that fits best."""
    corners = np.array([[0, 0], [439, 0], [439, 599], [0, 599]], float)
    got = np.concatenate([to_sheet(p, corners) for p in found.placements])
    true = np.concatenate([to_sheet(p, corners) for p in places])
    a, b = got - got.mean(0), true - true.mean(0)
    z = ((a[:, 0] - 1j * a[:, 1]) * (b[:, 0] + 1j * b[:, 1])).sum() / (a**2).sum()
    fitted = (a[:, 0] + 1j * a[:, 1]) * z
    return float(np.sqrt((np.abs(fitted - (b[:, 0] + 1j * b[:, 1])) ** 2).mean()))


def test_the_linear_part_is_size_turn_and_stretch() -> None:
    turn = similarity_matrix(np.array([1.01 * np.cos(2.0), 1.01 * np.sin(2.0), 5, 6]))
    turn[:2, :2] = turn[:2, :2] @ np.array([[1.002, 0.0003], [0.0003, 0.998]])
    assert turn_and_stretch(turn) == pytest.approx((1.01, 2.0, 0.002, 0.0003))


def test_motion_is_the_derivative_of_a_step() -> None:
    rng = np.random.default_rng(1)
    places = [_piece(k, turn) for k, turn in enumerate([0.0, 1.0, 90.0])]
    frame = Frame(np.ones(3), np.full(3, -1), {}, 0)
    columns = columns_of(places, [], frame, (AlignmentSettings(), BedSettings()))
    index, xy = rng.integers(0, 3, 50), rng.uniform(0, 400, (50, 2))
    moves = motion(places, (index, xy), columns, frame, BedSettings())
    step = rng.normal(0, 1e-3, columns.total)
    after, by = stepped(places, step), step[moves.columns]
    moved_by = np.array([to_sheet(after[i], p[None])[0] - to_sheet(places[i], p[None])[0] for i, p in zip(index, xy)])
    assert np.abs(np.stack([(moves.by_x * by).sum(1), (moves.by_y * by).sum(1)], 1) - moved_by).max() < 1e-8


@pytest.mark.parametrize("stretch", [(0, 0.0015), (0.0015, 0), (0.0015, 0.0015)])
def test_paper_that_stretched_between_scans_does_not_bend_the_sheet(stretch: tuple[float, float]) -> None:
    """Half of the pieces .15 % longer: .9 px over a piece's height; rigid pieces leave most of that at the seams."""
    turns = [0, 0.8, -0.6, 0.3, -1, 0.5]
    places = [_piece(k, turn, stretch if k % 2 else (0, 0)) for k, turn in enumerate(turns)]
    ties = _ties(places, np.random.default_rng(2))
    found, rigid = _solved(places, ties), _solved(places, ties, solve_stretch=False)
    assert _shape_error(found, places) < 0.3  # px over corners; the sheet is 1000 x 1000 px
    assert found.rms < 1.1 * np.sqrt(2) * NOISE
    if stretch[0] != stretch[1]:  # else sizes alone answer
        assert _shape_error(rigid, places) > 2 * _shape_error(found, places) or rigid.rms > 1.5 * found.rms
    assert found.beds[0].axis_ratio == pytest.approx(1, abs=1e-4) and abs(found.beds[0].shear_rad) < 1e-4


def test_pieces_that_did_not_stretch_are_left_as_they_are() -> None:
    places = [_piece(k, turn) for k, turn in enumerate([0, 0.8, -0.6, 0.3, -1, 0.5])]
    found = _solved(places, _ties(places, np.random.default_rng(3)))
    sizes = np.array([turn_and_stretch(p.sheet_from_tile) for p in found.placements])
    assert np.abs(sizes[:, 0] - 1).max() < 5e-5 and np.abs(sizes[:, 2:]).max() < 5e-5


def test_axes_are_held_until_a_piece_is_turned_far() -> None:
    """Pieces turned by a degree: the axes stay at zero, called unobserved; with a quarter turn they are found."""
    turns = [0.0, 0.8, -0.6, 0.3, -1, 0.5]
    for quarter in (False, True):
        places = [_piece(k, turn + 90 * (quarter and k == 1), axis=0.003, skew=0.001) for k, turn in enumerate(turns)]
        assert axes_shown(places) == quarter
        bed = _solved(places, _ties(places, np.random.default_rng(4))).beds[0]
        assert bed.axis_ratio == pytest.approx(1.003 if quarter else 1.0, abs=2e-4)
        assert bed.shear_rad == pytest.approx(0.001 if quarter else 0.0, abs=2e-4)
        assert (bed.observed[:2] > 0.7).all() if quarter else (bed.observed[:2] < 0.01).all()


def test_held_axes_are_counted_as_uncertain() -> None:
    """The covariance holds the prior of what was held: a bed of axis a moves corners by a times their distance."""
    places = [_piece(k, turn) for k, turn in enumerate([0, 0.8, -0.6, 0.3, -1, 0.5])]
    found = _solved(places, _ties(places, np.random.default_rng(5)))
    covariance = covariance_of(found.system)
    first = found.system.columns.beds[0][0]
    assert np.sqrt(covariance[first, first]) == pytest.approx(BedSettings().axis)
    assert (np.linalg.eigvalsh(covariance) > -1e-9).all()
    apart, by_axes = drawn_errors(found.system, 4000, np.random.default_rng(6))
    expected, both = np.sqrt(np.diag(covariance)), (apart + by_axes).std(axis=1)
    np.testing.assert_allclose(both[expected > 1e-6], expected[expected > 1e-6], rtol=0.1)
    assert not apart[first].any() and by_axes[first].std() == pytest.approx(BedSettings().axis, rel=0.1)


def test_a_large_stretch_strains_less_where_a_piece_may_stretch() -> None:
    places = [_piece(0, 0.0), _piece(1, 0.0, (0.002, -0.002))]
    frame = Frame(np.ones(2), np.zeros(2, np.intp), {0: SHAPE}, 0)
    none, tails, free = (
        strain_of_pieces(places, frame, replace(AlignmentSettings(), **changes))
        for changes in ({"far_stretch": ()}, {}, {"far_stretch": (), "free_stretch": (1,)})
    )
    assert none == pytest.approx((0.002 / 1e-4) ** 2 / 2, rel=0.02) and none > tails > free > 0
    assert strain_of_pieces([places[0]] * 2, frame, AlignmentSettings()) == pytest.approx(0)
