"""I check what a second scan says of single marks, on scans a few mm wide whose every pixel is set by hand."""

from __future__ import annotations

from dataclasses import fields

import cv2
import numpy as np
import pytest

from stitchbed.core.arrays import Pixels
from stitchbed.core.errors import BadSettings
from stitchbed.page.clean.other_scan import laid_over
from stitchbed.page.dust.candidates import Scale
from stitchbed.page.dust.finds import ALONE, HOLE, Finds
from stitchbed.page.dust.second_sight import MISSING, PART, SHOWN, UNKNOWN, Second, shown_there
from stitchbed.page.ground import Ground
from stitchbed.page.page import page_of_array
from stitchbed.page.sheet.white import White

DPI = 300.0
SCALE = Scale(DPI / 25.4, 0.5)
SIDE = 120  # px
MARKS = [(row, col) for row in (20, 50, 80) for col in (20, 50, 80)]
INK, HALF, PALE = 0, 188, 230  # codes of sRGB: light 0, .50, .79


def scan(marks: dict[tuple[int, int], int], *, at: tuple[int, int] = (0, 0), side: int = SIDE) -> Pixels:
    """White paper with marks of 4 x 4 px (code by place), all moved by `at`, and a frame that tells blocks apart."""
    paper = np.full((side, side), 255, np.uint8)
    for row, col in ((8, 30), (30, 8), (60, 95), (95, 40), (66, 62)):
        paper[row + at[0] :, col + at[1] :][:3, :14] = 0
    for (row, col), code in marks.items():
        paper[row + at[0] :, col + at[1] :][:4, :4] = code
    return paper


def ground(pixels: Pixels, dpi: float = DPI) -> Ground:
    """The page, its paper being pure white."""
    grid = np.ones((1, 1, 1), np.float32)
    return Ground(page_of_array(pixels, dpi), White(grid, 0, 0, 10_000, np.ones((1, 1), bool), grid[0, 0], grid))


def found(marks: list[tuple[int, int]], *, kind: int = ALONE, size: int = 4) -> Finds:
    """Finds of size x size px."""
    blank = {
        one.name: np.zeros(len(marks), np.float32) for one in fields(Finds) if one.name not in ("owner", "rows", "cols")
    }
    blank["kind"] = np.full(len(marks), kind, np.int8)
    blank["row"], blank["col"] = (np.array([mark[k] + size / 2 - 0.5 for mark in marks], np.float32) for k in (0, 1))
    rows, cols = (np.array([mark[k] for mark in marks], np.int32) for k in (0, 1))
    down, right = (part.ravel() for part in np.mgrid[:size, :size])
    owner = np.repeat(np.arange(len(marks), dtype=np.int32), size * size)
    return Finds(**blank, owner=owner, rows=np.add.outer(rows, down).ravel(), cols=np.add.outer(cols, right).ravel())


def moved_by(row: float, col: float) -> np.ndarray:
    """other_from_page of another scan that lies so much further."""
    return np.array([[1, 0, col], [0, 1, row], [0, 0, 1]], np.float64)


BOTH = dict.fromkeys(MARKS, INK)


@pytest.mark.parametrize("at", [(0, 0), (7, 3), (-5, 6)])
def test_each_mark_is_shown_missing_or_not_to_be_told(at: tuple[int, int]) -> None:
    there = {**BOTH, (50, 50): 255, (80, 20): HALF, (20, 80): PALE}  # all, none, .5 and .21 of their ink
    other = Second(ground(scan(there, at=at)), moved_by(*at), 0.0)
    told = shown_there(ground(scan(BOTH)), found(MARKS), other, 0.0, SCALE)
    wanted = {(50, 50): MISSING, (80, 20): PART, (20, 80): MISSING}
    assert told.tolist() == [wanted.get(mark, SHOWN) for mark in MARKS]


def test_strength_is_that_of_the_mark_itself() -> None:
    pale = dict.fromkeys(MARKS, HALF)
    other = Second(ground(scan({**pale, (20, 20): PALE, (50, 20): 255})), moved_by(0, 0), 0.0)
    told = shown_there(ground(scan(pale)), found(MARKS), other, 0.0, SCALE)
    assert told.tolist() == [PART, SHOWN, SHOWN, MISSING, SHOWN, SHOWN, SHOWN, SHOWN, SHOWN]  # .42 of .5


def test_each_scan_has_its_own_black() -> None:
    gray = scan(BOTH)
    gray[gray == 0] = HALF  # a scan whose ink is as light as that
    for black, wanted in ((0.5, SHOWN), (0.0, PART)):
        told = shown_there(ground(scan(BOTH)), found(MARKS), Second(ground(gray), moved_by(0, 0), black), 0.0, SCALE)
        assert told.tolist() == [wanted] * 9


def test_where_the_other_scan_ends_nothing_is_told() -> None:
    other = Second(ground(scan({}, at=(-21, 0))), moved_by(-21, 0), 0.0)
    told = shown_there(ground(scan(BOTH)), found(MARKS), other, 0.0, SCALE)
    assert told.tolist() == [UNKNOWN] * 3 + [MISSING] * 6
    far = Second(ground(scan({})), moved_by(900, 0), 0.0)
    assert shown_there(ground(scan(BOTH)), found(MARKS), far, 0.0, SCALE).tolist() == [UNKNOWN] * 9


def test_light_specks_in_ink_are_asked_about_too() -> None:
    solid = np.zeros((SIDE, SIDE), np.uint8)
    solid[100:] = 255
    here, there = solid.copy(), solid.copy()
    for picture in (here, there):
        picture[20:24, 20:24] = 255
    here[50:54, 60:64] = 255
    told = shown_there(
        ground(here), found([(20, 20), (50, 60)], kind=HOLE), Second(ground(there), moved_by(0, 0), 0.0), 0.0, SCALE
    )
    assert told.tolist() == [SHOWN, MISSING]


@pytest.mark.parametrize(("off", "wanted"), [(3, SHOWN), (6, SHOWN), (9, MISSING)])  # px; .6 mm are 7
def test_a_block_may_lie_off_as_a_whole(off: int, wanted: int) -> None:
    other = Second(ground(scan(BOTH, at=(0, off))), moved_by(0, 0), 0.0)
    told = shown_there(ground(scan(BOTH)), found(MARKS), other, 0.0, SCALE)
    assert told[4] == wanted


def test_marks_of_one_scan_may_lie_a_little_off() -> None:
    there = {mark: INK for mark in MARKS if mark != (50, 50)}
    for off, wanted in ((2, SHOWN), (5, MISSING)):  # .12 mm are 1.4 px, and two are looked at
        other = Second(ground(scan({**there, (50, 50 + 3 + off): INK})), moved_by(0, 0), 0.0)
        told = shown_there(ground(scan(BOTH)), found(MARKS), other, 0.0, SCALE)
        assert told[4] == wanted


@pytest.mark.parametrize(("gap", "blur"), [(1, 0.4), (2, 0.4), (2, 0.9)])  # px
def test_a_pale_speck_close_to_a_stroke_is_not_taken_for_shown_by_the_stroke(gap: int, blur: float) -> None:
    mark, told = (11 + gap, 35), []
    for there in ({**BOTH, mark: HALF}, BOTH):
        here = scan({**BOTH, mark: HALF})
        other = Second(ground(cv2.GaussianBlur(scan(there, at=(1, 0)), (0, 0), blur)), moved_by(1, 0), 0.0)
        told.append(shown_there(ground(here), found([mark]), other, 0.0, SCALE)[0])
    assert told[0] != MISSING
    assert told[1] == MISSING


def test_a_drawn_dot_that_dust_lies_on_is_kept_with_it() -> None:
    dust, dot = (48, 48), (54, 54)
    here = scan({**BOTH, (50, 50): 255, dust: INK, dot: HALF})
    for there, wanted in (({dot: HALF}, SHOWN), ({}, MISSING)):
        other = Second(ground(scan({**BOTH, (50, 50): 255, **there})), moved_by(0, 0), 0.0)
        told = shown_there(ground(here), found([dust], size=10), other, 0.0, SCALE)
        assert told[0] == wanted


@pytest.mark.parametrize("code", [210, PALE])
@pytest.mark.parametrize(("gap", "blur"), [(0, 0.4), (1, 0.4), (1, 0.8)])  # px
def test_a_speck_far_paler_than_the_stroke_beside_it_is_seen_to_lack(code: int, gap: int, blur: float) -> None:
    mark, told = (11 + gap, 35), []
    for there in ({**BOTH, mark: code}, BOTH):
        here, other = (cv2.GaussianBlur(scan(one), (0, 0), blur) for one in ({**BOTH, mark: code}, there))
        told.append(shown_there(ground(here), found([mark]), Second(ground(other), moved_by(0, 0), 0.0), 0.0, SCALE)[0])
    assert told[0] != MISSING
    assert told[1] == MISSING


def test_finer_scans_are_asked_at_the_same_fineness() -> None:
    fine = np.kron(scan({**BOTH, (50, 50): 255}), np.ones((2, 2), np.uint8))
    other_from_page = np.array([[2, 0, 0.5], [0, 2, 0.5], [0, 0, 1.0]])
    told = shown_there(
        ground(scan(BOTH)), found(MARKS), Second(ground(fine, 2 * DPI), other_from_page, 0.0), 0.0, SCALE
    )
    assert told.tolist() == [SHOWN] * 4 + [MISSING] + [SHOWN] * 4


def test_no_finds_and_many_blocks() -> None:
    other = Second(ground(scan(BOTH)), moved_by(0, 0), 0.0)
    assert shown_there(ground(scan(BOTH)), found([]), other, 0.0, SCALE).size == 0
    wide = np.full((SIDE, 1400), 255, np.uint8)
    wide[:, :SIDE], wide[:, 1300 - 20 : 1300 - 20 + SIDE] = scan(BOTH), scan({**BOTH, (50, 50): INK})
    there = wide.copy()
    there[50:54, 1330:1334] = 255
    marks = [(50, 1330), *MARKS]
    second = Second(ground(there), moved_by(0, 0), 0.0)
    told = shown_there(ground(wide), found(marks), second, 0.0, SCALE, workers=2)
    assert told.tolist() == [MISSING] + [SHOWN] * 9


def drawing(seed: int) -> Pixels:
    """Strokes all over 500 x 500 px."""
    rng = np.random.default_rng(seed)
    paper = np.full((500, 500), 240, np.uint8)
    for _ in range(60):
        line = np.cumsum(np.vstack([rng.uniform(20, 480, 2), rng.normal(0, 14, (5, 2))]), axis=0)
        cv2.polylines(paper, [np.rint(line).astype(np.int32)], False, 20, 3)
    return cv2.GaussianBlur(paper, (0, 0), 0.7)


def test_scans_of_one_sheet_are_laid_on_each_other() -> None:
    first = drawing(1)
    away = np.full((540, 540), 240, np.uint8)
    away[12:512, 33:533] = first
    for other, wanted in ((away, moved_by(12, 33)), (away[::-1, ::-1], None)):
        made = laid_over(
            page_of_array(first, DPI), page_of_array(np.ascontiguousarray(other), DPI), name="other.tif"
        ).other_from_page
        wanted = np.array([[-1, 0, 506], [0, -1, 527], [0, 0, 1.0]]) if wanted is None else wanted
        corners = np.array([(0, 0, 1), (499, 0, 1), (0, 499, 1), (499, 499, 1)]).T
        assert abs((made @ corners - wanted @ corners)[:2]).max() < 0.6


def test_what_is_no_second_sight_is_refused() -> None:
    page = page_of_array(drawing(1), DPI)
    with pytest.raises(BadSettings, match=r"other\.tif of 224 dpi as a second sight of a page of 300 dpi"):
        laid_over(page, page_of_array(drawing(1), 224.0), name="other.tif")
    with pytest.raises(BadSettings, match=r"other\.tif, which does not show what the page shows"):
        laid_over(page, page_of_array(drawing(2), 225.0), name="other.tif")


@pytest.mark.parametrize("thicker", [1, 2])  # px
@pytest.mark.parametrize("size", [2, 3])
def test_a_stroke_softened_up_to_a_mark_does_not_show_it(thicker: int, size: int) -> None:
    here, there = scan({}), scan({})
    here[40:44, 20:60] = there[40:44, 20:60] = 0
    here[48:, 38:][:size, :size] = PALE
    there[44 : 44 + thicker, 34:46] = 0  # as ink spreads
    other = Second(ground(there), moved_by(0, 0), 0.0)
    assert shown_there(ground(here), found([(48, 38)], size=size), other, 0.0, SCALE)[0] == MISSING
