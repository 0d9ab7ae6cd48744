"""I check that places of a whole graph agree with all true links, however long the chains are."""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.imaging.transforms import moved, similarity_matrix
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.linking.link_graph import fits, link_graph, sorted_edges
from stitchbed.mosaic.linking.spanning_trees import best_places

SIDE, STEP, LOOP_PX = 240, 190, 6.0


def _graph(side: int, noise: float, rng: np.random.Generator) -> object:
    """Square pieces in a grid of `side` by `side`, each link with its neighbors off by so many px."""
    links = []
    for a in range(side * side):
        for b in (a + 1 if (a + 1) % side else -1, a + side):
            if 0 <= b < side * side:
                shift = np.array([(a % side - b % side) * STEP, (a // side - b // side) * STEP]) + rng.normal(
                    0, noise, 2
                )
                motion = similarity_matrix(np.array([1.0, rng.normal(0, noise / SIDE), *shift]))
                xy = np.clip(rng.uniform(0, SIDE, (30, 2)), -shift, SIDE - shift)
                links.append(Link(f"t{a:02}", f"t{b:02}", motion, xy, moved(motion, xy), 0.3, 0.9, 0.0))
    return link_graph({f"t{k:02}": (SIDE, SIDE) for k in range(side * side)}, links, LOOP_PX)


@pytest.mark.parametrize("draw", range(4))
def test_all_true_links_agree_with_places_spread_over_them(draw: int) -> None:
    graph = _graph(7, 0.28, np.random.default_rng(draw))
    places, agreeing = best_places(graph, 20, np.random.default_rng(1))
    assert agreeing == set(sorted_edges(graph))
    assert all(fits(graph, e, places) for e in agreeing)


def test_no_tree_is_no_answer() -> None:
    with pytest.raises(ValueError, match="trees"):
        best_places(_graph(2, 0.1, np.random.default_rng(0)), 0, np.random.default_rng(1))
