"""I check that one piece left over is laid into the one hole of a grid where nothing drawn tells, and only there."""

from __future__ import annotations

import numpy as np
import pytest
import truth

from stitchbed.core.arrays import Array
from stitchbed.imaging.transforms import moved
from stitchbed.matching.overlap_evidence import Detail, EvidenceSettings, detail_of
from stitchbed.mosaic.islands.groups import Compared
from stitchbed.mosaic.islands.last_hole import in_the_last_hole
from stitchbed.mosaic.linking.link_graph import corners
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.mosaic.survey.judgment import BeliefSettings

SETTINGS = EvidenceSettings()
DPI, SHAPE = 150.0, (300, 360)
POSES = {
    "a": truth.pose(190, 170, 0.3, shape=SHAPE),
    "b": truth.pose(490, 175, -0.4, shape=SHAPE),
    "c": truth.pose(192, 420, 0.6, shape=SHAPE),
    "d": truth.pose(488, 422, 0.5, shape=SHAPE),
}


def detail(*, rim: bool) -> Detail:
    """A piece with crosses in its middle, or all over."""
    page, edge = np.full(SHAPE, 235.0, np.float32), 8 if rim else 110
    for k in range(4):
        page[edge + k : -edge : 40, edge:-edge] = 40
        page[edge:-edge, edge + k : -edge : 50] = 40
    grain = np.random.default_rng(2).normal(0, 1, SHAPE)
    return detail_of((page + grain).astype(np.float32), 1, DPI / 25.4, SETTINGS)


def compared(names: str, *, drawn: str = "") -> Compared:
    """Pieces of a blank rim, but for those named `drawn`."""
    details = {name: detail(rim=name in drawn) for name in names}
    return Compared(dict.fromkeys(names, SHAPE), details, dict.fromkeys(names, DPI), BeliefSettings(), SETTINGS)


def layouts(grid: str, *others: str, turned: dict[str, Array] | None = None) -> list[Layout]:
    poses = POSES | (turned or {})
    back = np.linalg.inv(poses[grid[0]])
    first = Layout(grid[0], {name: back @ poses[name] for name in grid}, (), ())
    return [first, *[Layout(name, {name: np.eye(3)}, (), ()) for name in others]]


@pytest.mark.parametrize("name", ["a", "b", "d"])
def test_a_piece_of_which_nothing_tells_fills_the_hole_and_is_told(name: str) -> None:
    rest = "abcd".replace(name, "")
    found = in_the_last_hole(layouts(rest, name), compared("abcd"))
    assert found is not None and found.piece == name and found.link.loose_mm == found.within_mm > 2
    here = POSES[found.link.a] @ np.linalg.inv(found.link.b_from_a)
    off = np.hypot(*(moved(here, corners(SHAPE)) - moved(POSES[name], corners(SHAPE))).T).max() * 25.4 / DPI
    assert off < found.within_mm
    assert name in found.words and all(one in found.words for one in found.neighbors) and "Look at it" in found.words


def test_drawing_that_meets_blank_paper_speaks_against_it() -> None:
    assert in_the_last_hole(layouts("abc", "d"), compared("abcd", drawn="d")) is None
    assert in_the_last_hole(layouts("abc", "d"), compared("abcd", drawn="bc")) is None


def test_nothing_is_laid_where_two_pieces_or_two_holes_are_left_or_some_lie_upside_down() -> None:
    assert in_the_last_hole(layouts("abc", "d", "e"), compared("abcde")) is None
    assert in_the_last_hole(layouts("ab", "d"), compared("abd")) is None
    turned = {"c": truth.pose(192, 420, 180.6, shape=SHAPE)}
    assert in_the_last_hole(layouts("abc", "d", turned=turned), compared("abcd")) is None
    every = {name: pose @ turned_half() for name, pose in POSES.items()}
    found = in_the_last_hole(layouts("abc", "d", turned=every), compared("abcd"))
    assert found is not None
    here = POSES[found.link.a] @ turned_half() @ np.linalg.inv(found.link.b_from_a)
    assert np.hypot(*(moved(here, corners(SHAPE)) - moved(every["d"], corners(SHAPE))).T).max() < 40


def turned_half() -> Array:
    """Half a turn of a piece about its middle."""
    half = np.diag([-1.0, -1.0, 1.0])
    half[:2, 2] = corners(SHAPE)[2]
    return half
