"""I check that what is doubtful about measured places is said, with the pieces' names, and nothing else is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stitchbed.imaging.transforms import moved, similarity_matrix
from stitchbed.mosaic.registration.bundle_adjustment import Alignment, adjust_bundle
from stitchbed.mosaic.registration.doubts import (
    Given,
    beyond_prior,
    doubts,
    solve_as_fine_as_shown,
    solve_within_reason,
)
from stitchbed.mosaic.registration.holding import HoldSettings
from stitchbed.mosaic.registration.placement import Placement, from_sheet, to_sheet
from stitchbed.mosaic.registration.residual_warp import FoldSettings
from stitchbed.mosaic.registration.scanner_bed import BedSettings, BedShape
from stitchbed.mosaic.registration.tie_points import Ties, gathered
from stitchbed.mosaic.registration.uncertainty import UncertaintySettings, uncertainty
from stitchbed.mosaic.registration.unknowns import AlignmentSettings, Frame, turn_and_stretch

SIZE = (400, 400)
SCALE = np.full(2, 6.0)  # px per mm
SETTINGS = (HoldSettings(), FoldSettings())


def _solved(turn: float, linear: np.ndarray, **changes: object) -> tuple[Alignment, Ties]:
    """Two pieces, the second turned (deg) and its pixels mapped by `linear` first."""
    a = np.deg2rad(turn)
    over = similarity_matrix(np.array([np.cos(a), np.sin(a), 0, 0]))
    over[:2, 2] = np.array([399.5, 199.5]) - over[:2, :2] @ (199.5, 199.5)
    true = over.copy()
    true[:2, :2] = over[:2, :2] @ linear
    places = [Placement("left.tif", SIZE, np.eye(3)), Placement("right.tif", SIZE, over)]
    pair = [places[0], Placement("right.tif", SIZE, true)]
    rng = np.random.default_rng(1)
    xy = rng.uniform([220, 10], [390, 390], (300, 2))
    there = from_sheet(pair[1], to_sheet(pair[0], xy)) + rng.normal(0, 0.03, (300, 2))
    ties = gathered([(0, 1, p, q, np.eye(2) / 0.03**2, 0.9) for p, q in zip(xy, there, strict=True)])
    frame = Frame(np.ones(2), np.zeros(2, np.intp), {0: BedShape(SIZE, 6.0)}, 0)
    return adjust_bundle(places, ties, frame, replace(AlignmentSettings(), **changes), BedSettings()), ties


def _words(
    found: Alignment,
    ties: Ties,
    *,
    loose: tuple[int, ...] = (),
    off_mm: tuple[float, float] = (0.01, 0.02),
    rival_mm: tuple[float, ...] = (),
    flat: int = 300,
    folded: int = 0,
) -> list[str]:
    rows, off = np.arange(300), np.array(off_mm)
    return doubts(
        found,
        ties,
        SCALE,
        loose=loose,
        off_mm=off,
        rival_mm=np.array(rival_mm),
        flat=rows < flat,
        folded=rows < folded,
        settings=SETTINGS,
    )


def test_a_sound_pair_raises_no_doubt() -> None:
    found, ties = _solved(0.5, np.eye(2))
    assert _words(found, ties) == [] and not beyond_prior(found, BedSettings())


def test_what_hangs_by_little_is_named() -> None:
    found, ties = _solved(0.5, np.eye(2))
    (by_links,) = _words(found, ties, loose=(1,))
    assert "right.tif" in by_links and "left.tif" not in by_links and "links only" in by_links
    (by_edges,) = _words(found, ties, flat=5)
    assert "left.tif, right.tif" in by_edges and "edges that lift" in by_edges


def test_the_figure_told_of_a_piece_is_how_far_off_it_may_be_and_never_less_than_links_allow() -> None:
    found, ties = _solved(0.5, np.eye(2))
    (little,) = _words(found, ties, loose=(1,))
    (much,) = _words(found, ties, loose=(1,), off_mm=(0.01, 12.31))
    assert "off by 1 mm" in little and "off by 13 mm" in much
    (edges,) = _words(found, ties, flat=5, off_mm=(0.01, 0.512))
    assert "about 0.52 mm" in edges
    (along,) = _words(found, ties, off_mm=(0.01, 4.2))
    assert "right.tif" in along and "left.tif" not in along and "off by 4.2 mm" in along


def test_a_fold_is_named_with_its_place() -> None:
    found, ties = _solved(0.0, np.eye(2))
    (words,) = _words(found, ties, folded=60)
    x, y = np.median(ties.xy_a[:60], axis=0) / 6
    assert f"left.tif (near {x:.0f} mm from its left, {y:.0f} mm from its top)" in words and "right.tif" in words


def test_a_stretch_no_paper_makes_is_doubted() -> None:
    found, ties = _solved(0.5, np.eye(2))
    left, right = found.placements
    for share, said in ((0.003, False), (0.006, True)):
        longer = right.sheet_from_tile @ np.diag([1 + share, 1, 1])
        strange = replace(found, placements=(left, replace(right, sheet_from_tile=longer)))
        words = [line for line in _words(strange, ties) if "more than paper does" in line]
        assert bool(words) == said and all("right.tif (0.6 %)" in line and "left" not in line for line in words)


def test_axes_no_scanner_has_are_doubted_and_held() -> None:
    found, ties = _solved(90.0, np.eye(2))
    bed = found.beds[0]
    assert not beyond_prior(found, BedSettings()) and _words(found, ties) == []
    for strange in (replace(bed, axis_ratio=1.02), replace(bed, shear_rad=-0.01)):
        assert beyond_prior(replace(found, beds={0: strange}), BedSettings())
    held, ties = _solved(90.0, np.eye(2), solve_axes=False)
    assert abs(held.beds[0].axis_ratio - 1) < 1e-5
    assert any("by any axes a scanner has" in line for line in _words(held, ties))


STEP, TALL = 0.37, (1102, 787)  # px by which a worn gear puts the head off, one way and the other; px of a scan


def _on_worn_bed(*, longer: float = 0.0) -> tuple[list[Placement], Ties]:
    """An upper piece, its paper longer down the sheet by a share, a lower one and that scanned once more."""
    rng, middle, pieces = np.random.default_rng(1), np.array([[393.0, 550.5]]), []
    for name, turn, down in (("upper.tif", 0.0, 0.0), ("lower.tif", 0.5, 820.0), ("again.tif", -0.8, 824.0)):
        a = np.deg2rad(turn)
        place = similarity_matrix(np.array([np.cos(a), np.sin(a), 0, 0]))
        place[:2, 2] = middle[0] + (0, down) - moved(place, middle)[0]
        pieces.append(Placement(name, TALL, place))
    stretched = replace(pieces[0], sheet_from_tile=pieces[0].sheet_from_tile @ np.diag([1, 1 - longer, 1]))
    true, rows = [stretched, *pieces[1:]], []
    for a, b in ((0, 1), (0, 2), (1, 2)):
        xy = rng.uniform((10, 830 if a == 0 else 10), (775, 1090), (150, 2))
        there = _shown_by(from_sheet(true[b], to_sheet(true[a], xy + _put_off(xy))))
        seen = ((there > 5) & (there < (780, 1095))).all(1)
        noisy = there + rng.normal(0, 0.05, there.shape)
        rows += [(a, b, p, q, np.eye(2) / 0.05**2, 0.9) for p, q in zip(xy[seen], noisy[seen], strict=True)]
    return pieces, gathered(rows)


def _put_off(xy: np.ndarray) -> np.ndarray:
    return np.column_stack([np.zeros(len(xy)), STEP * (np.floor(xy[:, 1] / 309 + 0.6) % 2 * 2 - 1)])


def _shown_by(looked_at: np.ndarray) -> np.ndarray:
    """Places (px) of a scan whose rows look at `looked_at`."""
    early = looked_at - (0, STEP)
    return np.where((_put_off(early)[:, 1] > 0)[:, None], early, looked_at + (0, STEP))


def test_steps_of_the_head_are_not_taken_for_paper_that_stretched() -> None:
    """Two steps within one overlap look like a stretch of .5 %; the overlap is no worse without it. A stretch that the
    steps cannot stand for is left, and told where it is more than paper does."""
    frame = Frame(np.ones(3), np.zeros(3, np.intp), {0: BedShape(TALL, 3.937)}, 0)
    for longer, least, most in ((0.0, 0.0, 5e-4), (0.012, 0.01, 0.02)):
        places, ties = _on_worn_bed(longer=longer)
        found = solve_within_reason(Given(places, ties, frame, AlignmentSettings(), BedSettings()))
        stretch = 2 * np.hypot(*turn_and_stretch(found.placements[0].sheet_from_tile)[2:])
        assert least <= stretch < most


def _column(longer: tuple[float, ...]) -> tuple[list[Placement], Ties, Frame]:
    """Pieces one below the other, each longer down the sheet by such a share."""
    rng, rows, places, true = np.random.default_rng(4), [], [], []
    for i, share in enumerate(longer):
        place = similarity_matrix(np.array([1.0, 0.0, 0.0, 300.0 * i]))
        places.append(Placement(f"{i}.tif", SIZE, place))
        at_middle = np.array([[1, 0, 0], [0, 1 + share, -share * 200], [0, 0, 1]])
        true.append(replace(places[-1], sheet_from_tile=place @ at_middle))
    for i in range(len(longer) - 1):
        xy = rng.uniform([5, 310], [395, 390], (120, 2))
        there = from_sheet(true[i + 1], to_sheet(true[i], xy)) + rng.normal(0, 0.03, (120, 2))
        rows += [(i, i + 1, p, q, np.eye(2) / 0.03**2, 0.9) for p, q in zip(xy, there, strict=True)]
    return places, gathered(rows), Frame(np.ones(len(longer)), np.full(len(longer), -1), {}, 0)


def test_one_stretched_piece_is_not_shared_out_among_its_neighbors() -> None:
    places, ties, frame = _column((0.0, 0.008, 0.0))
    found = solve_within_reason(Given(places, ties, frame, AlignmentSettings(), BedSettings()))
    ends = [2 * turn_and_stretch(place.sheet_from_tile)[2] for place in found.placements]
    assert abs(ends[1] + 0.008) < 0.002 and max(abs(ends[0]), abs(ends[2])) < 0.001
    assert found.rivals == ()


def test_where_either_of_two_may_be_the_stretched_one_the_error_told_covers_both() -> None:
    places, ties, frame = _column((0.0, 0.008))
    found = solve_within_reason(Given(places, ties, frame, AlignmentSettings(), BedSettings()))
    assert len(found.rivals) == 1
    settings = (BedSettings(), UncertaintySettings(draws=64))
    told, alone = (
        uncertainty(one, ties, frame, 6.0, settings=settings, folded=np.zeros(len(ties.a), bool)).error_px
        for one in (found, replace(found, rivals=()))
    )
    every = np.ones(len(ties.a), bool)
    (words,) = doubts(
        found,
        ties,
        SCALE,
        loose=(),
        off_mm=np.zeros(2),
        rival_mm=np.ones(1),
        flat=every,
        folded=~every,
        settings=SETTINGS,
    )
    assert "(0.8 %), or " in words and "instead" in words and "0.tif" in words and "1.tif" in words
    assert told > alone + 0.5  # px: 3 px of its length belong to the one piece or to the other


def test_a_row_that_stretched_alike_is_a_rival_of_a_bed_that_bows() -> None:
    """Two pieces below two others, longer than they by .4 % down the sheet: the bed's own bow shows the same, so what
    is told covers either. Where nothing stretched no rival is made up."""
    for longer in (0.0, 0.004):
        places, ties, frame = _two_rows(longer)
        found, bed = solve_as_fine_as_shown(Given(places, ties, frame, AlignmentSettings(), BedSettings()))
        ends = [[2 * turn_and_stretch(place.sheet_from_tile)[2] for place in one] for one in found.rivals]
        assert (len(ends) >= 2) == bool(ends) == (longer > 0)
        assert found.uneven == (longer > 0)
        if not longer:
            continue
        assert max(abs(share) for share in ends[0][2:] + ends[1][:2]) < 1e-3
        assert min(abs(share) for share in ends[0][:2] + ends[1][2:]) > 2e-3
        whole = [
            uncertainty(
                one,
                ties,
                frame,
                TALL_SCALE,
                settings=(bed, UncertaintySettings(draws=64)),
                folded=np.zeros(len(ties.a), bool),
            )
            for one in (found, replace(found, rivals=()))
        ]
        assert whole[0].error_px > whole[1].error_px + 0.5
        assert whole[1].rival_px == () and min(whole[0].rival_px[:2]) > 0.5


def test_rows_that_may_have_stretched_are_named_where_a_person_would_see_it() -> None:
    """With how far off places may be for it and what shows which it is; the least that is told lies above what good
    sets leave open."""
    found, ties = _solved(0.5, np.eye(2))
    left, right = found.placements
    longer = replace(right, sheet_from_tile=right.sheet_from_tile @ np.diag([1.004, 1, 1]))
    either = replace(found, rivals=((left, longer),), uneven=True)
    (words,) = _words(either, ties, rival_mm=(0.512,))
    assert "the paper of right.tif (0.4 %) may have stretched" in words and "left.tif" not in words
    assert "off by 0.51 mm" in words and "turned by a quarter" in words
    assert _words(either, ties, rival_mm=(0.2,)) == []
    assert _words(replace(either, uneven=False), ties, rival_mm=(0.512,)) == []


def test_any_pieces_that_stretched_are_a_rival_of_a_bed_that_bows() -> None:
    """Two of one column and one of the other are wider by .6 %: a bow, one wider and one narrower show the same."""
    size, true = (700, 900), np.array([0.006, 0.006, 0.0, 0.0, 0.006, 0.0])
    rng, rows, places, wider = np.random.default_rng(7), [], [], []
    for i, share in enumerate(true):
        place = similarity_matrix(np.array([1.0, 0.0, 700.0 * (i % 2), 560.0 * (i // 2)]))
        at_middle = np.array([[1 + share, 0, -share * 450], [0, 1, 0], [0, 0, 1]])
        places.append(Placement(f"{i}.tif", size, place))
        wider.append(replace(places[-1], sheet_from_tile=place @ at_middle))
    for a, b in ((0, 1), (2, 3), (4, 5), (0, 2), (1, 3), (2, 4), (3, 5)):
        xy = rng.uniform((5, 5), (895, 695), (700, 2))
        there = from_sheet(wider[b], to_sheet(wider[a], xy))
        seen = ((there > 5) & (there < (895, 695))).all(1)
        noisy = there + rng.normal(0, 0.06, there.shape)
        rows += [(a, b, p, q, np.eye(2) / 0.06**2, 0.9) for p, q in zip(xy[seen], noisy[seen], strict=True)]
    frame = Frame(np.ones(6), np.zeros(6, np.intp), {0: BedShape(size, TALL_SCALE)}, 0)
    found, _ = solve_as_fine_as_shown(Given(places, gathered(rows), frame, AlignmentSettings(), BedSettings()))
    shares = np.array([[2 * turn_and_stretch(place.sheet_from_tile)[2] for place in one] for one in found.rivals])
    assert np.abs(shares - true).max(axis=1).min() < 1e-3
    assert np.abs(shares + 0.006 - true).max(axis=1).min() < 1e-3


def test_where_several_stretched_it_may_be_all_others_that_did() -> None:
    """Three pieces of seven in a column were scanned on another day; that these lie true fits as well."""
    places, ties, frame = _column((0.0, 0.005, 0.0, 0.005, 0.005, 0.0, 0.0))
    frame = replace(frame, group=np.zeros(7, np.intp), shapes={0: BedShape(SIZE, 6.0)})
    found, _ = solve_as_fine_as_shown(Given(places, ties, frame, AlignmentSettings(), BedSettings()))
    ends = [
        np.abs([2 * turn_and_stretch(p.sheet_from_tile)[2] for p in one])
        for one in (found.placements, found.rivals[-1])
    ]
    assert found.uneven and all(ends[0][[1, 3, 4]] > 0.004) and all(ends[0][[0, 2, 5, 6]] < 0.001)
    assert all(ends[1][[1, 3, 4]] < 0.001) and all(ends[1][[0, 2, 5, 6]] > 0.004)


TALL_SCALE = 3.937  # px per mm


def _two_rows(longer: float) -> tuple[list[Placement], Ties, Frame]:
    """Two pieces side by side and two below them, which are longer down the sheet by such a share."""
    rng, rows, places, true, size = np.random.default_rng(7), [], [], [], (900, 700)
    for i, (x, y) in enumerate(((0.0, 0.0), (560.0, 0.0), (0.0, 700.0), (560.0, 700.0))):
        place = similarity_matrix(np.array([1.0, 0.0, x, y]))
        share = longer if y else 0.0
        places.append(Placement(f"{i}.tif", size, place))
        at_middle = np.array([[1, 0, 0], [0, 1 + share, -share * 450], [0, 0, 1]])
        true.append(replace(places[-1], sheet_from_tile=place @ at_middle))
    for a, b in ((0, 1), (2, 3), (0, 2), (1, 3)):
        xy = rng.uniform((5, 5), (695, 895), (900, 2))
        there = from_sheet(true[b], to_sheet(true[a], xy))
        seen = ((there > 5) & (there < (695, 895))).all(1)
        noisy = there + rng.normal(0, 0.06, there.shape)
        rows += [(a, b, p, q, np.eye(2) / 0.06**2, 0.9) for p, q in zip(xy[seen], noisy[seen], strict=True)]
    return places, gathered(rows), Frame(np.ones(4), np.zeros(4, np.intp), {0: BedShape(size, TALL_SCALE)}, 0)


def test_a_head_that_waves_is_not_told_as_paper_that_stretched() -> None:
    """A wave of .13 mm and 70 mm length looks like a row that stretched by 1 % where two rows meet in a strip; what is
    told of the error covers either."""
    places, ties, frame = _scanned_in_waves()
    found, _ = solve_as_fine_as_shown(Given(places, ties, frame, AlignmentSettings(), BedSettings()))
    assert found.rivals and not found.uneven


def _scanned_in_waves() -> tuple[list[Placement], Ties, Frame]:
    """Two pieces above two others, by a head that goes to and fro evenly."""
    rng, rows = np.random.default_rng(4), []
    corners = [(700.0 * (i % 2), (TALL[0] - 130.0) * (i // 2)) for i in range(4)]
    places = [Placement(f"{i}.tif", TALL, similarity_matrix(np.array([1.0, 0.0, *xy]))) for i, xy in enumerate(corners)]

    def scanned(sheet: np.ndarray, corner: tuple[float, float]) -> np.ndarray:
        own = sheet - corner
        v = own[:, 1]
        for _ in range(20):
            v = own[:, 1] - np.arcsin(np.sin(2 * np.pi * v / 280 + 2)) / np.pi
        return np.column_stack([own[:, 0], v])

    for a, b in ((0, 1), (2, 3), (0, 2), (1, 3)):
        span = (75, 1090) if b - a == 1 else (775, 120)
        sheet = rng.uniform(5, np.add(5, span), (90, 2)) + corners[b]
        there = scanned(sheet, corners[b]) + rng.normal(0, 0.04, sheet.shape)
        rows += [(a, b, p, q, np.eye(2) / 0.04**2, 0.9) for p, q in zip(scanned(sheet, corners[a]), there, strict=True)]
    return places, gathered(rows), Frame(np.ones(4), np.zeros(4, np.intp), {0: BedShape(TALL, TALL_SCALE)}, 0)
