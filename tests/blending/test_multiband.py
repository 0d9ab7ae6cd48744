"""I check multi-band blending: it invents nothing, block by block is the whole, and details do not blur at seams.

Reference: Burt & Adelson, ACM TOG 2(4):217-236, 1983.
"""

from __future__ import annotations

import numpy as np
import pytest
import tolerances as tol

from stitchbed.blending.multiband import HALO, LEVELS, multiband_blend
from stitchbed.imaging.box import Box, blocks, clipped, grown

SIDE = 512


def _noise(draw: int, channels: int = 3, side: int = SIDE) -> np.ndarray:
    return np.random.default_rng(draw).random((side, side, channels), dtype=np.float32)


def _ragged(draw: int, side: int = SIDE) -> np.ndarray:
    """A seam that wanders."""
    wander = np.cumsum(np.random.default_rng(draw).integers(-1, 2, side)) + side // 2
    return (np.arange(side)[None] < wander[:, None]).astype(np.float32)


@pytest.mark.parametrize("channels", [1, 3])
def test_the_same_picture_on_both_sides_returns_unchanged(channels: int) -> None:
    """The pyramid's identity."""
    picture, mask = _noise(1, channels), _ragged(1)
    mixed = multiband_blend([picture, picture.copy()], [mask, 1 - mask])
    assert mixed.shape == picture.shape and mixed.dtype == np.float32
    assert np.abs(mixed - picture).max() < tol.PYRAMID


def test_a_lone_layer_is_not_touched() -> None:
    picture = _noise(2)
    assert multiband_blend([picture], [np.ones((SIDE, SIDE), np.float32)]) is picture


def _worst_difference(edge: int, halo: int) -> float:
    """Greatest difference between blending blocks with a halo and blending the whole, at blocks inside the picture."""
    side = 768
    layers, mask = [_noise(3, 1, side), _noise(4, 1, side)], _ragged(3, side)
    whole = multiband_blend(layers, [mask, 1 - mask])
    worst = []
    for box in blocks(side, side, edge):
        wide = grown(box, halo)
        if clipped(wide, Box(0, 0, side, side)) == wide:  # at the picture's own rim there is nothing to compare with
            mixed = multiband_blend([p[wide.slices] for p in layers], [o[wide.slices] for o in (mask, 1 - mask)])
            worst.append(float(np.abs(mixed[halo:-halo, halo:-halo] - whole[box.slices]).max()))
    assert len(worst) >= 1
    return max(worst)


@pytest.mark.parametrize("edge", [64, 128, 256])
def test_block_by_block_is_the_whole(edge: int) -> None:
    """With block origins on the pyramid's grid and a halo of 3 x 2^levels; with two thirds of it 7e-4 is lost."""
    assert HALO == 3 * 2**LEVELS
    assert _worst_difference(edge, HALO) < tol.PYRAMID
    assert _worst_difference(edge, HALO - 2**LEVELS) > 20 * tol.PYRAMID


def test_a_step_melts_without_overshoot() -> None:
    """Two flat pictures: from one to the other, monotone, within the widest band."""
    mask = np.zeros((SIDE, SIDE), np.float32)
    mask[:, : SIDE // 2] = 1
    low, high = np.full((SIDE, SIDE, 1), 0.4, np.float32), np.full((SIDE, SIDE, 1), 0.6, np.float32)
    row = multiband_blend([low, high], [mask, 1 - mask])[SIDE // 2, :, 0]
    assert (np.diff(row) > -1e-6).all()
    assert row[SIDE // 2 - 2 * HALO] == pytest.approx(0.4, abs=1e-6)
    assert row[SIDE // 2 + 2 * HALO] == pytest.approx(0.6, abs=1e-6)
    crossing = np.flatnonzero((row > 0.42) & (row < 0.58))
    assert 8 < len(crossing) < 2 * HALO  # a wide, soft step: no seam to be seen


def test_fine_detail_switches_within_a_few_pixels() -> None:
    """Independent grain on both sides keeps its depth across the seam; a plain cross-fade would lose 30 % of it."""
    mask = np.zeros((SIDE, SIDE), np.float32)
    mask[:, : SIDE // 2] = 1
    mixed = multiband_blend([_noise(5, 1), _noise(6, 1)], [mask, 1 - mask])[..., 0]
    depth = mixed.std(axis=0)
    far = np.median(depth[:128])
    near = depth[SIDE // 2 - 40 : SIDE // 2 + 40]
    assert near.min() > 0.75 * far and (near < 0.93 * far).sum() <= 4


def test_three_layers_sum_to_one() -> None:
    picture = _noise(7)
    first = _ragged(7)
    second = (1 - first) * _ragged(8).T
    third = 1 - first - second
    assert np.abs(multiband_blend([picture] * 3, [first, second, third]) - picture).max() < tol.PYRAMID
