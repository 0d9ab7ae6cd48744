"""I check that a plan comes back from its arrays as it went in."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
import truth

from stitchbed.imaging.transfer import transfer_of
from stitchbed.mosaic.compositing.plan import Plan, Spot, packed, unpacked
from stitchbed.mosaic.compositing.seams import NOBODY, SeamMap
from stitchbed.mosaic.photometry.gain_compensation import Level
from stitchbed.mosaic.registration.canvas import Canvas
from stitchbed.mosaic.registration.placement import Placement, Warp
from stitchbed.mosaic.survey.context import Kind
from stitchbed.reading.base.tile import Raster, Tile

KIND = Kind(3, "uint16", b"icc", transfer_of(None), alpha=True, paper=(0.8, 0.7, 0.6))


def _plan(spots: tuple[Spot, ...]) -> Plan:
    rng = np.random.default_rng(1)
    tiles = tuple(
        Tile(
            f"t{k}",
            Path(f"/nowhere/t{k}.tif"),
            f"{k}" * 64,
            Raster((40 + k, 50, 3), "uint16", 16, b"icc", (300, 300), True),
        )
        for k in range(3)
    )
    warps = [None, Warp(rng.normal(0, 1, (5, 6, 2)), 11.5), None]
    places = tuple(
        Placement(t.name, t.raster.shape[:2], truth.pose(9.0 * k, 7.0, 3.0 * k), warps[k], 0.01 * k)
        for k, t in enumerate(tiles)
    )
    levels = tuple(
        Level(
            t.name, rng.normal(1, 0.1, 3), rng.normal(0, 0.01, 3), rng.normal(0, 0.01, (4, 5)), 12.25,
            rng.normal(1, 0.1, 3),
        )
        for t in tiles
    )  # fmt: skip
    labels = rng.integers(0, 3, (6, 7)).astype(np.uint16)
    labels[0, 0] = NOBODY
    canvas = Canvas(60, 70, 299.5, truth.pose(3, 4, 0.5))
    return Plan(tiles, canvas, places, levels, SeamMap(labels, 10), 3, "uint16", b"icc", True, (0.8, 0.7, 0.6), spots)


@pytest.mark.parametrize("spots", [(), (Spot(3.25, 4.5, 1.75, 0, 2), Spot(9.0, 8.0, 2.5, 1, 0))])
def test_a_plan_survives_the_disk(spots: tuple[Spot, ...]) -> None:
    plan = _plan(spots)
    file = BytesIO()
    np.savez(file, **packed(plan))
    file.seek(0)
    with np.load(file) as arrays:
        back = unpacked(dict(arrays), plan.tiles, KIND)
    assert back.tiles == plan.tiles and back.spots == plan.spots
    assert (back.channels, back.dtype, back.icc, back.alpha, back.paper) == (3, "uint16", b"icc", True, (0.8, 0.7, 0.6))
    assert (back.canvas.height, back.canvas.width, back.canvas.dpi) == (60, 70, 299.5)
    assert np.array_equal(back.canvas.canvas_from_sheet, plan.canvas.canvas_from_sheet)
    assert np.array_equal(back.seams.labels, plan.seams.labels) and back.seams.cell == plan.seams.cell
    for one, two in zip(plan.places, back.places, strict=True):
        assert (one.tile, one.size, one.sigma) == (two.tile, two.size, two.sigma)
        assert np.array_equal(one.sheet_from_tile, two.sheet_from_tile)
        assert (one.warp is None) == (two.warp is None)
        if one.warp is not None and two.warp is not None:
            assert np.array_equal(one.warp.shift, two.warp.shift) and one.warp.spacing == two.warp.spacing
    for a, b in zip(plan.levels, back.levels, strict=True):
        fields = ("gain", "offset", "curve", "shading", "spacing")
        assert all(np.array_equal(getattr(a, field), getattr(b, field)) for field in fields)


def test_a_missing_array_is_noticed() -> None:
    arrays = packed(_plan(()))
    del arrays["gain_1"]
    with pytest.raises(KeyError):
        unpacked(arrays, _plan(()).tiles, KIND)


def test_a_level_that_changes_nothing_says_so() -> None:
    plain = Level("t", np.ones(3), np.zeros(3), np.zeros((2, 2)), 10.0)
    assert plain.plain
    for change in ({"gain": np.array([1, 1.001, 1])}, {"offset": np.full(3, 1e-6)}, {"shading": np.full((2, 2), 1e-6)}):
        assert not replace(plain, **change).plain
