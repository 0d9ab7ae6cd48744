"""I check that groups are joined by all they share: four pieces of one sheet are, of two sheets are not."""

from __future__ import annotations

import functools
from dataclasses import replace

import cv2
import numpy as np
import pytest
import truth

from stitchbed.imaging.gray import gray_of
from stitchbed.imaging.transforms import moved
from stitchbed.matching.overlap_evidence import Detail, EvidenceSettings, detail_of
from stitchbed.mosaic.islands.groups import Compared, filled, joined_groups
from stitchbed.mosaic.linking.link_graph import corners
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.mosaic.survey.judgment import BeliefSettings
from stitchbed.mosaic.survey.layout import link_words

SETTINGS = EvidenceSettings()
DPI, SHAPE = 150.0, (300, 360)
SIZES = dict.fromkeys("abcd", SHAPE)
# two by two, 20 mm shared: a b over c d
POSES = {
    "a": truth.pose(190, 170, 0.3, shape=SHAPE),
    "b": truth.pose(430, 175, -0.4, shape=SHAPE),
    "c": truth.pose(192, 360, 0.6, shape=SHAPE),
    "d": truth.pose(428, 362, 180.3, shape=SHAPE),
}


@functools.cache
def detail(name: str, seed: int) -> Detail:
    """What a piece of a sheet shows."""
    sheet = truth.paint_sheet(560, 640, seed)
    tile = truth.cut_tiles(sheet, [POSES[name]], shape=SHAPE, seed=seed)[0]
    return detail_of(gray_of(tile.pixels), 1, DPI / 25.4, SETTINGS)


def compared(**seeds: int) -> Compared:
    """The pieces, each from the sheet of that number."""
    details = {name: detail(name, seed) for name, seed in seeds.items()}
    return Compared(SIZES, details, dict.fromkeys(SIZES, DPI), BeliefSettings(), SETTINGS)


def group(names: str) -> Layout:
    """Pieces laid out on a sheet of their own."""
    back = np.linalg.inv(POSES[names[0]])
    return Layout(names[0], {name: back @ POSES[name] for name in names}, (), ())


def test_two_rows_are_joined_by_both_columns() -> None:
    found = joined_groups([group("ab"), group("cd")], compared(a=1, b=1, c=1, d=1))
    pairs = {(item.a, item.b) for item in found}
    assert {("a", "c"), ("b", "d")} <= pairs
    for item in found:
        want = np.linalg.inv(POSES[item.b]) @ POSES[item.a]
        at = corners(SHAPE)
        assert np.hypot(*(moved(item.b_from_a, at) - moved(want, at)).T).max() < 0.5 * DPI / 25.4
        assert item.weak and item.by_cells and item.probability > 0.98
    (words,) = link_words(Layout("a", POSES, tuple(found), ()), SIZES)
    assert "whole pictures" in words and "a - c" in words and "grain" not in words
    dropped = (found[0], "doubtful"), (replace(found[0], a="a", b="b"), "doubtful")
    told = link_words(Layout("a", POSES, tuple(found), dropped), SIZES)
    assert any("not believed: a - b (doubtful)" in one for one in told)  # and no word of the pair that is linked


def test_rows_of_two_sheets_are_not_joined() -> None:
    assert joined_groups([group("ab"), group("cd")], compared(a=1, b=1, c=4, d=4)) == []


def alone(name: str) -> Layout:
    return Layout(name, {name: np.eye(3)}, (), ())


@pytest.mark.parametrize("name", ["a", "d"])  # d lies upside down
def test_a_piece_fills_the_hole_its_neighbors_leave(name: str) -> None:
    found = filled([group("abcd".replace(name, "")), alone(name)], compared(a=1, b=1, c=1, d=1))
    assert {item.a for item in found} >= {"b", "c"} and {item.b for item in found} == {name}
    for item in found:
        want = np.linalg.inv(POSES[item.b]) @ POSES[item.a]
        assert np.hypot(*(moved(item.b_from_a, item.xy_a) - moved(want, item.xy_a)).T).max() < 0.5 * DPI / 25.4


def test_a_piece_of_another_sheet_fills_no_hole() -> None:
    assert filled([group("abc"), alone("d")], compared(a=1, b=1, c=1, d=4)) == []


def test_two_pieces_alone_are_left_to_other_means() -> None:
    assert joined_groups([group("a"), group("c")], compared(a=1, c=1)) == []


def test_one_overlap_that_fits_does_not_join_rows_whose_other_one_differs() -> None:
    assert joined_groups([group("ab"), group("cd")], compared(a=1, b=1, c=1, d=4)) == []


@pytest.mark.parametrize(("seed", "joined"), [(1, False), (6, True)])
def test_a_large_oval_is_joined_only_where_it_does_not_fit_itself_upside_down(seed: int, joined: bool) -> None:
    sheet, rng = np.full((560, 640), 235.0, np.float32), np.random.default_rng(seed)
    axes = int(rng.uniform(190, 240)), int(rng.uniform(140, 190))
    cv2.ellipse(sheet, (300, 280), axes, rng.uniform(0, 40), 0, 360, 40.0, 40, cv2.LINE_AA)
    ends = (int(rng.uniform(0, 200)), 0), (int(rng.uniform(300, 640)), 560)
    cv2.line(sheet, *ends, 90.0, 20, cv2.LINE_AA)
    poses = POSES | {"c": truth.pose(192, 360, 3.0 if seed == 1 else 1.5, shape=SHAPE)}
    details = {}
    for name, place in poses.items():
        seen = cv2.warpAffine(sheet, np.linalg.inv(place)[:2], SHAPE[::-1], borderValue=235.0)
        details[name] = detail_of((seen + rng.normal(0, 2, SHAPE)).astype(np.float32), 1, DPI / 25.4, SETTINGS)
    pieces = Compared(SIZES, details, dict.fromkeys(SIZES, DPI), BeliefSettings(), SETTINGS)
    found = joined_groups([group("abd"), alone("c")], pieces)
    assert bool(filled([group("abd"), alone("c")], pieces)) <= joined
    assert bool(found) is joined
    for item in found:
        want = np.linalg.inv(poses[item.b]) @ poses[item.a]
        assert np.hypot(*(moved(item.b_from_a, item.xy_a) - moved(want, item.xy_a)).T).max() < DPI / 25.4
