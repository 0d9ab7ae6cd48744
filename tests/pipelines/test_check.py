"""I check which pairs of pieces are followed besides those that were linked, and when one is less sharp."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile
import truth

from stitchbed.imaging.gray import gray_of
from stitchbed.imaging.transforms import between, moved
from stitchbed.matching.features import Keypoints
from stitchbed.matching.overlap_evidence import detail_of
from stitchbed.matching.similarity_links import Link, Sight
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.mosaic.survey.judgment import PieceView
from stitchbed.pipelines.check import _implied
from stitchbed.pipelines.scanning.laying import laid_as_joined
from stitchbed.pipelines.scanning.seen import EVIDENCE
from stitchbed.pipelines.scanning.softness import _beyond_doubt
from stitchbed.reading.base.tile import Raster, Tile
from stitchbed.reading.intake import take_in

SIDE, STEP = 300, 220  # px


def test_neighbors_without_a_link_are_followed_by_where_they_lie() -> None:
    raster = Raster((SIDE, SIDE, 1), "uint8", 8, None, (300.0, 300.0), True)
    tiles = [Tile(f"t{k}", Path(f"t{k}"), "", raster) for k in range(4)]
    places = {f"t{k}": np.array([[1, 0, STEP * (k % 2)], [0, 1, STEP * (k // 2)], [0, 0, 1.0]]) for k in range(4)}
    layout = Layout("t0", places, (), ())
    found = dict(_implied(tiles, layout, frozenset({(0, 1), (2, 0)})))
    assert sorted(found) == [(1, 3), (2, 3)]  # beside each other; 0 and 3 touch at a corner only
    assert found[1, 3] == pytest.approx(np.array([[1, 0, 0], [0, 1, -STEP], [0, 0, 1]]))
    fewer = Layout("t0", {name: place for name, place in places.items() if name != "t3"}, (), ())
    assert _implied(tiles, fewer, frozenset({(0, 1), (0, 2)})) == []


def test_rows_that_no_two_pieces_alone_hold_together_are_laid_on_each_other_by_all_they_share(tmp_path: Path) -> None:
    """As a join does: what it lays out is not told to be alone."""
    shape, dpi = (300, 360), 150.0
    poses = [truth.pose(x, y, 0.2 * x / 100, shape=shape) for y in (170, 360) for x in (190, 430)]
    points, none = np.zeros((0, 2)), np.zeros(0, np.float32)
    names, views = [f"{letter}.tif" for letter in "abcd"], []
    for name, cut in zip(names, truth.cut_tiles(truth.paint_sheet(560, 640, 1), poses, shape=shape), strict=True):
        tifffile.imwrite(tmp_path / name, cut.pixels, resolution=(dpi, dpi), resolutionunit="INCH")
        keypoints = Keypoints(name, points, none, none, np.zeros((0, 128), np.float32), 1)
        detail = detail_of(gray_of(cut.pixels), 1, dpi / 25.4, EVIDENCE)
        views.append(PieceView(keypoints, Sight(np.zeros((1, 1), np.float32), 1.0), detail))
    there = np.random.default_rng(5).uniform((260, 20), (350, 280), (40, 2))
    beside = []
    for k in (0, 2):
        motion = between(poses[k], poses[k + 1])
        beside.append(Link(names[k], names[k + 1], motion, there, moved(motion, there), 0.5, 0.9, 0.0))
    tiles, _ = take_in([tmp_path / name for name in names], memory=2**28)
    (layout,), _ = laid_as_joined(tiles, views, beside, profile=None, memory=2**28, workers=2)
    assert set(layout.sheet_from_tile) == set(names)


@pytest.mark.parametrize(
    ("logs", "told"),
    [
        ([-0.3, -0.35, -0.4, -0.3], -0.3),
        ([0.0, 0.01, 0.8, 0.85], 0.0075),
        ([-0.1, 0.8, 0.9, 0.0], 0.0),
        ([0.2], 0.2),
    ],
)
def test_a_line_that_one_window_just_misses_makes_no_blur(logs: list[float], told: float) -> None:
    assert _beyond_doubt(logs) == pytest.approx(told)
