"""I check links around loops, drop liars, name islands, give first positions.

In: links between tiles. Out: for each island of tiles a first `sheet_from_tile` 3x3 per tile, and the links dropped.

Many spanning trees are tried; each places all tiles, and each other link says whether it agrees. The tree with which
most links agree wins. A false link (a repeated motif, dust that lies on the glass) agrees with few loops and falls.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.memory import late
from stitchbed.imaging.transforms import moved, scale_of
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.registration.averaging import Trusted, averaged

if TYPE_CHECKING:
    import networkx as nx
else:
    nx = late("networkx")

DISAGREES = "disagrees with the other links around a loop"
REPEATED = "fits as well elsewhere: what is drawn there is drawn several times"
COPY = "shows another drawing of one motif"
# Trust in a link of faint marks, and in one that whole pictures showed, of one that as many points of the drawing show:
# two of the latter outvote a few points that lie on another letter of the same shape.
GRAIN_TRUST, CELLS_TRUST = 0.1, 1.0
ODD_SIZE = 0.005  # share by which a link's size is another than the pieces' dpi say
SAID = 1e6  # trust in what a person said; of pictures it is some ten


@dataclass(frozen=True)
class GraphSettings:
    """loop_px: how far (tile px per 1000 px of tile) a loop may miss before a link in it is doubted;
    6 covers uncorrected axis errors of .3 % and survey noise. trees: spanning trees tried in doubtful sets.
    alone: probability that a link needs which no loop confirms; alone_there: the same of pieces that fit at several
    places, as others of their links show, for there a wrong place is nearly as alike as the true one.
    sure: probability from which a link that disagrees is no chance but a thing drawn twice: lines of writing and
    screens of dots showed up to .98, one motif on a grid .994. repeated: share of links that fit elsewhere, or of sure
    ones that disagree, from which the sheet repeats itself: writing showed .1 of the former, none of the latter.
    """

    loop_px: float = 6.0
    trees: int = 60
    alone: float = 0.7
    alone_there: float = 0.9
    sure: float = 0.985
    repeated: float = 0.33


@dataclass(frozen=True)
class Layout:
    """One island of tiles that hang together.

    sheet_from_tile : 3x3 per tile name; the reference tile's is the identity. links : kept. dropped : (link, reason).
    """

    reference: str
    sheet_from_tile: Mapping[str, Array]
    links: tuple[Link, ...]
    dropped: tuple[tuple[Link, str], ...]


def lay_out(
    sizes: Mapping[str, tuple[int, int]], links: Sequence[Link], settings: GraphSettings, rng: np.random.Generator
) -> list[Layout]:
    """Islands, the largest first; a tile without links is an island of its own.

    sizes : (height, width) px per tile.
    """
    graph = _graph(sizes, links)
    islands = sorted(nx.connected_components(graph), key=lambda part: (-len(part), min(part)))
    layouts: list[Layout] = []
    for part in islands:
        layouts.extend(_settled(graph.subgraph(part).copy(), sizes, settings, rng))
    return sorted(layouts, key=lambda layout: (-len(layout.sheet_from_tile), layout.reference))


def without(layout: Layout, links: Sequence[Link], reason: str, sizes: Mapping[str, tuple[int, int]]) -> list[Layout]:
    """The islands that are left of a layout when some of its links are not believed any more."""
    kept = _graph(sizes, [item for item in layout.links if not any(item is other for other in links)])
    kept = kept.subgraph(layout.sheet_from_tile).copy()
    dropped = [*layout.dropped, *[(item, reason) for item in links]]
    parts = sorted(nx.connected_components(kept), key=lambda part: (-len(part), min(part)))
    places = layout.sheet_from_tile
    return [_island(kept.subgraph(part), places, sizes, dropped if k == 0 else []) for k, part in enumerate(parts)]


def seen_from(reference: str, places: Mapping[str, Array]) -> dict[str, Array]:
    """Places on the sheet that one of their tiles makes: its own is the identity, to the bit."""
    back = np.linalg.inv(places[reference])
    return {name: np.eye(3) if name == reference else np.asarray(back @ at) for name, at in places.items()}


def bridges(layout: Layout) -> list[Link]:
    """Links of a layout that no loop checks: each alone holds two parts together."""
    graph = nx.Graph((item.a, item.b) for item in layout.links)
    alone = {frozenset(e) for e in nx.bridges(graph)}
    return [item for item in layout.links if frozenset((item.a, item.b)) in alone]


def repeated_in(layouts: Sequence[Layout]) -> frozenset[str]:
    """Pieces that fit at several places."""
    cut = [item for layout in layouts for item, reason in layout.dropped if reason in (REPEATED, COPY)]
    return frozenset(name for item in cut for name in (item.a, item.b))


def at_sizes(
    layout: Layout, scales: Mapping[str, float], sizes: Mapping[str, tuple[int, int]], settings: GraphSettings
) -> Layout:
    """The layout with pieces magnified as `scales` say, if links that disagree then are trusted less than those that
    say other sizes, and all pieces still hang together; else as it is."""
    graph = _graph({name: sizes[name] for name in layout.sheet_from_tile}, layout.links)
    places = averaged(layout.sheet_from_tile, _trusted(graph, sizes, settings), scales)
    links = {e: graph.edges[e]["link"] for e in _sorted_edges(graph)}
    off = [e for e in links if not _fits(graph, e, places, sizes, settings)]
    odd = [e for e, one in links.items() if abs(scale_of(one.b_from_a) * scales[one.b] / scales[one.a] - 1) > ODD_SIZE]
    if off and _weight(graph, off) >= _weight(graph, odd):
        return layout
    kept = graph.edge_subgraph([e for e in links if e not in off])
    if set(kept) != set(graph) or not nx.is_connected(kept):
        return layout
    return replace(
        layout,
        sheet_from_tile=seen_from(layout.reference, places),
        links=tuple(one for e, one in links.items() if e not in off),
        dropped=(*layout.dropped, *((links[e], DISAGREES) for e in off)),
    )


def loop_residual(links: Sequence[tuple[Link, bool]], size: tuple[int, int]) -> float:
    """How far (px) the corners of a tile of `size` (h, w) miss themselves after going round a loop.

    links : (link, forward) in order; forward means from link.a to link.b.
    """
    trip = np.eye(3)
    for item, forward in links:
        trip = (item.b_from_a if forward else np.linalg.inv(item.b_from_a)) @ trip
    at = corners(size)
    return float(np.hypot(*(moved(trip, at) - at).T).max())


def corners(size: tuple[int, int]) -> Array:
    """(4, 2) px, centers of the corner pixels of an (h, w) picture, clockwise from the top left."""
    h, w = size
    return np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], float)


def _graph(sizes: Mapping[str, tuple[int, int]], links: Sequence[Link]) -> nx.Graph:
    graph = nx.Graph()
    graph.add_nodes_from(sorted(sizes))
    for item in links:
        graph.add_edge(item.a, item.b, link=item, weight=_trust(item))
    for one, two, data in graph.edges(data=True):
        data["support"] = data["weight"] * (0.2 + _triangles(graph, one, two, sizes))
    return graph


def _trust(item: Link) -> float:
    """A single number to sort links by: how much the pictures agree, less where another motion does nearly as well,
    and less the less probable it is; what a person said is trusted more than all pictures together."""
    if item.said:
        return SAID
    less = CELLS_TRUST if item.by_cells else GRAIN_TRUST if item.weak else 1.0
    doubt = (1.05 - min(item.rival, 1.0)) * item.probability * less
    return float(max(item.agreement, 0.01) * np.sqrt(len(item.xy_a)) * doubt)


def _triangles(graph: nx.Graph, one: str, two: str, sizes: Mapping[str, tuple[int, int]]) -> int:
    """Number of triangles through this edge that close."""
    closing = 0
    for third in sorted(nx.common_neighbors(graph, one, two)):
        round_trip = [_directed(graph, one, two), _directed(graph, two, third), _directed(graph, third, one)]
        closing += loop_residual(round_trip, sizes[one]) < 0.02 * max(sizes[one])
    return closing


def _directed(graph: nx.Graph, one: str, two: str) -> tuple[Link, bool]:
    item: Link = graph.edges[one, two]["link"]
    return item, item.a == one


def _settled(
    graph: nx.Graph, sizes: Mapping[str, tuple[int, int]], settings: GraphSettings, rng: np.random.Generator
) -> list[Layout]:
    """Place one connected part; links that disagree are dropped, and what then falls apart is several islands."""
    if graph.number_of_edges() == 0:
        name = min(graph.nodes)
        return [Layout(name, {name: np.eye(3)}, (), ())]
    places, agreeing = _spread(graph, *_best_tree(graph, sizes, settings, rng), sizes, settings)
    dropped = [(graph.edges[e]["link"], DISAGREES) for e in _sorted_edges(graph) if e not in agreeing]
    kept = graph.edge_subgraph(sorted(agreeing)).copy()
    kept.add_nodes_from(graph.nodes)
    dropped += _cut_repeats(kept, [item for item, _ in dropped], settings)
    several = frozenset(name for item, _ in dropped if item.ambiguous for name in (item.a, item.b))
    dropped += _cut_bridges(kept, several, settings)
    parts = sorted(nx.connected_components(kept), key=lambda part: (-len(part), min(part)))
    return [_island(kept.subgraph(part), places, sizes, dropped if k == 0 else []) for k, part in enumerate(parts)]


def _cut_repeats(kept: nx.Graph, disagreeing: Sequence[Link], settings: GraphSettings) -> list[tuple[Link, str]]:
    """Take out links that only a motif drawn several times may hold.

    Those are links that would fit as well elsewhere, where no other link holds the same pieces together, and only a
    sure one does where many fit elsewhere; and every one where sure links contradict each other as often as they agree,
    or several of them nearly so. What a person said stays.
    """
    links = {e: kept.edges[e]["link"] for e in _sorted_edges(kept)}
    firm = [e for e, item in links.items() if item.said or not item.ambiguous]
    sure = [e for e in firm if not links[e].said and links[e].probability >= settings.sure]
    contradicted = sum(item.probability >= settings.sure for item in disagreeing)
    fitting = sum(item.ambiguous for item in (*links.values(), *disagreeing))
    several = contradicted > 1 and contradicted >= settings.repeated * len(sure)
    if several or 0 < contradicted >= len(sure):
        firm = [e for e in firm if links[e].said]
    elif fitting > 1 and fitting >= settings.repeated * (len(links) + len(disagreeing)):
        firm = [e for e in firm if e in sure or links[e].said]
    alone = nx.Graph(firm)
    alone.add_nodes_from(kept.nodes)
    part = {name: number for number, names in enumerate(nx.connected_components(alone)) for name in names}
    loose = [e for e in links if part[e[0]] != part[e[1]]]
    kept.remove_edges_from(loose)
    return [(links[e], REPEATED) for e in loose]


def _cut_bridges(kept: nx.Graph, several: Set[str], settings: GraphSettings) -> list[tuple[Link, str]]:
    """Take out links that hold two parts together with no loop to confirm them, unless they are sure by themselves.
    several : pieces that fit at several places."""

    def least(one: str, two: str) -> float:
        return settings.alone_there if one in several or two in several else settings.alone

    doubtful = [e for e in nx.bridges(kept) if kept.edges[e]["link"].probability < least(*e)]
    cut = [(kept.edges[e]["link"], "too doubtful to hold two groups together alone") for e in sorted(doubtful)]
    kept.remove_edges_from(doubtful)
    return cut


def _island(
    kept: nx.Graph, places: Mapping[str, Array], sizes: Mapping[str, tuple[int, int]], dropped: list[tuple[Link, str]]
) -> Layout:
    reference = _center(kept, places, sizes)
    sheet = seen_from(reference, {name: places[name] for name in sorted(kept.nodes)})
    links = tuple(kept.edges[e]["link"] for e in _sorted_edges(kept))
    return Layout(reference, sheet, links, tuple(dropped))


def _sorted_edges(graph: nx.Graph) -> list[tuple[str, str]]:
    return sorted((min(e), max(e)) for e in graph.edges)


def _best_tree(
    graph: nx.Graph, sizes: Mapping[str, tuple[int, int]], settings: GraphSettings, rng: np.random.Generator
) -> tuple[dict[str, Array], set[tuple[str, str]]]:
    """The spanning tree with whose places most trust agrees. Stops at once when every link agrees.

    Each tree is a witness for the links it does not hold: a true one agrees with many trees, a false one with hardly
    any. The second half of the trees is drawn by that, so that several lies at once cannot hide behind each other.
    """
    edges = _sorted_edges(graph)
    total = sum(graph.edges[e]["weight"] for e in edges)
    best: tuple[float, dict[str, Array], set[tuple[str, str]]] | None = None
    judged, praised = np.zeros(len(edges)), np.zeros(len(edges))
    for attempt in range(settings.trees):
        jitter = rng.uniform(0.25, 1.0, len(edges)) if attempt else np.ones(len(edges))
        credit = (praised + 0.5) / (judged + 1) if 2 * attempt >= settings.trees else np.ones(len(edges))
        for e, factor in zip(edges, jitter * credit, strict=True):
            graph.edges[e]["draw"] = graph.edges[e]["support"] * factor
        tree = nx.maximum_spanning_tree(graph, weight="draw")
        places = _placed(tree, graph)
        agrees = [tree.has_edge(*e) or _fits(graph, e, places, sizes, settings) for e in edges]
        outside = np.array([not tree.has_edge(*e) for e in edges])
        judged, praised = judged + outside, praised + (outside & np.array(agrees))
        agreeing = {e for e, well in zip(edges, agrees, strict=True) if well}
        score = sum(graph.edges[e]["weight"] for e in agreeing)
        if best is None or score > best[0] + 1e-9:
            best = (score, places, agreeing)
        if best[0] >= total - 1e-9:
            break
    if best is None:
        raise ValueError("settings.trees must be at least 1")
    return best[1], best[2]


def _spread(
    graph: nx.Graph,
    places: dict[str, Array],
    agreeing: set[tuple[str, str]],
    sizes: Mapping[str, tuple[int, int]],
    settings: GraphSettings,
) -> tuple[dict[str, Array], set[tuple[str, str]]]:
    """The same with the errors along the tree spread over all links, where more of them agree then."""
    edges = _sorted_edges(graph)
    if len(agreeing) == len(edges):
        return places, agreeing
    spread = averaged(places, _trusted(graph, sizes, settings))
    well = {e for e in edges if _fits(graph, e, spread, sizes, settings)}
    kept = graph.edge_subgraph(sorted(well))
    whole = set(kept) == set(graph) and nx.is_connected(kept)
    return (spread, well) if whole and _weight(graph, well) > _weight(graph, agreeing) else (places, agreeing)


def _weight(graph: nx.Graph, edges: Iterable[tuple[str, str]]) -> float:
    return float(sum(graph.edges[e]["weight"] for e in sorted(edges)))


def _trusted(graph: nx.Graph, sizes: Mapping[str, tuple[int, int]], settings: GraphSettings) -> list[Trusted]:
    edges = _sorted_edges(graph)
    return [Trusted(graph.edges[e]["link"], graph.edges[e]["weight"], _most(e, sizes, settings)) for e in edges]


def _placed(tree: nx.Graph, graph: nx.Graph) -> dict[str, Array]:
    """Chain the links of a tree outward from its middle."""
    root = min(nx.center(tree))
    places = {root: np.eye(3)}
    for parent, child in nx.bfs_edges(tree, root, sort_neighbors=sorted):
        item, forward = _directed(graph, parent, child)
        step = np.linalg.inv(item.b_from_a) if forward else item.b_from_a
        places[child] = places[parent] @ step
    return places


def _fits(
    graph: nx.Graph,
    e: tuple[str, str],
    places: Mapping[str, Array],
    sizes: Mapping[str, tuple[int, int]],
    settings: GraphSettings,
) -> bool:
    return _residual(graph, e, places) < _most(e, sizes, settings)


def _most(e: tuple[str, str], sizes: Mapping[str, tuple[int, int]], settings: GraphSettings) -> float:
    """How far (px) a link may miss and still agree."""
    return settings.loop_px / 1000 * max(sizes[e[0]])


def _residual(graph: nx.Graph, e: tuple[str, str], places: Mapping[str, Array]) -> float:
    item: Link = graph.edges[e]["link"]
    implied = np.linalg.inv(places[item.b]) @ places[item.a]
    at = np.stack([item.xy_a.min(0), item.xy_a.max(0)])
    return float(np.hypot(*(moved(implied, at) - moved(item.b_from_a, at)).T).max())


def _center(graph: nx.Graph, places: Mapping[str, Array], sizes: Mapping[str, tuple[int, int]]) -> str:
    """The tile nearest to the middle of the sheet, so that errors grow outward evenly."""
    middles = {n: moved(places[n], corners(sizes[n])).mean(0) for n in graph.nodes}
    heart = np.mean(list(middles.values()), axis=0)
    return min(sorted(middles), key=lambda n: round(float(np.hypot(*(middles[n] - heart))), 3))
