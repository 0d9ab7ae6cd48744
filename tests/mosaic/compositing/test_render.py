"""I check that a plan and its originals make the same pixels however they are asked for, and the right ones."""

from __future__ import annotations

import functools
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tolerances as tol
import truth

from stitchbed.imaging.box import Box, blocks
from stitchbed.imaging.transfer import srgb_decode, to_linear, to_stored, transfer_of
from stitchbed.mosaic.compositing.plan import Plan, Spot
from stitchbed.mosaic.compositing.render import UNIT, render_block
from stitchbed.mosaic.compositing.seams import NOBODY, SeamMap
from stitchbed.mosaic.compositing.tile_layer import Source
from stitchbed.mosaic.photometry.gain_compensation import Level, leveled, no_gain
from stitchbed.mosaic.registration.canvas import Canvas, make_canvas, on_canvas
from stitchbed.mosaic.registration.placement import Placement, Warp, from_sheet
from stitchbed.reading.base.tile import Raster, Tile

CELL = 8


def _tile(name: str, pixels: np.ndarray, *, alpha: bool = False) -> Tile:
    raster = Raster(
        (*pixels.shape[:2], pixels.shape[2]), str(pixels.dtype), 8 * pixels.dtype.itemsize, None, None, True, alpha
    )
    return Tile(name, Path(f"/nowhere/{name}"), name, raster)


def _source(pictures: dict[str, np.ndarray], alphas: dict[str, np.ndarray] | None = None) -> Source:
    def alpha(tile: Tile, box: Box) -> Any:
        return (alphas or {})[tile.name][box.slices] if tile.raster.alpha else None

    return Source(lambda tile, box: pictures[tile.name][box.slices], alpha, transfer_of(None))


def _plan(
    places: list[Placement], tiles: list[Tile], canvas: Canvas, labels: np.ndarray | None = None, **more: Any
) -> Plan:
    """A plan that changes no light; cells belong to the first tile that sees them."""
    if labels is None:
        shape = (-(-canvas.height // CELL), -(-canvas.width // CELL))
        ys, xs = np.mgrid[: shape[0], : shape[1]] * CELL + (CELL - 1) / 2
        labels = np.full(shape, NOBODY, np.uint16)
        for k in reversed(range(len(places))):
            at = from_sheet(places[k], np.column_stack([xs.ravel(), ys.ravel()])).reshape(*shape, 2)
            h, w = places[k].size
            labels[((at > -0.5) & (at < (w - 0.5, h - 0.5))).all(-1)] = k
    channels = max(tile.raster.shape[2] for tile in tiles)
    deep = any(tile.raster.dtype == "uint16" for tile in tiles)
    levels = tuple(no_gain(tile.name, channels) for tile in tiles)
    plan = Plan(
        tuple(tiles),
        canvas,
        tuple(places),
        levels,
        SeamMap(labels, CELL),
        channels,
        "uint16" if deep else "uint8",
        None,
    )
    return replace(plan, **more)


def _whole(plan: Plan, source: Source) -> np.ndarray:
    return render_block(plan, source, Box(0, 0, plan.canvas.height, plan.canvas.width))


def _noise(height: int, width: int, channels: int, dtype: str, draw: int = 1) -> np.ndarray:
    return np.random.default_rng(draw).integers(0, np.iinfo(dtype).max + 1, (height, width, channels), dtype=dtype)


def _single(pixels: np.ndarray, **more: Any) -> tuple[Plan, Source]:
    place = Placement("a", pixels.shape[:2], np.eye(3))
    canvas = make_canvas([place], 300, most_pixels=1e9)
    return _plan([on_canvas(place, canvas)], [_tile("a", pixels)], canvas, **more), _source({"a": pixels})


@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("size", [(1, 1), (UNIT, UNIT), (517, 1031)])
def test_a_single_piece_passes_bit_for_bit(dtype: str, channels: int, size: tuple[int, int]) -> None:
    pixels = _noise(*size, channels, dtype)
    plan, source = _single(pixels)
    rendered = _whole(plan, source)
    assert rendered.dtype == pixels.dtype and np.array_equal(rendered, pixels)
    opaque = _whole(replace(plan, alpha=True), source)
    assert np.array_equal(opaque[..., :-1], pixels) and (opaque[..., -1] == np.iinfo(dtype).max).all()


def test_depth_and_channels_are_promoted_exactly() -> None:
    pixels = _noise(40, 60, 1, "uint8")
    plan, source = _single(pixels, channels=3, dtype="uint16", levels=(no_gain("a", 3),))
    assert np.array_equal(_whole(plan, source), np.repeat(pixels.astype(np.uint16) * 257, 3, axis=2))


@functools.cache
def _grid(*, turned: bool = False) -> tuple[Plan, Source, np.ndarray]:
    """Four tiles of a clean sheet, their true places, and the sheet itself."""
    poses, size = truth.grid_poses(2, 2, seed=3)
    upside_down = np.array([[-1, 0, 499.0], [0, -1, 399.0], [0, 0, 1]])
    poses = [pose @ upside_down if turned and k % 2 else pose for k, pose in enumerate(poses)]
    sheet = truth.paint_sheet(*size, 3)
    tiles = truth.cut_tiles(sheet, poses, dtype="uint16")
    places = [Placement(tile.name, (400, 500), pose) for tile, pose in zip(tiles, poses, strict=True)]
    canvas = Canvas(size[0], size[1], 100, np.eye(3))
    plan = _plan(places, [_tile(tile.name, tile.pixels) for tile in tiles], canvas)
    return plan, _source({tile.name: tile.pixels for tile in tiles}), sheet


@pytest.mark.parametrize("edge", [UNIT, 2 * UNIT])
def test_block_size_changes_nothing(edge: int) -> None:
    plan, source, _ = _grid()
    whole = _whole(plan, source)
    put = np.zeros_like(whole)
    for box in reversed(list(blocks(plan.canvas.height, plan.canvas.width, edge))):
        put[box.slices] = render_block(plan, source, box)
    assert np.array_equal(put, whole)


def test_a_block_past_the_rim_is_clipped() -> None:
    plan, source, _ = _grid()
    block = render_block(plan, source, Box(UNIT, UNIT, 4 * UNIT, 4 * UNIT))
    assert block.shape[:2] == (plan.canvas.height - UNIT, plan.canvas.width - UNIT)
    assert np.array_equal(block, _whole(plan, source)[UNIT:, UNIT:])


@pytest.mark.parametrize("turned", [False, True])
def test_the_canvas_is_the_sheet(turned: bool) -> None:
    """Turned, cut, put back: what is left is resampling twice (by a spline when cut, here when put back)."""
    plan, source, sheet = _grid(turned=turned)
    light = to_linear(_whole(plan, source), source.transfer)
    inner = (slice(12, -12), slice(12, -12))
    off = np.abs(light - sheet)[inner]
    assert np.sqrt((off**2).mean()) < tol.RESAMPLED_RMS and np.percentile(off, 99.9) < 20 * tol.RESAMPLED_RMS


@pytest.mark.parametrize("shift", [0.1, 0.25, 0.5, 0.75])
def test_resampling_moves_a_smooth_wave_where_it_belongs(shift: float) -> None:
    """A wave of 24 px shifted by part of a pixel: the bare cubic kernel would be wrong by .047 px at a quarter."""
    x = np.arange(600)
    wave = (0.5 + 0.3 * np.sin(2 * np.pi * x / 24)).astype(np.float32)
    pixels = to_stored(np.tile(wave[None, :, None], (80, 1, 1)), "uint16", transfer_of(None))
    place = Placement("a", (80, 600), np.array([[1, 0, shift], [0, 1, 0.0], [0, 0, 1]]))
    plan = _plan([place], [_tile("a", pixels)], Canvas(80, 600, 300, np.eye(3)))
    row = to_linear(_whole(plan, _source({"a": pixels})), transfer_of(None))[40, 20:-20, 0].astype(np.float64)
    at = x[20:-20]
    design = np.column_stack([np.sin(2 * np.pi * at / 24), np.cos(2 * np.pi * at / 24), np.ones(len(at))])
    sine, cosine, _ = np.linalg.lstsq(design, row, rcond=None)[0]
    found = -np.arctan2(cosine, sine) * 24 / (2 * np.pi)
    assert found == pytest.approx(shift, abs=tol.KERNEL_PX)
    assert np.hypot(sine, cosine) == pytest.approx(0.3, rel=0.01)


def test_levels_are_applied_in_linear_light() -> None:
    pixels = _noise(64, 96, 3, "uint16")
    plan, source = _single(pixels)
    level = Level("a", np.array([0.5, 0.8, 1.1]), np.array([0.01, 0.0, -0.005]), np.full((2, 2), np.log(0.9)), 200.0)
    light = to_linear(_whole(replace(plan, levels=(level,)), source), source.transfer)
    stored = to_linear(pixels, source.transfer)
    wanted = (stored + level.offset) * level.gain * 0.9
    assert np.abs(light - np.clip(wanted, 0, 1)).max() < 2e-5  # 16-bit codes are at most 3.8e-5 of light apart
    bent = replace(level, curve=np.array([0.9, 1.0, 1.12]))
    light = to_linear(_whole(replace(plan, levels=(bent,)), source), source.transfer)
    wanted = leveled(bent, stored.reshape(-1, 3).astype(float), np.log([[0.9]])).reshape(stored.shape)
    assert np.abs(light - np.clip(wanted, 0, 1)).max() < 2e-5


def test_an_exponent_on_encoded_values_is_undone() -> None:
    """A scan darkened by 1 / .9 on its encoded values comes back to 2.5 % of what code 24 of 255 holds."""
    codes = np.arange(6200, 65536, 1, dtype=np.uint16)
    transfer = transfer_of(None)
    true = to_linear(codes, transfer).astype(float)
    seen = srgb_decode((codes / 65535.0) ** (1 / 0.9))
    level = Level("a", np.ones(1), np.zeros(1), np.zeros((2, 2)), 1e9, np.array([0.9]))
    ratio = leveled(level, seen[:, None], np.zeros((1, 1)))[:, 0] / true
    assert np.abs(ratio / np.median(ratio) - 1).max() < 0.025


def test_shading_is_smooth_between_its_nodes() -> None:
    plan, source = _single(np.full((200, 300, 1), 30000, np.uint16))
    ramp = np.tile(np.linspace(0, 0.2, 7)[None], (5, 1))
    light = to_linear(
        _whole(replace(plan, levels=(Level("a", np.ones(1), np.zeros(1), ramp, 50.0),)), source), source.transfer
    )
    base = float(to_linear(np.full((1, 1), 30000, np.uint16), source.transfer)[0, 0])
    off = np.log(light[100, :, 0] / base) - np.arange(300) / 300 * 0.2
    assert np.abs(off[8:-16]).max() < 5e-4 and np.abs(off).max() < 4e-3  # held constant beyond the outermost nodes


def test_what_nobody_sees_is_transparent_or_paper() -> None:
    pixels = _noise(100, 100, 3, "uint8")
    place = Placement("a", (100, 100), np.array([[1, 0, 30.0], [0, 1, 20.0], [0, 0, 1]]))
    canvas = Canvas(160, 170, 300, np.eye(3))
    plan = _plan([place], [_tile("a", pixels)], canvas)
    clear = _whole(replace(plan, alpha=True), _source({"a": pixels}))
    assert np.array_equal(clear[20:120, 30:130, :3], pixels) and (clear[20:120, 30:130, 3] == 255).all()
    outside = np.ones((160, 170), bool)
    outside[20:120, 30:130] = False
    assert not clear[outside].any()
    paper = (0.8, 0.7, 0.5)
    filled = _whole(replace(plan, paper=paper), _source({"a": pixels}))
    assert (filled[outside] == to_stored(np.array([paper], np.float32), "uint8", transfer_of(None))).all()
    # the rim of what is seen may blend with nothing: pixels deep inside are as they were
    assert np.abs(filled[24:116, 34:126].astype(int) - pixels[4:96, 4:96]).max() <= 1


def test_transparent_parts_of_a_piece_are_not_used() -> None:
    """A piece with a hole: the neighbor fills it."""
    gray, dark = np.full((300, 300, 1), 180, np.uint8), np.full((300, 300, 1), 180, np.uint8)
    hole = np.full((300, 300), 255, np.uint8)
    hole[100:160, 100:160], gray[100:160, 100:160] = 0, 0
    places = [Placement(name, (300, 300), np.eye(3)) for name in "ab"]
    tiles = [_tile("a", gray, alpha=True), _tile("b", dark)]
    plan = _plan(places, tiles, Canvas(300, 300, 300, np.eye(3)))
    rendered = _whole(plan, _source({"a": gray, "b": dark}, {"a": hole}))
    assert np.abs(rendered.astype(int) - 180).max() <= 1


def test_warps_are_honored() -> None:
    plan, source, _ = _grid()
    bend = Warp(np.tile(np.array([0.4, -0.3]), (3, 3, 1)), 300.0)
    bent = [replace(place, warp=bend) for place in plan.places]
    shifted = [
        replace(place, sheet_from_tile=place.sheet_from_tile @ np.array([[1, 0, 0.4], [0, 1, -0.3], [0, 0, 1]]))
        for place in plan.places
    ]
    one, two = (_whole(replace(plan, places=tuple(places)), source).astype(int) for places in (bent, shifted))
    assert np.abs(one - two)[8:-8, 8:-8].max() < 700  # of 65535; positions are float32, looked up in steps of 1/32 px
    assert np.abs(one - _whole(plan, source))[8:-8, 8:-8].max() > 5000


def test_a_speck_is_taken_from_the_tile_that_sees_it_clean() -> None:
    clean = _noise(300, 300, 3, "uint16", draw=2) // 8 + 40000
    dusty = clean.copy()
    y, x = np.mgrid[:300, :300]
    grain = np.hypot(x - 150, y - 140) < 3
    dusty[grain] = 3000
    places = [Placement(name, (300, 300), np.eye(3)) for name in "ab"]
    tiles, pictures = [_tile("a", dusty), _tile("b", clean)], {"a": dusty, "b": clean}
    labels = np.zeros((38, 38), np.uint16)
    labels[:, 30:] = 1  # both own something, so that nothing passes by unlooked
    plan = _plan(places, tiles, Canvas(300, 300, 300, np.eye(3)), labels)
    plan = replace(plan, levels=tuple(replace(level, gain=np.full(3, 1.0001)) for level in plan.levels))
    before, after = (_whole(replace(plan, spots=s), _source(pictures)) for s in ((), (Spot(150.0, 140.0, 3.5, 0, 1),)))
    assert before[grain].max() < 4000 and after[grain].min() > 39000
    far = np.hypot(x - 150, y - 140) > 8
    assert np.array_equal(before[far], after[far])  # nothing else is touched
