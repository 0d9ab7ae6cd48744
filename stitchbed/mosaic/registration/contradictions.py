"""I find links that contradict each other around a loop where nothing else tells which of them is wrong.

In: a layout and the links it dropped. Out: `Contradiction`, with the pieces in doubt and how far off they may be.

A link that was dropped because the others disagree with it was outvoted. Where they are a mere chain, each held by
itself, one of them may as well be the liar: the vote was one against one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

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


@dataclass(frozen=True)
class Contradiction:
    """pieces : of the chain, from one end of the dropped link to the other. off_px : how far its ends lie, px of the
    sheet, from where the dropped link puts them."""

    pieces: tuple[str, ...]
    off_px: float


def contradictions(layout: Layout, sizes: Mapping[str, tuple[int, int]]) -> list[Contradiction]:
    """Those of a layout, the farthest first. sizes : (height, width) px per tile."""
    graph = nx.Graph()
    graph.add_nodes_from(layout.sheet_from_tile)
    for item in layout.links:
        graph.add_edge(item.a, item.b, odds=_odds(item), capacity=1)
    alone = {frozenset((item.a, item.b)) for item in bridges(layout)}
    found = [
        Contradiction(tuple(chain), _missed(item, layout, sizes))
        for item, reason in layout.dropped
        if reason == DISAGREES and (chain := _chain(graph, alone, item))
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


def _chain(graph: nx.Graph, alone: Set[frozenset[str]], item: Link) -> list[str]:
    """The pieces from one end of a dropped link to the other, where a link `alone` may hold them; else none."""
    if not nx.has_path(graph, item.a, item.b) or nx.maximum_flow_value(graph, item.a, item.b) > 1:
        return []
    chain: list[str] = nx.shortest_path(graph, item.a, item.b)
    weakest = min((graph.edges[e]["odds"] for e in pairwise(chain) if frozenset(e) in alone), default=np.inf)
    return chain if weakest < _odds(item) + CLEARLY else []


def _odds(item: Link) -> float:
    chance = float(np.clip(item.probability * (0.5 if item.weak else 1.0), 1e-6, 1 - 1e-6))
    return np.inf if item.said else float(np.log(chance / (1 - chance)))


def _missed(item: Link, layout: Layout, sizes: Mapping[str, tuple[int, int]]) -> float:
    at, places = corners(sizes[item.a]), layout.sheet_from_tile
    here, there = moved(places[item.a], at), moved(places[item.b], moved(item.b_from_a, at))
    return float(np.hypot(*(there - here).T).max())
