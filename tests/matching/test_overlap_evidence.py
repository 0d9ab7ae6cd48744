"""I check that true overlaps are believed, and that false ones, forms and other sheets are not."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
import truth
from numpy.testing import assert_allclose

from stitchbed.imaging.gray import gray_of
from stitchbed.imaging.transforms import moved
from stitchbed.matching.laid_over import without_cells
from stitchbed.matching.overlap_evidence import (
    Detail,
    Evidence,
    EvidenceSettings,
    aligned,
    compare,
    detail_of,
    drawn_in,
    probability,
)

SETTINGS = EvidenceSettings()
DPI = 150.0
SHAPE = (300, 360)


def _detail(pixels: np.ndarray) -> Detail:
    return detail_of(gray_of(pixels), 1, DPI / 25.4, SETTINGS)


def _pair(seed: int, *, other: int | None = None, faults: truth.Faults = truth.REAL) -> tuple[list[Detail], np.ndarray]:
    """Two overlapping pieces of one sheet, or of two sheets; and the motion from the first to the second."""
    poses = [truth.pose(200, 170, 0.6, shape=SHAPE), truth.pose(430, 180, 180.4, shape=SHAPE)]
    sheets = [truth.paint_sheet(360, 640, number) for number in (seed, seed if other is None else other)]
    tiles = [
        truth.cut_tiles(sheet, poses, shape=SHAPE, faults=faults, seed=seed)[k].pixels for k, sheet in enumerate(sheets)
    ]
    return [_detail(pixels) for pixels in tiles], np.linalg.inv(poses[1]) @ poses[0]


@pytest.mark.parametrize("seed", range(4))
def test_a_true_overlap_is_believed_and_another_sheet_is_not(seed: int) -> None:
    (one, two), motion = _pair(seed)
    seen = compare(motion, (one, two), SETTINGS)
    assert seen.score > 0.8 and seen.bare < 0.05 and probability(seen, SETTINGS) > 0.95
    (one, two), motion = _pair(seed, other=seed + 50)
    seen = compare(motion, (one, two), SETTINGS)
    assert seen.score < 0.5 and probability(seen, SETTINGS) < 0.01


@pytest.mark.parametrize("broken", [0, 1])
def test_what_a_scan_that_broke_off_did_not_see_speaks_against_nothing(broken: int) -> None:
    """Half of a piece is dead black from one side on: the other half is as alike as before."""
    poses = [truth.pose(200, 170, 0.6, shape=SHAPE), truth.pose(430, 180, 180.4, shape=SHAPE)]
    tiles = [one.pixels.copy() for one in truth.cut_tiles(truth.paint_sheet(360, 640, 2), poses, shape=SHAPE, seed=2)]
    whole = compare(np.linalg.inv(poses[1]) @ poses[0], (_detail(tiles[0]), _detail(tiles[1])), SETTINGS)
    tiles[broken][150:] = 0
    seen = compare(np.linalg.inv(poses[1]) @ poses[0], (_detail(tiles[0]), _detail(tiles[1])), SETTINGS)
    assert 0.3 < seen.amount / whole.amount < 0.7
    assert seen.score > 0.8 and seen.bare < 0.05 and probability(seen, SETTINGS) > 0.95


def test_cells_are_where_they_say_and_as_alike_as_numpy_says() -> None:
    """Against numpy.corrcoef on the same pixels, for pieces cut from one picture with a whole-pixel shift."""
    rng = np.random.default_rng(3)
    sheet = cv2.GaussianBlur(rng.uniform(0, 255, (220, 300)).astype(np.float32), (0, 0), 2) * 3 % 255
    noisy = np.clip(sheet[20:200, 60:280] + rng.normal(0, 25, (180, 220)), 0, 255).astype(np.float32)
    one, two = (detail_of(part, 1, 4.0, SETTINGS) for part in (sheet[:200, :240].copy(), noisy))
    motion = np.array([[1, 0, -60], [0, 1, -20], [0, 0, 1.0]])
    still = replace(SETTINGS, reach_mm=0.25, speck_mm=0.0, ground_mm=1e3)  # no dust is taken out, nothing leveled
    seen = compare(motion, (one, two), still)
    assert one.strokes.step == 1 and seen.middle.shape[1] == 2 and (seen.shift == 0).all()
    inside = ((seen.middle > (88, 48)) & (seen.middle < (212, 172))).all(1)  # of the rims, 10 px at either piece
    assert inside.sum() >= 6
    for middle, likeness in zip(seen.middle[inside], seen.likeness[inside], strict=True):
        col, row = np.rint(middle - 15.5).astype(int)
        a = one.plain.pixels[row : row + 32, col : col + 32].ravel()
        b = two.plain.pixels[row - 20 : row + 12, col - 60 : col - 28].ravel()
        assert_allclose(likeness, np.corrcoef(a, b)[0, 1], atol=1e-6)


def test_a_motion_some_millimeters_off_is_drawn_to_its_place() -> None:
    (one, two), motion = _pair(7)
    off = motion.copy()
    off[:2, 2] += (7.0, -6.0)  # px; 1.2 and 1.0 mm
    found, seen = aligned(off, (one, two), SETTINGS)
    assert np.hypot(*(moved(found, seen.middle) - moved(motion, seen.middle)).T).max() < 3
    assert seen.score > compare(off, (one, two), SETTINGS).score + 0.1
    assert_allclose(np.hypot(*found[:2, 0]), np.hypot(*motion[:2, 0]), rtol=1e-9)  # the scale is held


def _bold() -> tuple[Detail, Detail, np.ndarray]:
    """Two pieces of a sheet of large black shapes, and the motion from the first to the second."""
    sheet = np.full((400, 700), 235.0, np.float32)
    cv2.rectangle(sheet, (60, 40), (330, 200), 40.0, -1)
    cv2.ellipse(sheet, (470, 230), (190, 120), 20, 0, 360, 40.0, 34, cv2.LINE_AA)
    noisy = sheet + np.random.default_rng(4).normal(0, 2, sheet.shape)
    one, two = (detail_of(np.ascontiguousarray(part, np.float32), 1, DPI / 25.4, SETTINGS)
                for part in (noisy[:, :400], noisy[:, 280:]))  # fmt: skip
    return one, two, np.array([[1, 0, -280.0], [0, 1, 0], [0, 0, 1]])


def test_black_shapes_beyond_the_rim_of_one_piece_change_nothing_of_what_both_show() -> None:
    one, two, motion = _bold()
    seen = compare(motion, (one, two), SETTINGS)
    assert seen.tone_amount > 1 and seen.tone > 0.9 and seen.score > 0.9 and seen.bare < 0.02


def test_broad_strokes_come_to_their_place_from_farther_off() -> None:
    one, two, motion = _bold()
    turn = np.deg2rad(1.5)
    off = np.array([[np.cos(turn), -np.sin(turn), 26], [np.sin(turn), np.cos(turn), -24], [0, 0, 1.0]]) @ motion
    found, seen = aligned(off, (one, two), SETTINGS, rough=True)
    assert np.hypot(*(moved(found, seen.middle) - moved(motion, seen.middle)).T).max() < 0.5 * DPI / 25.4
    assert seen.score > aligned(off, (one, two), SETTINGS)[1].score + 0.1


def test_a_piece_of_bare_paper_and_dust_has_nothing_drawn() -> None:
    paper = np.full((400, 400), 235.0, np.float32) + np.random.default_rng(5).normal(0, 2, (400, 400))
    for x, y in ((60, 80), (200, 300), (330, 120)):
        cv2.circle(paper, (x, y), 1, 60.0, -1)
    bare = detail_of(paper.astype(np.float32), 1, DPI / 25.4, SETTINGS)
    assert drawn_in(bare, SETTINGS) == 0
    assert drawn_in(_bold()[0], SETTINGS) > 5


def _form(seed: int) -> np.ndarray:
    """A printed form, the same for all, with strokes of its own."""
    sheet = np.full((400, 500), 225, np.uint8)
    for y in range(20, 400, 60):
        cv2.line(sheet, (10, y), (490, y), 90, 2, cv2.LINE_AA)
    for x in (10, 130, 300, 490):
        cv2.line(sheet, (x, 20), (x, 380), 90, 2, cv2.LINE_AA)
    rng = np.random.default_rng(seed)
    for _ in range(25):
        points = (rng.uniform(0, 1, 2) * (500, 400) + np.cumsum(rng.normal(0, 14, (7, 2)), 0)).astype(np.int32)
        cv2.polylines(sheet, [points], False, 40, 2, cv2.LINE_AA)
    return sheet[..., None]


def test_two_pages_on_one_printed_form_are_told_apart() -> None:
    mine, again, other = _detail(_form(1)), _detail(_form(1)), _detail(_form(2))
    assert probability(compare(np.eye(3), (mine, again), SETTINGS), SETTINGS) > 0.99
    seen = compare(np.eye(3), (mine, other), SETTINGS)
    assert seen.bare > 0.15 and probability(seen, SETTINGS) < 0.1


def test_a_refrain_fits_but_where_it_differs() -> None:
    """Of 30 cells all alike, or five another drawing: a true overlap, and lines of writing laid on their refrain."""

    def seen(odd: int) -> Evidence:
        likeness = np.r_[np.full(30 - odd, 0.96), np.full(odd, 0.52)]
        return Evidence(np.zeros((30, 2)), likeness, np.full(30, 0.8), np.zeros((30, 2)), 0.02)

    assert seen(0).odd == 0 and seen(5).odd == pytest.approx(5 / 30)
    chances = [probability(seen(odd), SETTINGS) for odd in (0, 1, 5)]
    assert chances[0] > 0.99 and chances[1] > 0.98 and chances[2] < 0.4
    unsure = Evidence(np.zeros((4, 2)), np.array([0.7, 0.7, 0.7, 0.2]), np.ones(4), np.zeros((4, 2)), 0.0)
    assert unsure.odd == 0  # where hardly anything is plainly alike, nothing is odd


def test_bare_paper_says_nothing() -> None:
    paper = np.random.default_rng(1).normal(220, 2, (300, 300, 1)).astype(np.uint8)
    seen = compare(np.eye(3), (_detail(paper), _detail(paper[::-1].copy())), SETTINGS)
    assert seen.amount < 1.5 and probability(seen, SETTINGS) < 0.1
    nothing = compare(np.array([[1, 0, 900], [0, 1, 0], [0, 0, 1.0]]), (_detail(paper), _detail(paper)), SETTINGS)
    assert nothing.amount == 0 and nothing.score == 0


def test_more_drawing_makes_surer() -> None:
    def seen(cells: int) -> Evidence:
        return Evidence(np.zeros((cells, 2)), np.full(cells, 0.8), np.full(cells, 0.7), np.zeros((cells, 2)), 0.0)

    chances = [probability(seen(cells), SETTINGS) for cells in (1, 3, 30)]
    assert chances == sorted(chances) and chances[0] < 0.9 < chances[2]


def test_dust_is_no_evidence_against_a_faint_drawing() -> None:
    """One faint line in both pieces, and forty grains in each, nowhere the same: as sure as without the grains."""
    clean = np.full((400, 500), 220, np.uint8)
    cv2.polylines(clean, [np.array([[20, 60], [180, 150], [240, 330], [480, 350]])], False, 180, 3, cv2.LINE_AA)
    rng, seen = np.random.default_rng(4), []
    for grains in (0, 40):
        pair = [clean.copy(), clean.copy()]
        for piece in pair:
            for x, y in rng.integers((20, 20), (480, 380), (grains, 2)):
                cv2.circle(piece, (int(x), int(y)), 2, 90, -1, cv2.LINE_AA)
        seen.append(compare(np.eye(3), (_detail(pair[0][..., None]), _detail(pair[1][..., None])), SETTINGS))
    assert seen[1].bare < 0.05 and seen[1].score > seen[0].score - 0.15
    assert probability(seen[1], SETTINGS) > 0.9


def test_a_dead_cell_of_the_sensor_is_no_drawing_of_one_piece_only() -> None:
    """Two letters on bare paper, that both pieces show; a line from top to bottom that one of them shows."""
    rng = np.random.default_rng(5)
    sheet = np.full((480, 360), 225.0)
    for row, col in ((60, 200), (400, 240)):
        sheet[row : row + 40, col : col + 6] = sheet[row : row + 6, col : col + 30] = 40
    one, two = (np.asarray(sheet + rng.normal(0, 1.5, sheet.shape), np.float32) for _ in range(2))
    lined = two.copy()
    lined[:, 90] = 0
    details = [detail_of(part, 1, 4.0, SETTINGS) for part in (one, two, lined)]
    clean, told = (probability(compare(np.eye(3), (details[0], other), SETTINGS), SETTINGS) for other in details[1:])
    assert clean > 0.9 and told == pytest.approx(clean, abs=0.02)
    short = two.copy()
    short[:300, 90] = 0  # drawn: it ends on the sheet
    assert probability(compare(np.eye(3), (details[0], detail_of(short, 1, 4.0, SETTINGS)), SETTINGS), SETTINGS) < 0.5


def test_a_drawn_line_that_moves_by_part_of_a_pixel_along_a_piece_is_no_dead_cell() -> None:
    """A ruled line through both pieces: upright but for a third of a px in one, a degree askew in the other."""
    rng = np.random.default_rng(6)
    pair = []
    for moves in (0.3, 8.0):
        line = 90 + moves * np.arange(480)[:, None] / 480
        ink = np.clip(1.1 - np.abs(np.arange(360)[None] - line), 0, 1)
        pair.append(np.asarray(225 - 180 * ink + rng.normal(0, 1.5, ink.shape), np.float32))
    assert (without_cells(pair[0]) == pair[0]).all()
    lined = pair[0].copy()
    lined[:, 200] = 0
    assert without_cells(lined)[:, 200].min() > 200 and (without_cells(lined)[:, 90] == lined[:, 90]).all()
