"""I check layers that do not see all of a block: their rims are not pulled in, what nobody owns is said."""

from __future__ import annotations

import numpy as np
import tolerances as tol

from stitchbed.blending.multiband import multiband_blend
from stitchbed.blending.partial_layers import blend_seen

SIDE = 128


def _picture(draw: int) -> np.ndarray:
    return np.random.default_rng(draw).random((SIDE, SIDE, 3), dtype=np.float32)


def _left(columns: int) -> np.ndarray:
    return np.asarray(np.broadcast_to(np.arange(SIDE) < columns, (SIDE, SIDE)))


def test_layers_that_see_everything_are_blended_as_by_bands_alone() -> None:
    one, two, mine = _picture(1), _picture(2), _left(60)
    everywhere = np.ones((SIDE, SIDE), bool)
    mixed, covered = blend_seen([one, two], [everywhere, everywhere], [mine, ~mine])
    owners = [mine.astype(np.float32), (~mine).astype(np.float32)]
    assert covered.all() and np.array_equal(mixed, multiband_blend([one, two], owners))


def test_what_a_layer_shows_beyond_its_own_edge_is_not_pulled_in() -> None:
    picture = _picture(3)
    sight = _left(64)
    broken = np.where(sight[..., None], picture, np.float32(5))  # beyond its edge it holds nonsense
    mixed, _ = blend_seen([broken, picture], [sight, np.ones_like(sight)], [_left(60), ~_left(60)])
    assert np.abs(mixed - picture).max() < 10 * tol.PYRAMID


def test_a_border_along_what_nobody_sees_pulls_nothing_in() -> None:
    """The upper half is the first layer's, the lower half of the rest the second's; the right is nobody's."""
    one, two = np.full((SIDE, SIDE, 1), 0.2, np.float32), np.full((SIDE, SIDE, 1), 0.8, np.float32)
    upper, seen = _left(SIDE // 2).T, _left(100)
    mixed, covered = blend_seen([one, two], [seen, seen], [upper & seen, ~upper & seen])
    assert np.array_equal(covered, seen)
    assert np.abs(mixed[:8, :100] - 0.2).max() < 1e-3 and np.abs(mixed[-8:, :100] - 0.8).max() < 1e-3
    assert np.ptp(mixed[SIDE // 2 - 20, :100]) < 0.03  # as far from the border, as bright, to the rim of what is seen
