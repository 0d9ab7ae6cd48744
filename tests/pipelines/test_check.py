"""I check which pairs of pieces are followed besides those that were linked, and when one is less sharp."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from stitchbed.mosaic.registration.pose_graph import Layout
from stitchbed.pipelines.check import _implied
from stitchbed.pipelines.scanning.softness import _beyond_doubt
from stitchbed.reading.base.tile import Raster, Tile

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
