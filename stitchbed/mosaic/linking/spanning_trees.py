"""I lay tiles out along the tree of links that most of the others agree with.

In: a graph of links that hang together. Out: first places, and the links that agree with them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.memory import late
from stitchbed.mosaic.linking.averaging import averaged
from stitchbed.mosaic.linking.link_graph import directed, fits, hold_all, sorted_edges, trusted, weight_of

if TYPE_CHECKING:
    import networkx as nx
else:
    nx = late("networkx")


def best_places(graph: nx.Graph, trees: int, rng: np.random.Generator) -> tuple[dict[str, Array], set[tuple[str, str]]]:
    """Places, sheet_from_tile 3x3, with which most trust agrees, and the links that do. trees : that are tried at most.

    Each tree is a witness for the links it does not hold: a true one agrees with many trees, a false one with hardly
    any. The second half of the trees is drawn by that, so that several lies at once cannot hide behind each other.
    """
    edges = sorted_edges(graph)
    total = weight_of(graph, edges)
    best: tuple[float, dict[str, Array], set[tuple[str, str]]] | None = None
    judged, praised = np.zeros(len(edges)), np.zeros(len(edges))
    for attempt in range(trees):
        jitter = rng.uniform(0.25, 1.0, len(edges)) if attempt else np.ones(len(edges))
        credit = (praised + 0.5) / (judged + 1) if 2 * attempt >= trees else np.ones(len(edges))
        for e, factor in zip(edges, jitter * credit, strict=True):
            graph.edges[e]["draw"] = graph.edges[e]["support"] * factor
        tree = nx.maximum_spanning_tree(graph, weight="draw")
        places = _placed(tree, graph)
        agrees = [tree.has_edge(*e) or fits(graph, e, places) for e in edges]
        outside = np.array([not tree.has_edge(*e) for e in edges])
        judged, praised = judged + outside, praised + (outside & np.array(agrees))
        agreeing = {e for e, well in zip(edges, agrees, strict=True) if well}
        score = weight_of(graph, agreeing)
        if best is None or score > best[0] + 1e-9:
            best = (score, places, agreeing)
        if best[0] >= total - 1e-9:
            break
    if best is None:
        raise ValueError("settings.trees must be at least 1")
    _, places, agreeing = best
    return _spread(graph, places, agreeing) if len(edges) >= len(places) else (places, agreeing)  # where loops are


def _spread(
    graph: nx.Graph, places: dict[str, Array], agreeing: set[tuple[str, str]]
) -> tuple[dict[str, Array], set[tuple[str, str]]]:
    """The same with the errors along the tree spread over all links, where as many of them agree then."""
    spread, kept = places, graph
    for _ in range(2):  # then without those that still disagree
        spread = averaged(spread, trusted(kept))
        well = {e for e in sorted_edges(graph) if fits(graph, e, spread)}
        kept = graph.edge_subgraph(sorted(well))
    whole = hold_all(graph, sorted(well))
    return (spread, well) if whole and weight_of(graph, well) >= weight_of(graph, agreeing) else (places, agreeing)


def _placed(tree: nx.Graph, graph: nx.Graph) -> dict[str, Array]:
    """Chain the links of a tree outward from its middle."""
    root = min(nx.center(tree))
    places = {root: np.eye(3)}
    for parent, child in nx.bfs_edges(tree, root, sort_neighbors=sorted):
        item, forward = directed(graph, parent, child)
        step = np.linalg.inv(item.b_from_a) if forward else item.b_from_a
        places[child] = places[parent] @ step
    return places
