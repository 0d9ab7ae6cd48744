"""I put links into a graph, each with the trust in it, and say which of them agree with places.

In: links between tiles. Out: a graph of tiles, its edges with `link`, `weight` and `support`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.memory import late
from stitchbed.imaging.transforms import moved
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.linking.averaging import Trusted

if TYPE_CHECKING:
    import networkx as nx
else:
    nx = late("networkx")

# Trust in a link of faint marks, and in one that whole pictures showed, of one that as many points of the drawing show:
# two of the latter outvote a few points that lie on another letter of the same shape.
GRAIN_TRUST, CELLS_TRUST = 0.1, 1.0
SAID = 1e6  # trust in what a person said; of pictures it is some ten


def link_graph(sizes: Mapping[str, tuple[int, int]], links: Sequence[Link], loop_px: float) -> nx.Graph:
    """Tiles and links, each with the trust in it (`weight`; `support`: the same, more for triangles that close) and
    how far, px, it may miss (`most`). sizes : (height, width) px per tile. loop_px : `most` per 1000 px of a tile."""
    graph = nx.Graph()
    graph.add_nodes_from(sorted(sizes))
    for item in links:
        most = loop_px / 1000 * max(sizes[min(item.a, item.b)])
        graph.add_edge(item.a, item.b, link=item, weight=_trust(item), most=most)
    for one, two, data in graph.edges(data=True):
        data["support"] = data["weight"] * (0.2 + _triangles(graph, one, two, sizes))
    return graph


def sorted_edges(graph: nx.Graph) -> list[tuple[str, str]]:
    """All of them, so that their order never matters."""
    return sorted((min(e), max(e)) for e in graph.edges)


def weight_of(graph: nx.Graph, edges: Iterable[tuple[str, str]]) -> float:
    """Trust in some links together."""
    return float(sum(graph.edges[e]["weight"] for e in sorted(edges)))


def hold_all(graph: nx.Graph, edges: Iterable[tuple[str, str]]) -> bool:
    """True if some links alone hold all tiles together."""
    kept = graph.edge_subgraph(edges)
    return set(kept) == set(graph) and nx.is_connected(kept)


def trusted(graph: nx.Graph) -> list[Trusted]:
    """All links, with what the graph knows of them."""
    every = [graph.edges[e] for e in sorted_edges(graph)]
    return [Trusted(data["link"], data["weight"], data["most"]) for data in every]


def directed(graph: nx.Graph, one: str, two: str) -> tuple[Link, bool]:
    """The link of two tiles, and whether it goes from the first to the second."""
    item: Link = graph.edges[one, two]["link"]
    return item, item.a == one


def fits(graph: nx.Graph, e: tuple[str, str], places: Mapping[str, Array]) -> bool:
    """True if places agree with a link."""
    item: Link = graph.edges[e]["link"]
    implied = np.linalg.inv(places[item.b]) @ places[item.a]
    at = np.stack([item.xy_a.min(0), item.xy_a.max(0)])
    off = float(np.hypot(*(moved(implied, at) - moved(item.b_from_a, at)).T).max())
    return bool(off < graph.edges[e]["most"])


def loop_residual(links: Sequence[tuple[Link, bool]], size: tuple[int, int]) -> float:
    """How far (px) the corners of a tile of `size` (h, w) miss themselves after going round a loop.

    links : (link, forward) in order; forward means from link.a to link.b.
    """
    trip = np.eye(3)
    for item, forward in links:
        trip = (item.b_from_a if forward else np.linalg.inv(item.b_from_a)) @ trip
    at = corners(size)
    return float(np.hypot(*(moved(trip, at) - at).T).max())


def _triangles(graph: nx.Graph, one: str, two: str, sizes: Mapping[str, tuple[int, int]]) -> int:
    """Number of triangles through this edge that close."""
    closing = 0
    for third in sorted(nx.common_neighbors(graph, one, two)):
        round_trip = [directed(graph, one, two), directed(graph, two, third), directed(graph, third, one)]
        closing += loop_residual(round_trip, sizes[one]) < 0.02 * max(sizes[one])
    return closing


def _trust(item: Link) -> float:
    """A single number to sort links by: how much the pictures agree, less where another motion does nearly as well,
    and less the less probable it is; what a person said is trusted more than all pictures together."""
    if item.said:
        return SAID
    less = CELLS_TRUST if item.by_cells else GRAIN_TRUST if item.weak else 1.0
    doubt = (1.05 - min(item.rival, 1.0)) * item.probability * less
    return float(max(item.agreement, 0.01) * np.sqrt(len(item.xy_a)) * doubt)


def corners(size: tuple[int, int]) -> Array:
    """(4, 2) px, centers of the corner pixels of an (h, w) picture, clockwise from the top left."""
    h, w = size
    return np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], float)
