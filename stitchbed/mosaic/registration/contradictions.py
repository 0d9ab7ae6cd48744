"""I find links that contradict each other around a loop where nothing else tells which of them is wrong.

In: a layout, the links it dropped, and what pictures say of other layouts. Out: `Contradiction`, with the pieces in
doubt and how far off they may be.

A link that was dropped because the others disagree with it was outvoted. Where they are a mere chain, each held by
itself, one of them may as well be the liar: the vote was one against one. Then the pictures are asked of the layout
that would be right if the dropped link were: one that lays different drawing on each other is no rival.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence, Set
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.memory import late
from stitchbed.core.quantities import two_digits
from stitchbed.imaging.transforms import moved
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.registration.pose_graph import DISAGREES, Layout, bridges, corners

if TYPE_CHECKING:
    import networkx as nx
else:
    nx = late("networkx")

CLEARLY = 3.0  # log odds by which the weakest link of a chain must be surer than the dropped one

Places = Mapping[str, Array]  # sheet_from_tile 3x3 by the tile's name
Spoken = Callable[[Places, Set[tuple[str, str]]], float]


@dataclass(frozen=True)
class Contradiction:
    """pieces : of the chain, from one end of the dropped link to the other. off_px : how far its ends lie, px of the
    sheet, from where the dropped link puts them."""

    pieces: tuple[str, ...]
    off_px: float


def contradictions(layout: Layout, sizes: Mapping[str, tuple[int, int]], against: Spoken) -> list[Contradiction]:
    """Those of a layout, the farthest first. sizes : (height, width) px per tile. against : log odds, 0 or more, by
    which pictures speak against places, pairs (names in order) not asked."""
    graph = nx.Graph()
    graph.add_nodes_from(layout.sheet_from_tile)
    for item in layout.links:
        graph.add_edge(item.a, item.b, odds=_odds(item))
    alone = {frozenset((item.a, item.b)) for item in bridges(layout)}
    found = [
        Contradiction(tuple(chain), _missed(item, layout, sizes))
        for item, reason in layout.dropped
        if reason == DISAGREES and (chain := _chain(graph, alone, item, layout, against))
    ]
    return sorted(found, key=lambda one: (-one.off_px, one.pieces))


def contradiction_words(found: Sequence[Contradiction], px_per_mm: float) -> list[str]:
    """Warnings. px_per_mm : of the sheet."""
    return [
        f"the links of {', '.join(one.pieces)} contradict each other around a loop, and nothing tells which of them is "
        f"wrong: pieces there may be off by {two_digits(one.off_px / px_per_mm)} mm. Look at their seams; more "
        "overlap, or one piece across their middle, would tell"
        for one in found
    ]


def _chain(graph: nx.Graph, alone: Set[frozenset[str]], item: Link, layout: Layout, against: Spoken) -> list[str]:
    """The pieces from one end of a dropped link to the other, where one of the links between them, each holding its
    parts `alone`, may as well be the liar; else none."""
    if not nx.has_path(graph, item.a, item.b):
        return []
    chain: list[str] = nx.shortest_path(graph, item.a, item.b)
    doubtful = [e for e in pairwise(chain) if frozenset(e) in alone and graph.edges[e]["odds"] < _odds(item) + CLEARLY]
    for e in doubtful:
        places, kept = _rival(graph, e, item, layout)
        if graph.edges[e]["odds"] < _odds(item) - against(places, kept) + CLEARLY:
            return chain
    return []


def _rival(
    graph: nx.Graph, liar: tuple[str, str], item: Link, layout: Layout
) -> tuple[dict[str, Array], frozenset[tuple[str, str]]]:
    """Places if a dropped link were true and `liar` false, and the pairs (names in order) whose links stay as they
    were."""
    without = graph.copy()
    without.remove_edge(*liar)
    moving = nx.node_connected_component(without, item.b)
    places = layout.sheet_from_tile
    there = places[item.a] @ np.linalg.inv(item.b_from_a) @ np.linalg.inv(places[item.b])
    rival = {name: np.asarray(there @ at if name in moving else at, np.float64) for name, at in places.items()}
    pairs = [(item.a, item.b), *without.edges]
    return rival, frozenset((min(one), max(one)) for one in pairs)


def _odds(item: Link) -> float:
    chance = float(np.clip(item.probability * (0.5 if item.weak else 1.0), 1e-6, 1 - 1e-6))
    return np.inf if item.said else float(np.log(chance / (1 - chance)))


def _missed(item: Link, layout: Layout, sizes: Mapping[str, tuple[int, int]]) -> float:
    at, places = corners(sizes[item.a]), layout.sheet_from_tile
    here, there = moved(places[item.a], at), moved(places[item.b], moved(item.b_from_a, at))
    return float(np.hypot(*(there - here).T).max())
