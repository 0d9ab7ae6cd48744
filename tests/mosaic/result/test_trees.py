"""I check that frozen values come out of a table of arrays as they went in."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
import pytest

from stitchbed.core.arrays import Array
from stitchbed.mosaic.result.trees import flat, grown


@dataclass(frozen=True)
class Leaf:
    name: str
    at: Array
    count: int
    good: bool


@dataclass(frozen=True)
class Tree:
    first: Leaf
    rest: tuple[Leaf, ...]
    pair: tuple[int, float]
    names: tuple[str, ...] = ()


def test_a_tree_is_kept_and_grown_again() -> None:
    leaves = [Leaf(f"l {k}", np.arange(6.0).reshape(2, 3) + k, k, k > 1) for k in range(3)]
    tree = Tree(leaves[0], tuple(leaves[1:]), (3, 0.25), ("a", "b"))
    file = io.BytesIO()
    np.savez(file, **flat(tree, "t"))  # type: ignore[arg-type]
    file.seek(0)
    with np.load(file) as arrays:
        again = grown(Tree, dict(arrays), "t")
    assert repr(again) == repr(tree) and np.array_equal(again.rest[1].at, leaves[2].at)
    with pytest.raises(KeyError):
        grown(Tree, {}, "t")
