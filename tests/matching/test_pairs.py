"""I check that every pair of a small set is compared, and that a large set finds its neighbors without that."""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.matching.features import Keypoints
from stitchbed.matching.pairs import PairSettings, choose, every_pair

SETTINGS = PairSettings()


def _keypoints(name: str, descriptors: np.ndarray) -> Keypoints:
    count = len(descriptors)
    ones = np.ones(count, np.float32)
    return Keypoints(name, np.zeros((count, 2)), ones, ones, descriptors.astype(np.float32), 1)


def _grid(rows: int, cols: int, rng: np.random.Generator) -> tuple[list[Keypoints], set[tuple[int, int]]]:
    """Tiles of a grid whose neighbors see 50 places in common, with noise; and the true neighbors."""

    def unit(x: np.ndarray) -> np.ndarray:
        return x / np.linalg.norm(x, axis=1, keepdims=True)

    heads: list[list[np.ndarray]] = [[np.abs(unit(rng.normal(size=(120, 128))))] for _ in range(rows * cols)]
    neighbors = set()
    for i in range(rows * cols):
        for j in (i + 1 if (i + 1) % cols else None, i + cols if i + cols < rows * cols else None):
            if j is None:
                continue
            neighbors.add((i, j))
            common = np.abs(unit(rng.normal(size=(50, 128))))
            for k in (i, j):
                heads[k].append(unit(common + 0.02 * rng.normal(size=common.shape)))
    tiles = [_keypoints(f"t{i}", rng.permutation(np.concatenate(parts))) for i, parts in enumerate(heads)]
    return tiles, neighbors


@pytest.mark.parametrize("count", [0, 1, 2, 14])
def test_small_sets_are_compared_in_full(count: int) -> None:
    tiles = [_keypoints(f"t{i}", np.eye(3, 128)) for i in range(count)]
    pairs = choose(tiles, SETTINGS)
    assert pairs == every_pair(count) and len(pairs) == count * (count - 1) // 2
    assert all(i < j for i, j in pairs)


@pytest.mark.parametrize("draw", range(3))
def test_a_large_set_finds_its_neighbors_and_stays_cheap(draw: int) -> None:
    tiles, neighbors = _grid(6, 6, np.random.default_rng(draw))
    pairs = choose(tiles, SETTINGS)
    assert neighbors <= set(pairs)
    assert len(set(pairs)) == len(pairs) <= SETTINGS.partners * len(tiles)
    assert all(0 <= i < j < len(tiles) for i, j in pairs)
    # the first half of the list is where the overlaps are: whoever stops early loses little
    assert sum(pair in neighbors for pair in pairs[: len(neighbors)]) > 0.95 * len(neighbors)


def test_a_blank_tile_among_many_has_no_pairs_and_breaks_nothing() -> None:
    tiles, neighbors = _grid(4, 5, np.random.default_rng(5))
    tiles.insert(7, _keypoints("blank", np.zeros((0, 128))))
    moved = {(i + (i >= 7), j + (j >= 7)) for i, j in neighbors}
    pairs = choose(tiles, SETTINGS)
    assert moved <= set(pairs) and not any(7 in pair for pair in pairs)


def test_the_choice_does_not_depend_on_the_order_of_tiles() -> None:
    tiles, _ = _grid(4, 5, np.random.default_rng(6))
    order = np.random.default_rng(7).permutation(len(tiles))
    shuffled = choose([tiles[k] for k in order], SETTINGS)
    back = {(min(order[i], order[j]), max(order[i], order[j])) for i, j in shuffled}
    assert back == set(choose(tiles, SETTINGS))
