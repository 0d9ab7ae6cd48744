"""I check that the bed's own faults are found from overlaps, and that what no overlap can see stays at zero."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import tolerances as tol
from scipy.interpolate import BSpline

from stitchbed.imaging.transforms import moved, similarity_matrix
from stitchbed.mosaic.registration import scanner_bed as beds
from stitchbed.mosaic.registration.bundle_adjustment import Alignment, adjust_bundle
from stitchbed.mosaic.registration.doubts import Given, solve_as_fine_as_shown
from stitchbed.mosaic.registration.placement import Placement, Warp, from_sheet, shift_at, to_sheet
from stitchbed.mosaic.registration.scanner_bed import BedSettings, BedShape
from stitchbed.mosaic.registration.tie_points import Ties, gathered, residuals_of
from stitchbed.mosaic.registration.unknowns import AlignmentSettings, Frame

SIZE = (600, 440)
SCALE = 6.0  # px per mm: 100 x 73 mm
SHAPE = BedShape(SIZE, SCALE)
SETTINGS = BedSettings()
SPACING = 6.0


def _true_bed(*, axis: float = 0.0, shear: float = 0.0, wave: float = 0.0) -> Warp:
    """A lattice with the axis along travel longer by `axis`, sheared by `shear`, waved by `wave` px every 45 mm."""
    rows, cols = int(np.ceil((SIZE[0] - 1) / SPACING)) + 1, int(np.ceil((SIZE[1] - 1) / SPACING)) + 1
    v = np.arange(rows) * SPACING - (SIZE[0] - 1) / 2
    shift = np.zeros((rows, cols, 2))
    shift[..., 1] += (axis * v + wave * np.sin(2 * np.pi * v / (45 * SCALE)))[:, None]
    shift[..., 0] += (shear * v + 0.5 * wave * np.sin(2 * np.pi * v / (38 * SCALE) + 1))[:, None]
    return Warp(shift, SPACING)


def _places(turns: list[float], warp: Warp, cols: int = 3, overlap: float = 0.35) -> list[Placement]:
    """Tiles on a grid, each turned about its middle; quarter turns take their room along the diagonal."""
    places = []
    step = np.array([SIZE[1], SIZE[0]]) * (1 - overlap)
    for k, turn in enumerate(turns):
        a = np.deg2rad(turn)
        matrix = similarity_matrix(np.array([np.cos(a), np.sin(a), 0, 0]))
        middle = step * (k % cols, k // cols)
        matrix[:2, 2] = middle - moved(matrix, np.array([[(SIZE[1] - 1) / 2, (SIZE[0] - 1) / 2]]))[0]
        places.append(Placement(f"t{k}", SIZE, matrix, warp))
    return places


def _ties(places: list[Placement], rng: np.random.Generator, *, count: int = 160, noise: float = 0.03) -> Ties:
    """Ties wherever two tiles see the same place, with noise px."""
    rows = []
    for a in range(len(places)):
        for b in range(a + 1, len(places)):
            xy = rng.uniform([4, 4], [SIZE[1] - 5, SIZE[0] - 5], (4 * count, 2))
            there = from_sheet(places[b], to_sheet(places[a], xy))
            seen = ((there > 3) & (there < (SIZE[1] - 4, SIZE[0] - 4))).all(1)
            for p, q in list(zip(xy[seen], there[seen], strict=True))[:count]:
                rows.append((a, b, p, q + rng.normal(0, noise, 2), np.eye(2) / noise**2, 0.9))
    return gathered(rows)


def _solved(places: list[Placement], ties: Ties, *, solve_bed: bool = True) -> Alignment:
    frame = Frame(np.ones(len(places)), np.zeros(len(places), np.intp), {0: SHAPE}, 0)
    settings = replace(AlignmentSettings(), solve_bed=solve_bed, scale_sigma=1e-3)
    return adjust_bundle([replace(p, warp=None) for p in places], ties, frame, settings, SETTINGS)


def test_the_basis_is_the_derivative_of_the_lattice() -> None:
    rng = np.random.default_rng(1)
    solution = rng.normal(0, 1, beds.column_count(SHAPE, SETTINGS)) * np.r_[1e-3, 1e-3, np.full(
        beds.column_count(SHAPE, SETTINGS) - 2, 0.3)]  # fmt: skip
    xy = rng.uniform([0, 0], [SIZE[1] - 1, SIZE[0] - 1], (200, 2))
    columns, by_x, by_y = beds.basis(SHAPE, xy, SETTINGS)
    direct = np.stack([(each * solution[columns]).sum(axis=1) for each in (by_x, by_y)], axis=1)
    lattice = beds.lattice(SHAPE, solution, SETTINGS, 1.5)
    assert np.abs(shift_at(lattice, xy) - direct).max() < 0.01  # bilinear between nodes 1.5 px apart
    assert columns.min() == 0 and columns.max() == beds.column_count(SHAPE, SETTINGS) - 1


def test_the_splines_are_the_librarys() -> None:
    """Against scipy.interpolate.BSpline.design_matrix on the same uniform knots, past both ends too."""
    spacing, height = SETTINGS.travel_knot_mm * SHAPE.px_per_mm, SHAPE.size[0]
    spans = int(np.ceil(height / spacing))
    rows = np.r_[np.random.default_rng(2).uniform(-20, height + 20, 300), 0, height / spans, height]
    columns, by_x, _ = beds.basis(SHAPE, np.column_stack([np.zeros(len(rows)), rows]), SETTINGS)
    full = np.zeros((len(rows), beds.column_count(SHAPE, SETTINGS)))
    np.put_along_axis(full, columns, by_x, axis=1)
    knots = (np.arange(spans + 7) - 3) * (height / spans)
    wanted = BSpline.design_matrix(np.clip(rows, 0, height - 1e-6), knots, 3).toarray()
    assert np.array_equal(full[:, 2 : 2 + wanted.shape[1]], wanted)


def test_a_zero_bed_bends_nothing() -> None:
    none = np.zeros(beds.column_count(SHAPE, SETTINGS))
    assert not beds.lattice(SHAPE, none, SETTINGS, SPACING).shift.any()
    found = beds.described(SHAPE, none, np.zeros((len(none), len(none))), SETTINGS, _true_bed())
    assert found.axis_ratio == 1 and found.shear_rad == 0
    assert not found.offset_x_mm.any() and not found.offset_y_mm.any() and (found.observed == 1).all()


def test_the_prior_pulls_each_unknown_by_its_expected_size() -> None:
    rows = beds.prior(SHAPE, SETTINGS)
    assert rows.shape[1] == beds.column_count(SHAPE, SETTINGS)
    assert rows[0, 0] == rows[1, 1] == 1 / SETTINGS.axis
    straight = np.ones(rows.shape[1])
    # bends and slopes of a constant are nothing; the mean of each of the four splines is held
    assert np.count_nonzero(np.abs(rows @ straight) > 1e-9) == rows.shape[1] + 4


def test_knots_are_nearer_where_the_head_steps_and_nowhere_else() -> None:
    """Steps of .8 px, a wave of .8 px, and nothing but noise; nearer knots fit more of the ties round steps."""
    steps = _true_bed()
    for at, jump in ((18, 0.8), (37, -0.8), (61, 0.8), (80, 0.8)):
        steps.shift[at:, :, 1] += jump
    frame, settings = Frame(np.ones(6), np.zeros(6, np.intp), {0: SHAPE}, 0), AlignmentSettings()
    for warp, nearer in ((steps, True), (_true_bed(wave=0.8), False), (_true_bed(), False)):
        places = _places([0.0, 180.4, -0.3, 0.2, 179.8, -0.5], warp)
        ties, plain = _ties(places, np.random.default_rng(5)), [replace(p, warp=None) for p in places]
        found, bed = solve_as_fine_as_shown(Given(plain, ties, frame, settings, SETTINGS))
        assert bed.travel_knot_mm == (SETTINGS.travel_knot_mm / SETTINGS.finer if nearer else SETTINGS.travel_knot_mm)
        usual = adjust_bundle(plain, ties, frame, settings, SETTINGS)
        lost = [int((one.weight < 0.25).sum()) for one in (found, usual)]  # ties that do not fit count for little
        assert lost[0] < 0.7 * lost[1] if nearer else lost[0] == lost[1]


@pytest.mark.parametrize("draw", range(3))
def test_the_axis_ratio_is_found_when_one_piece_is_turned_by_90_degrees(draw: int) -> None:
    """Aspect .003, found within .0002."""
    rng = np.random.default_rng(draw)
    places = _places([0, 0.4, 90, -0.3, 0.2, 0], _true_bed(axis=0.003, shear=0.001))
    found = _solved(places, _ties(places, rng)).beds[0]
    assert abs(found.axis_ratio - 1.003) < tol.AXIS_RATIO and abs(found.shear_rad - 0.001) < tol.AXIS_RATIO
    assert found.observed[0] > 0.75


@pytest.mark.parametrize("draw", range(3))
def test_what_no_overlap_sees_stays_at_zero(draw: int) -> None:
    """Upright pieces all stretch alike: their overlaps fit as they are, so nothing may be invented.

    Thousands of ties pull a little each where derivatives are taken carelessly: .9966 came out before.
    """
    rng = np.random.default_rng(draw)
    places = _places([0.0] * 6, _true_bed(axis=0.003))
    found = _solved(places, _ties(places, rng))
    assert abs(found.beds[0].axis_ratio - 1) < tol.AXIS_RATIO and found.beds[0].observed[0] < 0.3
    assert found.rms < 1.1 * np.sqrt(2) * 0.03


def test_the_travel_error_is_found() -> None:
    """A wave of half a pixel every 45 mm, known up to a slope and a shift; without the bed it stays at the seams."""
    rng = np.random.default_rng(4)
    true = _true_bed(wave=0.5)
    places = _places([0, 0.5, 180, -0.3, 90.5, 0.2], true)
    ties = _ties(places, rng)
    found, rigid = _solved(places, ties), _solved(places, ties, solve_bed=False)
    at = np.column_stack([np.full(120, SIZE[1] / 2), np.linspace(30, SIZE[0] - 31, 120)])
    wanted, got = shift_at(true, at), shift_at(found.beds[0].warp, at)
    design = np.column_stack([np.ones(120), at[:, 1]])
    off = got - wanted
    off = off - design @ np.linalg.lstsq(design, off, rcond=None)[0]
    assert np.sqrt((off**2).mean()) < tol.TRAVEL_PX and np.abs(wanted).max() > 0.45
    left, before = (np.sqrt((residuals_of(got.placements, ties) ** 2).sum(1).mean()) for got in (found, rigid))
    assert left < 1.3 * np.sqrt(2) * 0.03 < 0.25 * before
    assert found.beds[0].observed[3] > 0.5


def test_few_ties_leave_the_bed_alone() -> None:
    places = _places([0, 90], _true_bed(axis=0.003), cols=2)
    found = _solved(places, _ties(places, np.random.default_rng(5), count=30))
    assert dict(found.beds) == {} and all(place.warp is None for place in found.placements)


def test_two_beds_are_kept_apart() -> None:
    """Pieces of another bed have its faults, not these."""
    rng = np.random.default_rng(6)
    places = [
        replace(place, warp=_true_bed(axis=0.003 if k % 2 else -0.002))
        for k, place in enumerate(_places([0, 0, 90, 90, 0, 0], _true_bed()))
    ]
    ties = _ties(places, rng)
    frame = Frame(np.ones(6), np.array([0, 1, 0, 1, 0, 1]), {0: SHAPE, 1: SHAPE}, 0)
    settings = replace(AlignmentSettings(), scale_sigma=1e-3)
    found = adjust_bundle([replace(p, warp=None) for p in places], ties, frame, settings, SETTINGS)
    assert abs(found.beds[1].axis_ratio - 1.003) < 3 * tol.AXIS_RATIO
    assert abs(found.beds[0].axis_ratio - 0.998) < 3 * tol.AXIS_RATIO
