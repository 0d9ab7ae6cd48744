"""I check which lines close in areas: gaps bridged, hatching, dots and letters told apart, on maps drawn cell by cell.

Cells are .1 mm, so that every bound in mm is ten times as many cells; where a stroke is one cell wide all that follows
of its ends is whole numbers.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.core.arrays import Bytes
from stitchbed.page.line_art import outlines
from stitchbed.page.line_art.gaps import BRIDGE, END, LONE, bridges, stroke_ends
from stitchbed.page.line_art.hatching import OWN, hatching
from stitchbed.page.line_art.marks import lettering, marks
from stitchbed.page.line_art.outlines import outlines_of
from stitchbed.page.line_art.shapes import shape_lines

CELL = 0.1  # mm


def drawn(*boxes: tuple[int, int, int, int], size: tuple[int, int] = (100, 100)) -> Bytes:
    """A map with filled boxes (row, col, height, width)."""
    line = np.zeros(size, np.uint8)
    for row, col, high, wide in boxes:
        line[row : row + high, col : col + wide] = 1
    return line


def parts(line: Bytes) -> int:
    """How many pieces the lines are."""
    return cv2.connectedComponents(line, connectivity=8)[0] - 1


def bridged(line: Bytes, gap_mm: float) -> Bytes:
    """1 on bridges."""
    return bridges(line, gap_mm, CELL) & BRIDGE


def test_ends_of_thin_strokes_are_exact() -> None:
    ends = stroke_ends(drawn((10, 5, 1, 20), (30, 50, 20, 1)), 8)
    assert sorted(ends.tolist()) == [[5, 10, -1, 0, 1], [24, 10, 1, 0, 1], [50, 30, 0, -1, 1], [50, 49, 0, 1, 1]]


def test_the_way_of_an_end_is_that_of_its_last_part() -> None:
    line = drawn((10, 5, 1, 20))
    for k in range(1, 11):
        line[10 + k, 24 + k] = 1  # on from (24, 10) aslant
    for trace, way in ((6, [np.sqrt(0.5), np.sqrt(0.5)]), (20, [20 / np.hypot(20, 10), 10 / np.hypot(20, 10)])):
        (last,) = (end for end in stroke_ends(line, trace) if end[1] == 20)
        assert last[:2].tolist() == [34, 20]
        assert np.allclose(last[2:4], way)


def test_thick_strokes_know_their_half_width_and_dots_have_no_ends() -> None:
    thick = stroke_ends(drawn((10, 5, 7, 40)), 10)
    assert len(thick) == 2 and np.all((thick[:, 4] >= 1.5) & (thick[:, 4] <= 4.5))
    assert len(stroke_ends(drawn((10, 5, 1, 3)), 10)) == 0  # two steps long
    assert len(stroke_ends(drawn((10, 5, 1, 4)), 10)) == 2
    assert len(stroke_ends(drawn((10, 10, 6, 6)), 10)) == 0


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize(
    ("free", "gap", "closed"), [(8, 0.8, True), (8, 0.3, False), (14, 1.4, True), (14, 0.9, False)]
)
def test_a_gap_is_bridged_up_to_its_width(free: int, gap: float, closed: bool, turned: bool) -> None:
    line = drawn((50, 10, 1, 30), (50, 40 + free, 1, 30))
    line = np.ascontiguousarray(line.T) if turned else line
    found = bridged(line, gap)
    assert parts(line | found) == (1 if closed else 2)
    assert found.any() == closed


def test_a_bridge_lies_between_the_ends() -> None:
    found = bridged(drawn((50, 10, 1, 30), (50, 48, 1, 30)), 1.0)
    rows, cols = np.nonzero(found)
    assert found[50, 39:49].all()
    assert rows.min() >= 49 and rows.max() <= 51 and cols.min() >= 38 and cols.max() <= 49


def test_ends_that_point_past_each_other_stay_open() -> None:
    beside = drawn((20, 10, 1, 40), (24, 10, 1, 40), (28, 10, 1, 40))  # in a row, as of hatching
    assert not bridged(beside, 1.0).any()
    away = drawn((20, 10, 1, 30), (28, 52, 1, 30))  # 12 across, 8 aside: 34 degrees, and the gap is 14.4
    assert parts(away | bridged(away, 1.6)) == 1
    aside = drawn((20, 10, 1, 30), (32, 42, 1, 30))  # 3 across, 12 aside: 76 degrees
    assert not bridged(aside, 1.6).any()


def test_a_bridge_goes_round_a_corner() -> None:
    corner = drawn((20, 10, 1, 30), (28, 47, 30, 1))  # to the right; down, beginning 8 below and 8 further
    assert parts(corner | bridged(corner, 1.3)) == 1


def test_the_nearer_of_two_answers_is_taken_and_each_end_once() -> None:
    line = drawn((50, 10, 1, 30), (50, 46, 1, 10), (56, 50, 1, 30))
    found = bridged(line, 1.2)
    assert found[50, 39:46].all()
    assert not found[53:56].any()


def test_an_end_goes_on_to_the_line_it_points_at() -> None:
    wall = drawn((50, 10, 1, 30), (10, 48, 80, 1))
    found = bridged(wall, 1.0)
    assert parts(wall | found) == 1
    assert parts(wall | bridged(wall, 0.5)) == 2
    aslant = drawn((50, 10, 1, 30), (53, 48, 40, 1))  # it begins 3 below what lies straight on: 18 degrees
    assert parts(aslant | bridged(aslant, 1.0)) == 1
    beyond = drawn((50, 10, 1, 30), (57, 48, 30, 1))  # 38 degrees
    assert not bridged(beyond, 0.85).any()


def test_what_bridges_join_and_where_strokes_end_is_told() -> None:
    facing = drawn((50, 10, 1, 30), (50, 48, 1, 30))
    ways = bridges(facing, 1.0, CELL)
    assert not (ways & LONE).any() and ways[50, 44] == BRIDGE
    assert ways[50, 10] == ways[50, 77] == END and not (ways[:, 15:70] & END).any()  # where nothing answers
    wall = bridges(drawn((50, 10, 1, 30), (10, 48, 80, 1)), 1.0, CELL)
    assert wall[50, 44] == BRIDGE | LONE and wall[10, 48] == wall[89, 48] == wall[50, 10] == END


@pytest.mark.parametrize("turn", range(4))
def test_an_end_goes_on_to_the_edge_of_the_page_it_points_at(turn: int) -> None:
    line = np.rot90(drawn((50, 40, 1, 54)), turn).copy()  # .6 mm before the edge
    assert np.rot90(bridged(line, 0.8), -turn)[50, 94:].all()
    assert not bridged(line, 0.5).any()
    aside = np.rot90(drawn((10, 94, 80, 1)), turn).copy()  # along the edge
    assert not bridged(aside, 0.8).any()


def test_strokes_beside_each_other_do_not_go_on_to_the_edge_of_the_page() -> None:
    two = drawn((50, 40, 1, 54), (30, 40, 1, 54))  # 2 mm from each other
    assert not bridged(two, 0.8).any()
    assert bridged(drawn((50, 40, 1, 54), (26, 40, 1, 54)), 0.8)[[26, 50], 94:].all()  # 2.4 mm
    one = drawn((50, 40, 1, 54))
    assert not bridges(one, 0.8, CELL, two)[50, 95:].any()  # the other is tone


def test_no_ends_no_bridges() -> None:
    ring = drawn((20, 20, 1, 40), (59, 20, 1, 40), (20, 20, 40, 1), (20, 59, 40, 1))
    assert not bridged(ring, 2.0).any()
    assert not bridged(drawn(), 2.0).any()


def series(count: int, *, apart: int = 8, thick: int = 2, long: int = 60, uneven: int = 0) -> Bytes:
    """`count` level strokes that begin `apart` cells one below the other, every second `uneven` later."""
    tops = [20 + k * apart + (k % 2) * uneven for k in range(count)]
    return drawn(*[(top, 20, thick, long) for top in tops], size=(140, 100))


@pytest.mark.parametrize("turned", [False, True])
def test_of_a_series_all_but_its_rim_is_hatching(turned: bool) -> None:
    line = series(7)
    if turned:
        line = np.ascontiguousarray(line.T)
    found = hatching(line, CELL) & OWN
    found = found.T if turned else found
    assert np.array_equal(found & series(7), found)
    for k in range(7):
        share = found[20 + 8 * k : 22 + 8 * k, 26:74].mean()
        assert share == (1.0 if 1 <= k <= 5 else 0.0)


@pytest.mark.parametrize(
    ("line", "some"),
    [
        (series(5), True),  # the middle one has two on each side
        (series(4), False),
        (series(7, apart=16), True),  # 1.4 mm of paper between
        (series(7, apart=19), False),  # 1.7 mm; cells are coarse, and one more than 1.5 mm is taken
        (series(7, thick=8, apart=16), True),
        (series(7, thick=12, apart=19), False),  # 1.2 mm is no stroke of hatching
        (series(7, uneven=2), True),  # 8 and 4 cells of paper
        (series(7, apart=9, thick=1, uneven=4), True),  # 12 and 4: two and a half times, and two cells
        (series(7, apart=9, thick=1, uneven=5), False),  # 13 and 3
    ],
)
def test_what_is_a_series(line: Bytes, some: bool) -> None:
    assert (hatching(line, CELL) & OWN).any() == some


def test_strokes_of_other_thickness_are_none_of_the_series() -> None:
    line = series(7, thick=1)
    assert (hatching(line, CELL) & OWN)[44].any()
    line[44:47, 20:80] = 1  # the fourth, three times as thick: one and a half times, and as much in cells
    assert (hatching(line, CELL) & OWN)[44:47].any()
    line[43, 20:80] = 1
    assert not (hatching(line, CELL) & OWN)[43:47].any()


def test_an_outline_across_hatching_stays() -> None:
    line = series(9) | drawn((10, 49, 100, 2), size=(140, 100))
    found = hatching(line, CELL) & OWN
    assert not found[60:64, 49:51].any()
    assert found[44:46, 26:40].all() and found[44:46, 60:74].all()


def test_both_layers_of_cross_hatching_are_hatching() -> None:
    level = drawn(*[(20 + 8 * k, 20, 2, 72) for k in range(9)])
    both = level | np.ascontiguousarray(level.T)
    found = hatching(both, CELL) & OWN
    inner = np.s_[30:82, 30:82]
    assert found[inner][both[inner] > 0].mean() > 0.9


def test_with_a_wider_pen_beside_it_a_series_is_taken_to_its_last_stroke() -> None:
    wide = drawn((120, 20, 6, 60), (20, 2, 100, 6), size=(140, 100))  # outlines, the second one across all ends
    found = hatching(series(7) | wide, CELL) & OWN
    assert all(found[20 + 8 * k : 22 + 8 * k, 26:74].mean() > 0.9 for k in range(7))
    assert not found[wide > 0].any()
    parallel = drawn((10, 20, 6, 60), size=(140, 100))  # as far from the series as its strokes are apart
    assert not (hatching(series(7) | wide | parallel, CELL) & OWN)[10:16].any()
    same = drawn((120, 20, 2, 60), (20, 2, 100, 2), size=(140, 100))  # one pen: the last stroke may be an outline
    found = hatching(series(7) | same, CELL) & OWN
    assert found[28:30, 26:74].all() and not found[20:22].any() and not found[68:70].any()


def test_whole_shapes_keep_their_lines_in_hatching() -> None:
    eye = cv2.ellipse(np.zeros((140, 100), np.uint8), (50, 50), (14, 8), 0, 0, 360, 1, 3)
    assert np.array_equal(shape_lines(eye, CELL) & eye, eye)
    pane = drawn((40, 40, 2, 24), (62, 40, 2, 24), (40, 40, 24, 2), (40, 62, 24, 2), size=(140, 100))
    assert np.array_equal(shape_lines(pane, CELL) & pane, pane)  # 4 mm2
    level = drawn(*[(20 + 12 * k, 10, 2, 80) for k in range(9)], size=(140, 100))
    assert not shape_lines(
        level | drawn((20, 10, 98, 2), (20, 88, 98, 2), size=(140, 100)), CELL
    ).any()  # paper between
    upright = drawn(*[(20, 10 + 12 * k, 98, 2) for k in range(7)], size=(140, 100))
    assert not shape_lines(level | upright, CELL).any()  # cells of a square millimeter
    corner = cv2.polylines(np.zeros((140, 100), np.uint8), [np.array([(20, 20), (60, 20), (20, 60)])], True, 1, 2)
    assert not shape_lines(corner, CELL).any()


def test_a_box_and_a_window_are_outlines() -> None:
    frame = drawn((20, 20, 2, 60), (78, 20, 2, 60), (20, 20, 60, 2), (20, 78, 60, 2))
    assert not (hatching(frame, CELL) & OWN).any()
    assert not hatching(frame | drawn((48, 20, 2, 60), (20, 48, 60, 2)), CELL).any()


def test_dots_are_marks_and_what_closes_in_is_none() -> None:
    line = drawn((10, 10, 15, 3), (10, 30, 16, 3), (40, 10, 10, 10), (40, 40, 40, 40))
    line[43:47, 13:17] = 0  # a ring of 1 mm about .16 mm2
    line[42:78, 42:78] = 0
    found = marks(line, CELL)
    assert found[10:25, 10:13].all()  # 1.5 mm long
    assert not found[10:26, 30:33].any()  # 1.6 mm
    assert not found[40:50, 10:20].any()
    assert not found[40:80, 40:80].any()
    line[43:47, 13] = 1  # .12 mm2 are left: a blot
    assert marks(line, CELL)[40:50, 10:20][line[40:50, 10:20] > 0].all()


def test_a_mark_at_the_rim_may_go_on_beyond_it() -> None:
    for at in ((0, 50), (95, 50), (50, 0), (50, 95)):
        assert not marks(drawn((*at, 5, 5)), CELL).any()
    assert marks(drawn((1, 50, 5, 5)), CELL).any()


def letters(*said: tuple[int, int, int, int, int], tallest: dict[int, int] | None = None) -> np.ndarray:
    """Numbers of those among marks (left, top, width, height, free cells inside) that stand in a row as letters.

    tallest : of a mark, how tall the tallest of its counters is; None: as tall as the mark.
    """
    stats = np.array([(0, 0, 1000, 1000, 0), *said], np.int32)
    holes = np.array([0.0, *(one[4] for one in said)])
    stats[:, 4] = stats[:, 2] * stats[:, 3]
    own = np.array([(tallest or {}).get(n, high) for n, high in enumerate(stats[:, 3].tolist())], np.float64)
    return np.sort(lettering(stats, holes, CELL, own))


LETTER = [(10 * k, 50, 8, 20, 0) for k in range(4)]  # .8 x 2 mm, .2 mm apart


def test_letters_stand_in_a_row() -> None:
    assert letters(*LETTER).tolist() == [1, 2, 3, 4]
    assert letters(*LETTER[:3]).tolist() == [1, 2, 3]
    assert letters(*LETTER[:2]).tolist() == []


@pytest.mark.parametrize(
    ("changed", "found"),
    [
        ((30, 50, 8, 20, 0), [1, 2, 3, 4]),
        ((40, 50, 8, 20, 0), [1, 2, 3, 4]),  # 12 cells of paper: .6 of its height
        ((58, 50, 8, 20, 0), [1, 2, 3, 4]),  # 30 cells of paper: a word of its own on their line
        ((59, 50, 8, 20, 0), [1, 2, 3]),
        ((30, 60, 8, 20, 0), [1, 2, 3, 4]),  # half of its height shared with the next, three of four on one line
        ((30, 61, 8, 20, 0), [1, 2, 3]),
        ((30, 50, 8, 40, 0), [1, 2, 3, 4]),  # twice as tall
        ((30, 50, 8, 41, 0), [1, 2, 3]),
        ((30, 50, 30, 51, 0), [1, 2, 3]),  # taller than 5 mm
        ((30, 50, 8, 7, 0), [1, 2, 3]),  # lower than .8 mm
    ],
)
def test_who_belongs_to_a_row(changed: tuple[int, int, int, int, int], found: list[int]) -> None:
    assert letters(*LETTER[:3], changed).tolist() == found


def test_low_letters_count_by_their_width() -> None:
    assert letters(*[(16 * k, 50, 14, 7, 0) for k in range(4)]).tolist() == [1, 2, 3, 4]  # .6 of 1.4 mm is .84
    assert letters(*[(16 * k, 50, 13, 7, 0) for k in range(4)]).tolist() == []


def test_rings_are_letters_among_letters_of_their_height() -> None:
    ring = (30, 50, 8, 20, 50)  # its inside takes .31 of its box
    assert letters(*LETTER[:3], ring).tolist() == [1, 2, 3, 4]
    assert letters(*LETTER[:3], (30, 50, 8, 20, 44)).tolist() == [1, 2, 3, 4]
    assert letters(*LETTER[:3], (30, 43, 8, 27, 70)).tolist() == [1, 2, 3, 4]  # 1.35 times as tall
    assert letters(*LETTER[:3], (30, 42, 8, 28, 70)).tolist() == [1, 2, 3]
    beads = [(10 * k, 50, 8, 20, 50) for k in range(4)]
    assert letters(*beads).tolist() == []
    assert letters(*beads[:2], *LETTER[2:]).tolist() == [1, 2, 3, 4]
    assert letters(*beads[:3], LETTER[3]).tolist() == []
    assert letters(ring, *LETTER[1:3]).tolist() == []  # of three all must be sure


RING = (0, 50, 8, 20, 50)


def at(mark: tuple[int, int, int, int, int], left: int, down: int = 0) -> tuple[int, int, int, int, int]:
    return left, mark[1] + down, *mark[2:]


def test_a_short_word_on_a_line_of_letters_is_lettering() -> None:
    word = [at(LETTER[0], 60), at(RING, 70)]  # as "no" after "fish"
    assert letters(*word).tolist() == []
    assert letters(*LETTER, *word).tolist() == [1, 2, 3, 4, 5, 6]
    assert letters(*LETTER, *word, at(LETTER[0], 98), at(RING, 108)).tolist() == [1, 2, 3, 4, 5, 6, 7, 8]  # one by one
    assert letters(*LETTER, *(at(one, one[0], 5) for one in word)).tolist() == [1, 2, 3, 4]  # not on their line
    assert letters(*LETTER, word[0], (70, 42, 8, 28, 70)).tolist() == [1, 2, 3, 4, 5]  # taller


@pytest.mark.parametrize(
    ("down", "aside", "told"),
    [
        (40, 12, True),
        (-40, 12, True),
        (46, 12, True),
        (47, 12, False),
        (19, 12, False),
        (40, 34, False),
        (40, -14, False),
    ],
)
def test_a_short_word_above_or_below_a_line_of_letters_is_lettering(down: int, aside: int, told: int) -> None:
    """As "OD" below "IPGITG": a line further, 1.3 of a letter's height apart at most, and over its length."""
    word = [at(RING, aside, down), at(RING, aside + 10, down)]
    assert letters(*LETTER, *word).tolist() == [1, 2, 3, 4, *([5, 6] if told else [])]
    taller = [(one[0], 90 if down > 0 else 0, 8, 28, 70) for one in word]
    assert letters(*LETTER, *taller).tolist() == [1, 2, 3, 4]


def test_letters_that_run_together_are_lettering_on_a_line_of_letters() -> None:
    """As "ARD" in "BOARD": longer than any letter, as tall as those beside it, with counters small for its length."""
    run = (45, 50, 60, 20, 120)
    assert letters(*LETTER, run).tolist() == [1, 2, 3, 4, 5]
    assert letters(*LETTER[:2], run).tolist() == []
    for no in ((45, 50, 60, 20, 0), (45, 50, 60, 20, 300), (45, 50, 130, 20, 120), (45, 50, 60, 28, 120)):
        assert letters(*LETTER, no).tolist() == [1, 2, 3, 4]  # no counter, a wide one, too long, too tall
    assert letters(*LETTER, (45, 60, 60, 20, 120)).tolist() == [1, 2, 3, 4]  # not on their line


def test_rings_alone_are_a_word_between_two_others() -> None:
    rings = [at(RING, 60), at(RING, 70)]  # as "do", or two panes
    assert letters(*LETTER, *rings).tolist() == [1, 2, 3, 4]
    assert letters(*LETTER, *rings, *(at(one, one[0] + 100) for one in LETTER)).tolist() == list(range(1, 11))


def test_what_closes_in_two_areas_one_above_the_other_is_a_letter_and_no_bead() -> None:
    wide = (30, 50, 8, 20, 60)  # as a B drawn with a fine pen: .38 of its box
    assert letters(*LETTER[:2], at(wide, 20)).tolist() == []
    assert letters(*LETTER[:2], at(wide, 20), tallest={3: 9}).tolist() == [1, 2, 3]
    assert letters(*LETTER[:1], at(wide, 10), at(wide, 20), at(wide, 30), tallest={2: 9, 3: 9}).tolist() == [1, 2, 3, 4]
    assert letters(*(at(wide, 10 * k) for k in range(4)), tallest=dict.fromkeys(range(1, 5), 9)).tolist() == []
    assert letters(*LETTER[:2], (20, 50, 8, 20, 100), tallest={3: 9}).tolist() == []  # as wide open as panes are


def test_a_small_letter_stands_on_the_line_of_taller_ones() -> None:
    assert letters(*LETTER[:3], (30, 60, 8, 10, 30)).tolist() == [1, 2, 3, 4]
    assert letters(*LETTER[:3], (30, 56, 8, 10, 30)).tolist() == [1, 2, 3]  # above it
    assert letters(*LETTER[:3], (30, 61, 8, 9, 27)).tolist() == [1, 2, 3]  # too small


def test_a_row_that_goes_up_and_down_is_none() -> None:
    stairs = [(10 * k, 50 + 6 * k, 8, 20, 0) for k in range(6)]
    assert letters(*stairs).tolist() == []
    assert letters(*[(10 * k, 50 + k, 8, 20, 0) for k in range(6)]).tolist() == [1, 2, 3, 4, 5, 6]


def test_all_together(monkeypatch: pytest.MonkeyPatch) -> None:
    frame = drawn((10, 10, 2, 180), (188, 10, 2, 180), (10, 10, 180, 2), (10, 188, 180, 2), size=(200, 200))
    frame[10:12, 60:67] = 0  # a gap of .7 mm
    strokes = drawn(*[(60 + 6 * k, 60, 2, 60) for k in range(9)], size=(200, 200))
    dot = drawn((150, 150, 6, 6), size=(200, 200))
    found = outlines_of(frame | strokes | dot, 1.0, CELL)
    assert parts(found.walls[:40]) == 1  # closed
    assert np.all(found.walls >= frame)
    assert not found.walls[150:156, 150:156].any() and found.tone[150:156, 150:156].all()
    assert found.tone[66:108, 66:114][strokes[66:108, 66:114] > 0].all()
    assert not found.walls[66:108, 66:114].any()
    bridge = found.walls & ~(frame | strokes | dot)
    assert bridge.any() and np.all(found.tone >= bridge)
    rows, cols = np.nonzero(found.walls & found.tone)  # a bridge begins on the line it goes on from
    assert rows.max() <= 13 and cols.min() >= 56 and cols.max() <= 70
    assert np.array_equal((found.walls | found.tone) & ~bridge, frame | strokes | dot)
    monkeypatch.setattr(outlines, "STRIP", 70)
    again = outlines_of(frame | strokes | dot, 1.0, CELL, workers=2)
    assert np.array_equal(again.walls, found.walls) and np.array_equal(again.tone, found.tone)
