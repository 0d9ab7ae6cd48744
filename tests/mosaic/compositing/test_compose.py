"""I check how layers become one unit: whose pixel it is, that quick and general way agree, what nobody sees."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import ndimage

from stitchbed.blending.multiband import HALO
from stitchbed.imaging.box import Box
from stitchbed.imaging.transfer import srgb_decode, transfer_of
from stitchbed.mosaic.compositing.compose import composed
from stitchbed.mosaic.compositing.plan import Plan
from stitchbed.mosaic.compositing.seams import SeamMap
from stitchbed.mosaic.compositing.tile_layer import Source
from stitchbed.mosaic.photometry.gain_compensation import no_gain
from stitchbed.mosaic.registration.canvas import Canvas
from stitchbed.mosaic.registration.placement import Placement
from stitchbed.reading.base.tile import Raster, Tile

HEIGHT, WIDTH, CELL = 192, 384, 8
BORDER = 192  # px: the first tile owns what lies left of it
WHOLE = Box(0, 0, HEIGHT, WIDTH)
INNER = Box(HALO, HALO, HEIGHT - 2 * HALO, WIDTH - 2 * HALO)  # a unit that sees all it needs: the quick way


def picture(seed: int = 1) -> np.ndarray:
    """(HEIGHT, WIDTH, 3) smooth codes."""
    noise = np.random.default_rng(seed).normal(0, 1, (HEIGHT, WIDTH, 3))
    return np.rint(128 + 300 * ndimage.gaussian_filter(noise, (5, 5, 0))).clip(0, 255).astype(np.uint8)


def scene(*codes: np.ndarray, holes: dict[int, np.ndarray] | None = None, border: int = BORDER) -> tuple[Plan, Source]:
    """Tiles that all lie on the whole canvas; the second owns what is right of the border. holes : alpha by tile."""
    names = [f"t{k}" for k in range(len(codes))]
    rasters = [Raster((HEIGHT, WIDTH, 3), "uint8", 8, None, None, True, k in (holes or {})) for k in range(len(codes))]
    tiles = tuple(Tile(name, Path(name), "", raster) for name, raster in zip(names, rasters, strict=True))
    labels = np.zeros((HEIGHT // CELL, WIDTH // CELL), np.uint16)
    labels[:, border // CELL :] = 1
    places = tuple(Placement(name, (HEIGHT, WIDTH), np.eye(3)) for name in names)
    levels = tuple(no_gain(name, 3) for name in names)
    canvas = Canvas(HEIGHT, WIDTH, 300, np.eye(3))
    plan = Plan(tiles, canvas, places, levels, SeamMap(labels, CELL), 3, "uint8", None)
    pixels = dict(zip(names, codes, strict=True))

    def alpha(tile: Tile, box: Box) -> Any:
        return (holes or {})[names.index(tile.name)][box.slices] if tile.raster.alpha else None

    return plan, Source(lambda tile, box: pixels[tile.name][box.slices], alpha, transfer_of(None))


def light_of(codes: np.ndarray) -> np.ndarray:
    """Linear light, IEC 61966-2-1."""
    return srgb_decode(codes / 255)


def test_tiles_that_show_the_same_become_it() -> None:
    plan, source = scene(picture(), picture())
    light, seen = composed(plan, source, [0, 1], INNER, ())
    assert seen is None
    assert np.abs(light - light_of(picture())[INNER.slices]).max() < 1e-5
    light, seen = composed(plan, source, [0, 1], WHOLE, ())
    assert seen is None or seen.all()
    assert np.abs(light - light_of(picture())).max() < 1e-5


def test_each_is_shown_where_it_owns_and_blends_between() -> None:
    dark, bright = (np.full((HEIGHT, WIDTH, 3), code, np.uint8) for code in (100, 180))
    light, _ = composed(*scene(dark, bright), [0, 1], WHOLE, ())
    row = light[HEIGHT // 2, :, 0].astype(float)
    low, high = light_of(dark)[0, 0, 0], light_of(bright)[0, 0, 0]
    assert row[: BORDER - HALO] == pytest.approx(low, abs=1e-4)
    assert row[BORDER + HALO :] == pytest.approx(high, abs=1e-4)
    assert (np.diff(row) > -1e-6).all()
    assert row[BORDER - 1 : BORDER + 1].mean() == pytest.approx((low + high) / 2, abs=0.01)


def test_the_quick_way_for_two_is_the_general_one() -> None:
    one, two = picture(1), np.clip(picture(1).astype(int) + 30, 0, 255).astype(np.uint8)
    plan, source = scene(one, two, picture(3))
    quick, _ = composed(plan, source, [0, 1], INNER, ())
    general, _ = composed(plan, source, [0, 1, 2], INNER, ())  # the third owns nothing
    assert np.abs(quick - general).max() < 1e-5


@pytest.mark.parametrize("unit", [Box(0, 64, 64, 128), Box(64, 128, 64, 64), INNER])
def test_a_unit_is_a_part_of_the_whole(unit: Box) -> None:
    plan, source = scene(picture(1), picture(2))
    whole, _ = composed(plan, source, [0, 1], WHOLE, ())
    part, _ = composed(plan, source, [0, 1], unit, ())
    assert np.abs(part - whole[unit.slices]).max() < 1e-5


def test_what_its_owner_does_not_see_comes_from_another_that_does() -> None:
    holed = np.full((HEIGHT, WIDTH), 255, np.uint8)
    holed[40:90, 20:70] = 0
    plan, source = scene(picture(), picture(), holes={0: holed})
    light, seen = composed(plan, source, [0], WHOLE, ())
    assert seen is None or seen.all()
    assert np.abs(light - light_of(picture()))[:, : BORDER - HALO].max() < 1e-3


def test_what_nobody_sees_is_told_and_pulls_nothing_in() -> None:
    holed = np.full((HEIGHT, WIDTH), 255, np.uint8)
    holed[40:90, 20:70] = 0
    plan, source = scene(picture(), picture(), holes={0: holed, 1: holed})
    light, seen = composed(plan, source, [0, 1], WHOLE, ())
    assert seen is not None and np.array_equal(seen, holed > 0)
    assert np.abs(light - light_of(picture()))[seen].max() < 1e-3
    nothing, none = composed(*scene(picture(), holes={0: holed * 0}), [0], WHOLE, ())
    assert none is not None and not none.any() and not nothing.any()
