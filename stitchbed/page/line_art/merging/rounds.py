"""I join areas that strokes of tone part, all in view of one another.

In: areas of the small map that every stroke parts, what lies on it. Out: the same map, joined.

Whether a stroke is tone is hardly told by the stroke. So every border is weighed with what lies on both sides, the
surest are joined, and all is weighed again: a patch of hatching that has begun to close goes as a whole, while a pane,
an eye or the stripe of a shirt stays what it is. Where no tone lies near, nothing is joined. The numbers in
`merges.txt` were learned by the same rounds on drawn pages whose areas are known (`tests/benches/learn_merges.py`).
Reference: Nunez-Iglesias et al., Machine learning of hierarchical clustering to segment 2D and 3D images,
PLoS ONE 8(8):e71715, 2013 (borders learned on the states that joining itself comes by).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from stitchbed.core.arrays import Array, Bytes, Ints, Labels, Mask
from stitchbed.page.line_art.merging.graph import Graph, graph_of, joined_graph
from stitchbed.page.line_art.merging.looks import looks
from stitchbed.page.line_art.merging.trees import asked, learned
from stitchbed.page.line_art.outlines import Outlines
from stitchbed.page.line_art.regions import renumbered

SURE = (0.95, 0.9, 0.8, 0.7)  # chances of being one area from which on borders go, one after the other
LEAST_TONE = 0.01  # of a border
ROUNDS = 40  # at most; pages take some fifteen

Weigh = Callable[[dict[str, Array]], Array]


def join_strokes(labels: Labels, free: Bytes, outlines: Outlines, cell_mm: float) -> None:
    """Join the areas that only tone parts, in place. labels : also under lines, from 1. free : 1 where no line is."""
    if not (outlines.tone & (1 - free)).any():
        return
    trees = learned()
    labels -= 1
    into = settled_rounds(
        graph_of(labels, free, outlines, cell_mm),
        cell_mm,
        lambda seen: np.where(near_tone(seen), asked(trees, seen), -np.inf),
    )
    renumbered(labels, np.asarray(into + 1, np.int32))


def near_tone(seen: dict[str, Array]) -> Mask:
    """(m,) whether there is tone on a border, round one of its areas, or round a neighbor of these."""
    names = ("toned_small", "toned_large", "near_tone_small", "near_tone_large")
    return np.asarray(np.max([seen[name] for name in names], axis=0) > LEAST_TONE)


def settled_rounds(
    graph: Graph, cell_mm: float, weigh: Weigh, look: Callable[[dict[str, Array], Ints], None] | None = None
) -> Ints:
    """(n,) what each area is joined into. weigh : log odds that a border parts nothing, of what is seen of it.

    look : is shown what is seen at each round, and what each area is joined into so far.
    """
    into = np.arange(len(graph.areas))
    step = 0
    for _ in range(ROUNDS):
        if not len(graph.pairs):
            break
        seen = looks(graph, cell_mm)
        if look is not None:
            look(seen, into)
        chance = 1 / (1 + np.exp(-weigh(seen)))
        while step < len(SURE) - 1 and not (chance > SURE[step]).any():
            step += 1
        go = _best(graph, chance) & (chance > SURE[step])
        if not go.any():
            break
        one, two = graph.pairs[go].T
        whole = coo_array((np.ones(len(one)), (one, two)), shape=(len(graph.areas),) * 2)
        onto = connected_components(whole, directed=False)[1].astype(np.int64)
        into, graph = onto[into], joined_graph(graph, onto)
    return into


def _best(graph: Graph, chance: Array) -> Mask:
    """(m,) whether a border is the likeliest to go of one of its two areas."""
    best = np.zeros(len(graph.areas))
    one, two = graph.pairs.T
    np.maximum.at(best, one, chance)
    np.maximum.at(best, two, chance)
    return np.asarray(chance >= np.minimum(best[one], best[two]))
