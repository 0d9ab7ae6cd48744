"""I check links around loops, drop liars, name islands, give first positions.

In: links between tiles. Out: for each island of tiles a first `sheet_from_tile` 3x3 per tile, and the links dropped.

Many spanning trees are tried; each places all tiles, and each other link says whether it agrees. The tree with which
most links agree wins. A false link (a repeated motif, dust that lies on the glass) agrees with few loops and falls.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.memory import late
from stitchbed.imaging.transforms import moved, scale_of
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.linking.averaging import averaged
from stitchbed.mosaic.linking.link_graph import corners, fits, hold_all, link_graph, sorted_edges, trusted, weight_of
from stitchbed.mosaic.linking.spanning_trees import best_places

if TYPE_CHECKING:
    import networkx as nx
else:
    nx = late("networkx")

DISAGREES = "disagrees with the other links around a loop"
REPEATED = "fits as well elsewhere: what is drawn there is drawn several times"
COPY = "shows another drawing of one motif"
AGREES = 0.5  # correlation of the views that a link lays on each other, from which it tells a turn
ODD_SIZE = 0.005  # share by which a link's size is another than the pieces' dpi say


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
    graph = link_graph(sizes, links, settings.loop_px)
    islands = sorted(nx.connected_components(graph), key=lambda part: (-len(part), min(part)))
    layouts: list[Layout] = []
    for part in islands:
        layouts.extend(_settled(graph.subgraph(part).copy(), sizes, settings, rng))
    return sorted(layouts, key=lambda layout: (-len(layout.sheet_from_tile), layout.reference))


def without(layout: Layout, links: Sequence[Link], reason: str, sizes: Mapping[str, tuple[int, int]]) -> list[Layout]:
    """The islands that are left of a layout when some of its links are not believed any more."""
    kept = nx.Graph()
    kept.add_nodes_from(layout.sheet_from_tile)
    kept.add_edges_from(
        (item.a, item.b, {"link": item}) for item in layout.links if not any(item is other for other in links)
    )
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


def looped(layout: Layout) -> dict[str, int]:
    """Piece -> a number that those have in common which loops of links tie together; none for a piece in no loop. Links
    along which hardly any drawing agrees are left out: how far a piece turns there is next to unknown."""
    graph = nx.Graph((item.a, item.b) for item in layout.links if item.agreement > AGREES)
    graph.remove_edges_from(list(nx.bridges(graph)))
    groups = sorted(sorted(part) for part in nx.connected_components(graph) if len(part) > 1)
    return {name: number for number, part in enumerate(groups) for name in part}


def repeated_in(layouts: Sequence[Layout]) -> frozenset[str]:
    """Pieces that fit at several places."""
    cut = [item for layout in layouts for item, reason in layout.dropped if reason in (REPEATED, COPY)]
    return frozenset(name for item in cut for name in (item.a, item.b))


def at_sizes(
    layout: Layout, scales: Mapping[str, float], sizes: Mapping[str, tuple[int, int]], settings: GraphSettings
) -> Layout:
    """The layout with pieces magnified as `scales` say, if links that disagree then are trusted less than those that
    say other sizes, and all pieces still hang together; else as it is."""
    graph = link_graph({name: sizes[name] for name in layout.sheet_from_tile}, layout.links, settings.loop_px)
    places = averaged(layout.sheet_from_tile, trusted(graph), scales)
    links = {e: graph.edges[e]["link"] for e in sorted_edges(graph)}
    off = [e for e in links if not fits(graph, e, places)]
    odd = [e for e, one in links.items() if abs(scale_of(one.b_from_a) * scales[one.b] / scales[one.a] - 1) > ODD_SIZE]
    if off and weight_of(graph, off) >= weight_of(graph, odd):
        return layout
    if not hold_all(graph, [e for e in links if e not in off]):
        return layout
    return replace(
        layout,
        sheet_from_tile=seen_from(layout.reference, places),
        links=tuple(one for e, one in links.items() if e not in off),
        dropped=(*layout.dropped, *((links[e], DISAGREES) for e in off)),
    )


def _settled(
    graph: nx.Graph, sizes: Mapping[str, tuple[int, int]], settings: GraphSettings, rng: np.random.Generator
) -> list[Layout]:
    """Place one connected part; links that disagree are dropped, and what then falls apart is several islands."""
    if graph.number_of_edges() == 0:
        name = min(graph.nodes)
        return [Layout(name, {name: np.eye(3)}, (), ())]
    places, agreeing = best_places(graph, settings.trees, rng)
    dropped = [(graph.edges[e]["link"], DISAGREES) for e in sorted_edges(graph) if e not in agreeing]
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
    links = {e: kept.edges[e]["link"] for e in sorted_edges(kept)}
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
    links = tuple(kept.edges[e]["link"] for e in sorted_edges(kept))
    return Layout(reference, sheet, links, tuple(dropped))


def _center(graph: nx.Graph, places: Mapping[str, Array], sizes: Mapping[str, tuple[int, int]]) -> str:
    """The tile nearest to the middle of the sheet, so that errors grow outward evenly."""
    middles = {n: moved(places[n], corners(sizes[n])).mean(0) for n in graph.nodes}
    heart = np.mean(list(middles.values()), axis=0)
    return min(sorted(middles), key=lambda n: round(float(np.hypot(*(middles[n] - heart))), 3))
