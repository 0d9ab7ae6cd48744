"""I check that grains on the glass are told from loose dust by their place on the bed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import truth

from stitchbed.mosaic.compositing.plan import Plan, Spot
from stitchbed.mosaic.compositing.seams import SeamMap
from stitchbed.mosaic.registration.canvas import Canvas
from stitchbed.mosaic.registration.placement import Placement, to_sheet
from stitchbed.mosaic.result.record import SAME_MM, grain_rows
from stitchbed.reading.base.tile import Raster, Tile

DPI = 254.0  # 10 px per mm
SIZE = (400, 500)
POSES = [truth.pose(250, 200, 0.0), truth.pose(620, 210, 1.0), truth.pose(990, 200, 180.0), truth.pose(250, 480, -0.5)]


def _plan(spots: list[tuple[int, float, float, float]]) -> Plan:
    """Four pieces, the last under the first; spots : piece, x, y on its bed mm, diameter mm."""
    tiles = tuple(
        Tile(f"t{k}.tif", Path(f"t{k}.tif"), f"{k}" * 64, Raster((*SIZE, 3), "uint8", 8, None, (DPI, DPI), True))
        for k in range(len(POSES))
    )
    places = tuple(Placement(tile.name, SIZE, pose) for tile, pose in zip(tiles, POSES, strict=True))
    found = []
    for piece, x, y, size in spots:
        at = to_sheet(places[piece], np.array([[10 * x, 10 * y]]))[0]
        found.append(Spot(float(at[0]), float(at[1]), 5 * size + 1, piece, (piece + 1) % 4))
    labels = np.zeros((70, 124), np.uint16)
    labels[:, 44:80], labels[:, 80:], labels[34:, :44] = 1, 2, 3
    canvas = Canvas(700, 1240, DPI, np.eye(3))
    return Plan(tiles, canvas, places, (), SeamMap(labels, 10), 3, "uint8", None, spots=tuple(found))


def test_a_grain_keeps_its_place_on_the_bed_however_the_piece_lies() -> None:
    loose = [(0, 5.0, 5.0, 0.3), (1, 30.0, 12.0, 0.3), (2, 9.0, 33.0, 0.4)]
    grain = [(0, 31.0, 22.0, 0.5), (1, 31.05, 22.0, 0.5), (2, 31.0, 21.95, 0.6)]
    (row,) = grain_rows(_plan([*loose, *grain]))
    assert (row["x_mm"], row["y_mm"]) == pytest.approx((31.02, 21.98), abs=0.02)
    assert row["size_mm"] == pytest.approx(0.5)
    assert row["seen_on"] == ["t0.tif", "t1.tif", "t2.tif"]
    assert [spot["piece"] for spot in row["replaced"]] == row["seen_on"]
    # the fourth piece shows that part of the glass too, and nothing was replaced there
    (open_place,) = row["may_show"]
    at = to_sheet(_plan([]).places[3], np.array([[310.0, 220.0]]))[0]
    assert open_place["piece"] == "t3.tif" and (open_place["x"], open_place["y"]) == pytest.approx(at, abs=1.0)


def test_what_is_seen_once_or_moves_is_no_grain() -> None:
    assert grain_rows(_plan([])) == []
    assert grain_rows(_plan([(0, 31.0, 22.0, 0.5)])) == []
    far = [(0, 31.0, 22.0, 0.5), (1, 31.0 + 2 * SAME_MM, 22.0, 0.5), (2, 20.0, 30.0, 0.5)]
    assert grain_rows(_plan(far)) == []
    twice = [(0, 31.0, 22.0, 0.5), (0, 31.1, 22.0, 0.5)]  # two halves of one speck in one piece
    assert grain_rows(_plan(twice)) == []


def test_the_grain_seen_most_comes_first() -> None:
    two = [(0, 10.0, 10.0, 0.2), (1, 10.0, 10.0, 0.2)]
    three = [(0, 31.0, 30.0, 0.5), (1, 31.0, 30.0, 0.5), (2, 31.0, 30.0, 0.5)]
    assert [len(row["seen_on"]) for row in grain_rows(_plan([*two, *three]))] == [3, 2]
