"""I check specks planted on one of two pieces: found where they lie, never where both show them."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stitchbed.imaging.box import Box
from stitchbed.mosaic.compositing.dust_by_overlap import (
    Candidates,
    SpeckSettings,
    find_spots,
    halo_rows,
    marks_in,
    strongest,
)
from stitchbed.mosaic.compositing.plan import Spot
from stitchbed.mosaic.compositing.seams import SeamMap
from stitchbed.mosaic.photometry.lift import no_lift
from stitchbed.mosaic.registration.canvas import Canvas
from stitchbed.mosaic.registration.placement import Placement

DPI = 300.0
K = DPI / 25.4  # px per mm
SETTINGS = SpeckSettings()
SIZE = (240, 300)  # px of a piece
STEP = 60  # px from the first piece to the second
SPECKS = [(100, 60), (150, 120), (200, 170)]  # px (x, y) of the first piece, seen by both


def paper(seed: int, height: int = SIZE[0], width: int = SIZE[1]) -> np.ndarray:
    """Gray levels with a little grain."""
    return (215 + np.random.default_rng(seed).normal(0, 0.6, (height, width))).astype(np.float32)


def dotted(gray: np.ndarray, places: list[tuple[int, int]], level: float = 120.0, radius: int = 2) -> np.ndarray:
    """With round dots."""
    for place in places:
        cv2.circle(gray, place, radius, level, -1)
    return gray


def marks(gray: np.ndarray) -> Candidates:
    """Of a whole view at full size."""
    return marks_in(gray, (0, len(gray)), 1, K, SETTINGS)


# --- candidates


@pytest.mark.parametrize("level", [120.0, 250.0])
def test_dots_are_found_where_they_lie_with_their_size_and_contrast(level: float) -> None:
    found = marks(dotted(paper(1), SPECKS, level))
    order = np.argsort(found.xy[:, 1])
    assert np.abs(found.xy[order] - SPECKS).max() < 0.5
    assert np.abs(found.contrast - (level - 215)).max() < 4
    assert np.abs(found.radius - np.hypot(5, 5) / 2).max() < 0.8  # half the diagonal of a dot of 5 px


def test_lines_washes_and_grain_are_no_candidates() -> None:
    gray = paper(2)
    cv2.line(gray, (10, 20), (280, 60), 60.0, 2)
    gray[100:] -= 100 / (1 + np.exp(-(np.hypot(*np.mgrid[-60:80, -150:150]) - 40) / 3)).astype(np.float32)  # a wash
    assert len(marks(gray).xy) == 0


def test_a_reduced_view_tells_places_in_full_px() -> None:
    found = marks_in(dotted(paper(1), SPECKS), (0, SIZE[0]), 2, 2 * K, SETTINGS)
    order = np.argsort(found.xy[:, 1])
    assert np.abs(found.xy[order] - (np.array(SPECKS) * 2 + 0.5)).max() < 0.3  # middle of 2 x 2 px


@settings(deadline=None)
@given(cuts=st.lists(st.integers(1, SIZE[0] - 1), max_size=3, unique=True).map(sorted))
def test_bands_with_a_halo_find_what_the_whole_finds(cuts: list[int]) -> None:
    gray, halo = dotted(paper(3), [*SPECKS, (30, 5), (270, 236)]), halo_rows(1, K, SETTINGS)
    rng = np.random.default_rng(4)  # faint ticks beside each other: what stands out is told by its surroundings
    for x, y in rng.integers((0, 0), SIZE[::-1], (400, 2)):
        cv2.line(gray, (int(x), int(y)), (int(x) + 1, int(y)), float(rng.uniform(195, 212)), 1)
    whole, parts = marks(gray), []
    for top, foot in zip([0, *cuts], [*cuts, SIZE[0]], strict=True):
        first = max(0, top - halo)
        one = marks_in(gray[first : foot + halo].copy(), (top - first, foot - first), 1, K, SETTINGS)
        parts.append(replace(one, xy=one.xy + (0, first)))
    banded = strongest(parts, SETTINGS.most)
    assert np.allclose(banded.xy, whole.xy) and np.allclose(banded.contrast, whole.contrast)


def test_the_strongest_come_first_and_ties_in_the_picture_s_order() -> None:
    xy = np.array([[5.0, 9], [1, 2], [3, 2], [4, 4]])
    part = Candidates(xy, np.arange(4.0), np.array([-9.0, 7, -7, 3]))
    kept = strongest([part, Candidates(xy[:1] + 50, np.ones(1), np.array([8.0]))], 4)
    assert kept.contrast.tolist() == [-9, 8, 7, -7]
    assert kept.xy.tolist() == [[5, 9], [55, 59], [1, 2], [3, 2]]


# --- confirmed by a second look


def spots(one: np.ndarray, two: np.ndarray, *, owner: int = 0, settings: SpeckSettings = SETTINGS) -> list[Spot]:
    """Two pieces side by side on a canvas that shows one of them."""
    shift = np.array([[1, 0, STEP], [0, 1, 0], [0, 0, 1.0]])
    places = [Placement("a", SIZE, np.eye(3)), Placement("b", SIZE, shift)]
    canvas = Canvas(SIZE[0], SIZE[1] + STEP, DPI, np.eye(3))
    seams = SeamMap(np.full((30, 45), owner, np.uint16), 8)
    pictures = (one, two)
    return find_spots(
        places, [marks(one), marks(two)], [no_lift("a", SIZE), no_lift("b", SIZE)], canvas, seams=seams,
        read=lambda index, box: pictures[index][box.slices], settings=settings,
    )  # fmt: skip


def test_what_the_other_piece_does_not_show_is_dust() -> None:
    found = spots(dotted(paper(1), SPECKS), paper(2))
    assert sorted((round(s.x), round(s.y)) for s in found) == SPECKS
    assert {(s.seen_in, s.clean_in) for s in found} == {(0, 1)}
    assert all(2.5 < s.radius < 6 for s in found)


def test_a_drawn_dot_shows_in_both_and_stays() -> None:
    there = [(x - STEP, y) for x, y in SPECKS]
    assert spots(dotted(paper(1), SPECKS), dotted(paper(2), there)) == []
    beside = [(x - STEP + 1, y) for x, y in SPECKS]  # laid a pixel wrong
    assert spots(dotted(paper(1), SPECKS), dotted(paper(2), beside)) == []


def test_glass_dust_moves_over_the_sheet() -> None:
    same_glass = dotted(paper(2), SPECKS)  # at the same place of the glass: another place of the sheet
    found = spots(dotted(paper(1), SPECKS), same_glass)
    assert sorted((round(s.x), round(s.y)) for s in found) == SPECKS


def test_only_what_the_canvas_shows_and_the_other_sees_well_is_taken() -> None:
    assert spots(dotted(paper(1), SPECKS), paper(2), owner=1) == []
    margin = round(SETTINGS.margin_mm * K)
    rim = [(STEP + margin - 5, 100)]
    assert spots(dotted(paper(1), rim), paper(2)) == []
    assert len(spots(dotted(paper(1), [(STEP + margin + 5, 100)]), paper(2))) == 1
    assert spots(dotted(paper(1), [(30, 100)]), paper(2)) == []  # the other does not reach there


def test_boxes_are_read_within_the_pieces() -> None:
    seen: list[Box] = []
    pictures = (dotted(paper(1), SPECKS), paper(2))
    places = [Placement(n, SIZE, np.array([[1, 0, x], [0, 1, 0], [0, 0, 1.0]])) for n, x in (("a", 0.0), ("b", 60.0))]

    def read(index: int, box: Box) -> np.ndarray:
        seen.append(box)
        return pictures[index][box.slices]

    lifts = [no_lift(name, SIZE) for name in "ab"]
    find_spots(places, [marks(p) for p in pictures], lifts, Canvas(SIZE[0], 360, DPI, np.eye(3)),
               seams=SeamMap(np.zeros((30, 45), np.uint16), 8), read=read, settings=SETTINGS)  # fmt: skip
    assert seen and all(b.row >= 0 and b.col >= 0 and b.bottom <= SIZE[0] and b.right <= SIZE[1] for b in seen)
