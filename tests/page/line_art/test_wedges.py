"""I check which small regions join a neighbor: corners cut off do, disks and squares with their own outlines do not."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.core.arrays import Bytes, Labels
from stitchbed.page.line_art.slivers import join_cells
from stitchbed.page.line_art.spread import spread_under
from stitchbed.page.line_art.wedges import join_open, join_wedges, roundness

CELL = 0.1  # mm


def regions_of(line: Bytes) -> tuple[Labels, Bytes]:
    """(labels, free) of a map of lines."""
    labels = np.asarray(cv2.connectedComponents(1 - line, connectivity=4)[1], np.int32)
    spread_under(labels)
    return labels, 1 - line


def outlined(*points: tuple[int, int]) -> Bytes:
    """A page of 100 x 100 cells with one closed outline through (x, y)."""
    line = np.zeros((100, 100), np.uint8)
    cv2.polylines(line, [np.array(points, np.int32)], True, 1, 2)
    return line


def joined_at(line: Bytes, tone: Bytes, row: int, col: int) -> bool:
    """Whether the region at a place has joined that of the page's corner."""
    labels, free = regions_of(line)
    join_wedges(labels, free, tone, CELL)
    return bool(labels[row, col] == labels[0, 0])


def test_roundness_is_one_for_a_disk_and_a_square_has_a_quarter_of_pi() -> None:
    disk = cv2.circle(np.zeros((300, 300), np.uint8), (150, 150), 120, 1, -1)
    assert roundness(disk) == pytest.approx(0.9, abs=0.02)  # a chain of cells is longer than the arc it follows
    square = np.zeros((80, 80), np.uint8)
    square[10:60, 10:60] = 1
    assert roundness(square) == pytest.approx(np.pi / 4)
    square[10:60, 14:] = 0
    assert roundness(square) == pytest.approx(4 * np.pi * 3 * 49 / 104**2)


@pytest.mark.parametrize(
    ("points", "at", "joins"),
    [
        (((40, 40), (50, 40), (50, 50), (40, 50)), (45, 45), False),  # a pane of .64 mm2 or so
        (((40, 40), (62, 40), (62, 46), (40, 46)), (43, 50), True),  # as large, but narrow
        (((40, 40), (60, 40), (40, 52)), (44, 44), True),  # a corner
        (((20, 40), (70, 40), (20, 60)), (46, 30), False),  # larger ones stay where no tone lies between
    ],
)
def test_small_ones_stay_where_they_are_round(
    points: tuple[tuple[int, int], ...], at: tuple[int, int], joins: bool
) -> None:
    assert joined_at(outlined(*points), np.zeros((100, 100), np.uint8), *at) == joins


def test_a_corner_behind_a_stroke_of_tone_joins_and_one_behind_a_bridge_does_not() -> None:
    line = outlined((10, 10), (90, 10), (90, 90), (10, 90))
    stroke = cv2.line(np.zeros_like(line), (48, 10), (90, 28), 1, 2) & (1 - line)
    labels, free = regions_of(line | stroke)
    join_wedges(labels, free, stroke, CELL)
    assert labels[15, 84] == labels[60, 40] != labels[0, 0]
    cut = regions_of(line | stroke)[0]
    join_wedges(cut, 1 - line, stroke, CELL)  # the same, drawn over paper: a bridge
    assert cut[15, 84] != cut[60, 40]
    plain = regions_of(line | stroke)[0]
    join_wedges(plain, free, np.zeros_like(line), CELL)
    assert plain[15, 84] != plain[60, 40]


def test_a_pupil_does_not_make_an_eye_a_cell_of_hatching() -> None:
    line = np.zeros((100, 100), np.uint8)
    cv2.circle(line, (50, 50), 18, 1, 2)
    cv2.circle(line, (50, 50), 9, 1, 2)
    pupil = cv2.circle(np.zeros_like(line), (50, 50), 4, 1, -1)
    labels = regions_of(line)[0]
    join_cells(labels, 1 - (line | pupil), pupil, 30, CELL)
    join_wedges(labels, 1 - (line | pupil), pupil, CELL)
    assert len(np.unique(labels)) == 3


def parted_by(drawn: list[tuple[int, int]], gap_mm: float = 1.5) -> bool:
    """Whether two halves of a page stay apart whose border is drawn in these rows and bridged in the others."""
    wall, tone = np.zeros((100, 100), np.uint8), np.zeros((100, 100), np.uint8)
    for top, bottom in drawn:
        wall[top:bottom, 50:52] = 1
    tone[:, 50:52] = 1 - wall[:, 50:52]
    labels, _ = regions_of(wall | tone)
    join_open(labels, 1 - wall, tone, CELL, gap_mm)
    return bool(labels[50, 10] != labels[50, 90])


def test_an_outline_with_an_opening_stays_and_strokes_in_a_row_part_nothing() -> None:
    assert parted_by([(0, 100)])
    assert parted_by([(0, 40), (55, 100)])  # one opening of 1.5 mm
    assert parted_by([(0, 20), (35, 60), (75, 100)])  # two
    assert not parted_by([(top, top + 10) for top in range(0, 100, 20)])
    assert parted_by([(top, top + 10) for top in range(0, 100, 20)], gap_mm=3.0)  # where wide ones shall be closed


def test_what_has_joined_is_weighed_as_one_with_its_host() -> None:
    # two small regions side by side are open to each other; together, their outline is drawn well enough
    line = outlined((30, 30), (70, 30), (70, 60), (30, 60))
    tone = np.zeros_like(line)
    tone[31:60, 50] = 1
    labels, _ = regions_of(line | tone)
    join_open(labels, 1 - line, tone, CELL, 1.5)
    assert labels[45, 40] == labels[45, 60] != labels[0, 0]
