"""I check what changed between scans: crumbs go, moved things come whole from one piece, noise is nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import truth

from stitchbed.imaging.transfer import curve_term, srgb_decode, srgb_encode
from stitchbed.mosaic.compositing.disagreement import ChangeSettings, Disagreements, find_changes, shown_whole
from stitchbed.mosaic.compositing.seams import SeamMap, grid_of
from stitchbed.mosaic.compositing.told_changes import change_words, changed_places, step_words
from stitchbed.mosaic.photometry.gain_compensation import no_gain
from stitchbed.mosaic.photometry.lift import no_lift
from stitchbed.mosaic.photometry.overlap_samples import small_of
from stitchbed.mosaic.registration.canvas import Canvas, make_canvas, on_canvas
from stitchbed.mosaic.registration.placement import Placement

SIZE = (400, 500)  # px, 4 to the mm
DPI = 25.4 * 4
STEP = 300  # px between pieces: 50 mm of overlap


class Sheet:
    """Three pieces in a row of one drawn sheet; each can be changed before it is looked at."""

    def __init__(self, seed: int, count: int = 3, step: int = STEP) -> None:
        self.step = step
        self.light = truth.paint_sheet(SIZE[0], SIZE[1] + (count - 1) * step, seed)
        self.pieces = [self.light[:, k * step : k * step + SIZE[1]].copy() for k in range(count)]
        self.gray: set[int] = set()
        self.gain = dict.fromkeys(range(count), 1.0)
        self.exponent = dict.fromkeys(range(count), 1.0)  # that a program put on encoded values

    def block(self, piece: int, x: int, y: int, size: tuple[int, int], light: float) -> None:
        """An even block, (width, height) px, at sheet (x, y) px in one piece; what lies outside of it is not drawn."""
        left = x - piece * self.step
        self.pieces[piece][y : y + size[1], max(left, 0) : max(left + size[0], 0)] = light

    def looked(self) -> tuple[list[Placement], Canvas, Disagreements]:
        """What is found."""
        rng = np.random.default_rng(1)
        places = [
            Placement(f"p{k}", SIZE, np.array([[1.0, 0, k * self.step], [0, 1.0, 0], [0, 0, 1]]))
            for k in range(len(self.pieces))
        ]
        canvas = make_canvas(places, DPI, most_pixels=1e9)
        places = [on_canvas(place, canvas) for place in places]
        noisy = [np.clip(p + rng.normal(0, 0.006, p.shape), 0, 1).astype(np.float32) for p in self.pieces]
        seen = [srgb_decode(srgb_encode(p) ** self.exponent[k]).astype(np.float32) for k, p in enumerate(noisy)]
        smalls = [small_of(p, p * curve_term(p).astype(np.float32), 1, 4.0) for p in seen]
        smalls = [replace(small, gray=k in self.gray) for k, small in enumerate(smalls)]
        levels = [
            replace(no_gain(p.tile, 3), gain=np.full(3, self.gain[k]), curve=np.full(3, 1 / self.exponent[k]))
            for k, p in enumerate(places)
        ]
        lifts = [no_lift(p.tile, SIZE) for p in places]
        found = find_changes(places, smalls, levels, lifts, canvas, cell_mm=1.0, settings=ChangeSettings())
        return places, canvas, found

    def owners(self, first: int) -> tuple[np.ndarray, Disagreements]:
        """Who owns each cell when all belonged to piece `first` before."""
        places, canvas, found = self.looked()
        cell, shape = grid_of(canvas, 1.0)
        return shown_whole(SeamMap(np.full(shape, first, np.uint16), cell), found, places, canvas).labels, found


@pytest.mark.parametrize("seed", range(4))
def test_nothing_changed_nothing_found(seed: int) -> None:
    _, canvas, found = Sheet(seed).looked()
    assert found.changes == () and change_words(changed_places(found, [], canvas), canvas) == []


@pytest.mark.parametrize("pitch", [4.7, 5.2])
def test_hatching_that_both_cut_into_cells_otherwise_is_no_change(pitch: float) -> None:
    """White lines 1.2 or 1.3 mm apart, by which cells of a millimeter beat; a slip of paper on them is still found."""
    sheet = Sheet(8, count=2, step=302)
    rows, cols = np.mgrid[: SIZE[0], : SIZE[1] + 302]
    lines = np.where(np.cos(2 * np.pi * (cols + 0.15 * rows) / pitch) > 0.6, 0.9, 0.03)[..., None].repeat(3, axis=2)
    sheet.pieces = [lines[:, k * 302 : k * 302 + SIZE[1]].copy() for k in (0, 1)]
    assert sheet.looked()[2].changes == ()
    sheet.block(1, 380, 150, (40, 40), 0.9)
    assert len(sheet.looked()[2].changes) == 1


@pytest.mark.parametrize("side", [6, 10, 20])
def test_a_crumb_goes_like_dust(side: int) -> None:
    """1.5, 2.5 and 5 mm of dirt that only the first piece shows: the second one is shown there, a third has no say."""
    sheet = Sheet(2)
    sheet.block(0, 400, 120, (side, side), 0.12)
    owners, found = sheet.owners(first=0)
    (change,) = found.changes
    assert (change.a, change.b, change.shown, change.whole) == (0, 1, 1, True)
    middle = (120 + side // 2) // 4, (400 + side // 2) // 4
    assert owners[middle] == 1 and (owners == 1).sum() < 200 + side * side


def test_a_crumb_on_blank_paper_is_called_a_mark() -> None:
    sheet = Sheet(3)
    for piece in sheet.pieces:
        piece[100:180, :] = truth.PAPER
    sheet.block(1, 420, 140, (8, 8), 0.2)
    places, canvas, found = sheet.looked()
    (told,) = changed_places(found, places, canvas)
    assert told.mark and told.shown == "p0" and abs(told.x - 424) < 6 and abs(told.y - 144) < 6
    (words,) = change_words([told], canvas)
    assert words.startswith("1 mark left out as dirt") and "106, 36 mm (p0)" in words


def test_a_thing_that_moved_comes_whole_from_the_piece_that_sees_all_of_it() -> None:
    """A slip of 20 x 15 mm that lies 2 mm farther right in the second piece, near the first one's edge."""
    sheet = Sheet(4, count=2)
    sheet.block(0, 410, 150, (80, 60), 0.35)
    sheet.block(1, 418, 150, (80, 60), 0.35)
    owners, found = sheet.owners(first=0)
    (change,) = found.changes
    assert not change.mark and change.shown == 1
    assert (owners[150 // 4 : 210 // 4, 414 // 4 : 490 // 4] == 1).all()


def test_a_third_piece_tells_which_of_two_is_right() -> None:
    """Four looks at one place: the one alone with its block is not shown, however deep it sees it."""
    sheet = Sheet(5, count=2)
    extra = sheet.pieces[0].copy()
    sheet.block(0, 350, 150, (40, 40), 0.3)
    places, canvas, _ = sheet.looked()
    light = [*sheet.pieces, extra]
    places = [*places, Placement("p2", SIZE, places[0].sheet_from_tile)]
    smalls = [small_of(p.astype(np.float32), np.zeros_like(p), 1, 4.0) for p in light]
    levels, lifts = [no_gain(p.tile, 3) for p in places], [no_lift(p.tile, SIZE) for p in places]
    found = find_changes(places, smalls, levels, lifts, canvas, cell_mm=1.0, settings=ChangeSettings())
    (change,) = found.changes
    assert change.shown in (1, 2) and change.whole


def test_colors_that_a_gray_piece_does_not_show_are_no_change() -> None:
    """A red cloth and a blue one on the sheet, the second piece without color; dirt on the red one is still found."""
    sheet = Sheet(7, count=2)
    for piece, left in ((0, 330), (1, 30)):
        sheet.pieces[piece][40:160, left : left + 60] = (0.6, 0.1, 0.08)
        sheet.pieces[piece][200:320, left + 80 : left + 140] = (0.1, 0.2, 0.6)
    sheet.pieces[1][:] = (sheet.pieces[1] @ [0.3, 0.6, 0.1])[..., None]
    sheet.gray = {1}
    assert sheet.looked()[2].changes == () and sheet.looked()[2].steps == ()
    sheet.block(1, 345, 85, (24, 24), 0.0)
    (change,) = sheet.looked()[2].changes
    assert change.shown == 0


def test_lines_seen_by_another_exposure_curve_are_no_change() -> None:
    """A cell of white and black lines has a mean that no curve of the mean brings together with the other's."""
    sheet = Sheet(5, count=2)
    for k, piece in enumerate(sheet.pieces):
        lines = (np.arange(SIZE[1]) + k * STEP) % 8 < 2
        piece[:] = 0.8
        piece[150:230] = np.where(lines, 0.9, 0.02)[None, :, None]
    sheet.exponent[1] = 1.4
    assert sheet.looked()[2].changes == ()


def test_a_channel_that_one_piece_cuts_off_is_no_change_but_a_slip_of_white_is() -> None:
    """Blue of a blue thing is cut off in one piece; where that piece shows white on drawing, both differ."""
    sheet = Sheet(4, count=2)
    sheet.pieces[0][100:200, 380:460] = (0.05, 0.05, 1.0)  # what is there is a third brighter
    sheet.pieces[1][100:200, 80:160] = (0.05, 0.05, 1.3)
    sheet.pieces[1], sheet.gain[1] = sheet.pieces[1] / 1.4, 1.4
    assert sheet.looked()[2].changes == ()
    sheet.pieces[0][250:300, 360:420] = 1.0
    sheet.pieces[1][250:300, 60:120] = 0.2
    assert len(sheet.looked()[2].changes) == 1


def test_light_that_could_not_be_brought_together_is_told_with_its_place() -> None:
    sheet = Sheet(6, count=2)
    assert step_words(sheet.looked()[2], *sheet.looked()[:2]) == []
    sheet.pieces[1] *= 0.8
    places, canvas, found = sheet.looked()
    (words,) = step_words(found, places, canvas)
    assert "p0 and p1 by 2" in words and "near 100, 50 mm" in words
