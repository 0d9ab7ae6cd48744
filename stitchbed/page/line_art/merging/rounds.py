"""I join areas that strokes of tone part, all in view of one another.

In: areas of the small map that every stroke parts, what lies on it. Out: the same map, joined.

Whether a stroke is tone is hardly told by the stroke. So every border is weighed with what lies on both sides, the
surest are joined, and all is weighed again: a patch of hatching that has begun to close goes as a whole, while a pane,
an eye or the stripe of a shirt stays what it is. The numbers in `merges.txt` were learned by the same rounds on drawn
pages whose areas are known (`tests/benches/learn_merges.py`).
Reference: Nunez-Iglesias et al., Machine learning of hierarchical clustering to segment 2D and 3D images,
PLoS ONE 8(8):e71715, 2013 (borders learned on the states that joining itself comes by).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from stitchbed.core.arrays import Array, Bytes, Ints, Labels, Mask
from stitchbed.page.line_art.merging.graph import SOLID_MM, Graph, graph_of, joined_graph
from stitchbed.page.line_art.merging.looks import looks
from stitchbed.page.line_art.merging.patterns import joined_patterns
from stitchbed.page.line_art.merging.stems import join_stems
from stitchbed.page.line_art.merging.trees import PATTERNS, Trees, asked, learned
from stitchbed.page.line_art.outlines import Outlines
from stitchbed.page.line_art.regions import renumbered
from stitchbed.page.line_art.slivers import join_slivers

# chances of being one area from which on borders go, in turn; they are low, as harm weighed more when they were learned
SURE = (0.95, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3)
ALL_DRAWN, MOST_OPEN, MOST_AMID = 0.85, 0.1, 0.3  # of a border that is outline all along
ROOM_MM2, ROOM_MM = 1.2, 1.0  # of an area that is no paper between strokes
LETTERED, COUNTER_MM2 = 0.9, 10.0  # of all that lies round an area within a letter; the largest such area
ROUNDS = 60  # at most; pages take some thirty
TICKS = ROUNDS + 4

Weigh = Callable[[dict[str, Array]], Array]


def join_strokes(
    labels: Labels,
    free: Bytes,
    outlines: Outlines,
    smallest: int,
    cell_mm: float,
    *,
    workers: int = 1,
    tick: Callable[[], None] = lambda: None,
) -> None:
    """Join the areas that only tone parts, then those of fewer than `smallest` free cells, in place.

    labels : also under lines, from 1. free : 1 where no line is. tick : called TICKS times at most.
    """
    trees = learned()
    labels -= 1
    graph = graph_of(labels, free, outlines, cell_mm, workers=workers, tick=tick)
    tick()

    def weigh(seen: dict[str, Array]) -> Array:
        tick()
        return weighed(trees, seen)

    into = settled_rounds(graph, cell_mm, weigh)
    into = joined_patterns(joined_graph(graph, into), cell_mm, learned(PATTERNS))[into]
    renumbered(labels, np.asarray(into, np.int32))
    join_stems(graph, into, labels, cell_mm, trees)
    labels += 1
    join_slivers(labels, free, outlines.tone, smallest)
    tick()


def weighed(trees: Trees, seen: dict[str, Array]) -> Array:
    """(m,) log odds that a border parts nothing; across an outline between rooms or black, none; round what a letter
    closes in, no doubt."""
    odds = np.where(between_rooms(seen) | (seen["thick"] > SOLID_MM), -np.inf, asked(trees, seen))
    return np.where(within_letters(seen), np.inf, odds)


def within_letters(seen: dict[str, Array]) -> Mask:
    """(m,) whether a border is lettering all along, and round one small area goes nothing else, or tone alone: a B
    closes in two areas that touch."""
    alone = np.maximum(seen["share_small"], seen["toned_small"])
    whole = (seen["mark"] >= LETTERED) & (alone >= LETTERED)
    return np.asarray(whole & (seen["area_small"] <= np.log(COUNTER_MM2)))


def between_rooms(seen: dict[str, Array]) -> Mask:
    """(m,) whether a border is outline all along, and both its areas are wider than paper between strokes is."""
    area, across = (np.minimum(seen[f"{of}_small"], seen[f"{of}_large"]) for of in ("area", "across"))
    line = (seen["drawn"] >= ALL_DRAWN) & (seen["open"] <= MOST_OPEN) & (seen["amid"] < MOST_AMID)
    return np.asarray(line & (area >= np.log(ROOM_MM2)) & (across >= np.log(ROOM_MM)))


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
