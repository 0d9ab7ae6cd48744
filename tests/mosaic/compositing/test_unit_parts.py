"""I check that a unit's parts make it up, and that tiles meet in the same pixels as when it is rendered in one part."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

from stitchbed.blending.multiband import HALO
from stitchbed.imaging.box import Box, grown
from stitchbed.imaging.transfer import transfer_of
from stitchbed.mosaic.compositing import render
from stitchbed.mosaic.compositing.plan import Plan
from stitchbed.mosaic.compositing.seams import NOBODY, SeamMap
from stitchbed.mosaic.compositing.tile_layer import Source
from stitchbed.mosaic.compositing.unit_parts import STEP, cells_near, unit_parts
from stitchbed.mosaic.photometry.gain_compensation import no_gain
from stitchbed.mosaic.registration.canvas import Canvas
from stitchbed.mosaic.registration.placement import Placement
from stitchbed.reading.base.tile import Raster, Tile

CELL, SIDE = 16, 2 * render.UNIT
UNITS = [Box(row, col, render.UNIT, render.UNIT) for row in (0, render.UNIT) for col in (0, render.UNIT)]


def _labels(kind: str) -> np.ndarray:
    ys, xs = np.mgrid[: SIDE // CELL, : SIDE // CELL]
    borders = {
        "none": np.zeros(xs.shape),
        "upright": xs > 45,
        "cross": (xs > 20) + 2 * (ys > 50),
        "slanting": xs + 2 * ys > 90,
        "island": (abs(xs - 30) < 3) & (abs(ys - 30) < 3),
        "rim": np.where(ys < 4, NOBODY, xs > 33),
    }
    return borders[kind].astype(np.uint16)


@pytest.mark.parametrize("kind", ["none", "upright", "cross", "slanting", "island", "rim"])
def test_parts_make_up_a_unit_and_blend_only_where_tiles_meet(kind: str) -> None:
    seams = SeamMap(_labels(kind), CELL)
    for unit in UNITS:
        count = np.zeros((render.UNIT, render.UNIT), int)
        for part in unit_parts(seams, unit):
            assert part.height % STEP == part.width % STEP == 0
            count[part.row - unit.row : part.bottom - unit.row, part.col - unit.col : part.right - unit.col] += 1
        assert (count == 1).all()
    if kind == "upright":
        alone = [len(np.unique(cells_near(seams, grown(part, HALO)))) == 1 for part in unit_parts(seams, UNITS[1])]
        assert sorted(alone) == [False, True, True]
    if kind == "none":
        assert unit_parts(seams, UNITS[0]) == [UNITS[0]]


@pytest.mark.parametrize("kind", ["cross", "rim"])
def test_in_parts_as_in_one(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Blending a box with HALO px round it equals blending the whole to 3e-7 of white; a place that lies between two
    steps of the kernel's table may be rounded the other way, which moves it by 1/1024 px."""
    rng = np.random.default_rng(3)
    side = SIDE + 40
    noise = [ndimage.gaussian_filter(rng.normal(0, 1, (side, side, 3)), (3, 3, 0)) for _ in range(4)]
    pictures = {f"t{k}": np.clip(30000 + 90000 * one, 0, 65535).astype(np.uint16) for k, one in enumerate(noise)}
    tiles = tuple(Tile(n, Path(n), "", Raster((side, side, 3), "uint16", 16, None, None, True)) for n in pictures)
    turn = np.array([[0.9999, 0.004, -15.3], [-0.004, 0.9999, -14.2], [0, 0, 1.0]])
    places = tuple(Placement(tile.name, (side, side), turn) for tile in tiles)
    levels = tuple(no_gain(tile.name, 3) for tile in tiles)
    canvas, seams = Canvas(SIDE, SIDE, 300, np.eye(3)), SeamMap(_labels(kind), CELL)
    plan = Plan(tiles, canvas, places, levels, seams, 3, "uint16", None)
    source = Source(lambda tile, box: pictures[tile.name][box.slices], lambda tile, box: None, transfer_of(None))
    parted = render.render_block(plan, source, Box(0, 0, SIDE, SIDE))
    monkeypatch.setattr(render, "unit_parts", lambda seams, unit: [unit])
    whole = render.render_block(plan, source, Box(0, 0, SIDE, SIDE))
    away = np.abs(parted.astype(int) - whole)
    steepest = max(np.abs(np.diff(one.astype(int), axis=0)).max() for one in pictures.values())
    assert away.max() <= 2 + 2 * steepest / 1024 and (away > 1).mean() < 0.01
