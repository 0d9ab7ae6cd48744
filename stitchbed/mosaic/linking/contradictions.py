"""I find links that contradict each other around a loop where nothing else tells which of them is wrong.

In: a layout, the links it dropped, and what pictures say of other layouts. Out: `Contradiction`, with the pieces in
doubt and how far off they may be.

A link that was dropped because the others disagree with it was outvoted. Where a few doubtful ones are all that hold
its two ends together, they may as well be the liars: a motif drawn again and again lies on its like in several pieces
at once. Then the pictures are asked of the layout that would be right if the dropped link were: one that lays different
drawing on each other is no rival.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.memory import late
from stitchbed.core.quantities import two_digits
from stitchbed.imaging.transforms import moved
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.linking.link_graph import corners
from stitchbed.mosaic.linking.pose_graph import DISAGREES, REPEATED, Layout

if TYPE_CHECKING:
    import networkx as nx
else:
    nx = late("networkx")

CLEARLY = 3.0  # log odds by which the links that hold a piece must be surer than the dropped one
MOST_TRIED = 64  # parts of a layout that are tried elsewhere for one dropped link

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
        graph.add_edge(item.a, item.b, odds=max(_odds(item), 0.0))
    found = [
        Contradiction(tuple(chain), _missed(item, layout, sizes))
        for item, reason in layout.dropped
        if reason == DISAGREES and (chain := _chain(graph, item, layout, against))
    ]
    return sorted(found, key=lambda one: (-one.off_px, one.pieces))


def placed_aside(layout: Layout, sizes: Mapping[str, tuple[int, int]], least_px: float) -> list[Contradiction]:
    """Pieces that were placed although what links of theirs show is drawn several times, all in one, and how far off
    the worst of those links would put them; none where they are off by least_px (of the sheet) at most."""
    cut = [item for item, reason in layout.dropped if reason == REPEATED]
    within = [item for item in cut if {item.a, item.b} <= layout.sheet_from_tile.keys()]
    far = [(off, item) for item in within if (off := _missed(item, layout, sizes)) > least_px]
    names = sorted({name for _, item in far for name in (item.a, item.b)})
    return [Contradiction(tuple(names), max(off for off, _ in far))] if far else []


def aside_words(found: Sequence[Contradiction], px_per_mm: float) -> list[str]:
    """Warnings of `placed_aside`. px_per_mm : of the sheet."""
    return [
        f"{', '.join(one.pieces)} share what is drawn several times on the sheet, and little else says where they lie: "
        f"they may be at another of its places, {two_digits(one.off_px / px_per_mm)} mm off. Look at their seams; a "
        "scan with something in the overlap that is drawn once would tell"
        for one in found
    ]


def held_by_repeats(layout: Layout, rival: float) -> list[tuple[str, ...]]:
    """Parts of a layout, the largest first, that hang together by nothing but links which fit about as well elsewhere;
    none where it is one part. Loops of such links close at every place of a pattern. rival : as `BeliefSettings`.

    Of 17 sets with drawing that does not repeat no link came to .65; all three of a wallpaper, a period off, to .83.
    """
    surely, all_links = nx.Graph(), nx.Graph((item.a, item.b) for item in layout.links)
    all_links.add_nodes_from(layout.sheet_from_tile)
    surely.add_nodes_from(layout.sheet_from_tile)
    surely.add_edges_from((item.a, item.b) for item in layout.links if item.rival < rival or item.said)
    parts = sorted((tuple(sorted(part)) for part in nx.connected_components(surely)), key=lambda one: (-len(one), one))
    return parts if len(parts) > nx.number_connected_components(all_links) else []


def repeat_words(parts: Sequence[Sequence[str]]) -> list[str]:
    """A warning of `held_by_repeats`."""
    if not parts:
        return []
    listed = "; ".join(", ".join(part) for part in parts)
    return [
        f"these share nothing but what fits about as well elsewhere, as a pattern does: {listed}. They may lie one "
        "repeat of it aside: look at the whole sheet's size and at its seams; more overlap, or a mark that is there "
        "once, would tell"
    ]


def contradiction_words(found: Sequence[Contradiction], px_per_mm: float) -> list[str]:
    """Warnings. px_per_mm : of the sheet."""
    return [
        f"the links of {', '.join(one.pieces)} contradict each other around a loop, and nothing tells which of them is "
        f"wrong: pieces there may be off by {two_digits(one.off_px / px_per_mm)} mm. Look at their seams; more "
        "overlap, or one piece across their middle, would tell"
        for one in found
    ]


def _chain(graph: nx.Graph, item: Link, layout: Layout, against: Spoken) -> list[str]:
    """The pieces from one end of a dropped link to the other, where the few links that hold them in one part may as
    well be the liars; else none."""
    for moving in _movable(graph, item):
        liars = [e for e in graph.edges if (e[0] in moving) != (e[1] in moving)]
        odds = sum(graph.edges[e]["odds"] for e in liars)
        if odds >= _odds(item) + CLEARLY:
            continue
        places, kept = _rival(graph, liars, item, layout)
        if odds < _odds(item) - against(places, kept) + CLEARLY:
            return list(nx.shortest_path(graph, item.a, item.b))
    return []


def _movable(graph: nx.Graph, item: Link) -> Iterator[frozenset[str]]:
    """Pieces that hang together with the second end of a dropped link and would move with it, the rest hanging together
    as well, the fewest first; no link between the two is too sure to be a liar."""
    sure = nx.Graph([e for e in graph.edges if graph.edges[e]["odds"] >= _odds(item) + CLEARLY])
    sure.add_nodes_from(graph)
    parts = nx.quotient_graph(graph, list(nx.connected_components(sure)))
    stays, first = (next(part for part in parts if name in part) for name in (item.a, item.b))
    grown = [frozenset({first})] if stays != first and nx.has_path(graph, item.a, item.b) else []
    for some in grown:
        if nx.is_connected(parts.subgraph(set(parts) - some)):
            yield frozenset(name for part in some for name in part)
        near = {part for one in some for part in parts[one]} - some - {stays}
        larger = [some | {part} for part in sorted(near, key=min)]
        grown += [one for one in larger if one not in grown][: MOST_TRIED - len(grown)]


def _rival(
    graph: nx.Graph, liars: Sequence[tuple[str, str]], item: Link, layout: Layout
) -> tuple[dict[str, Array], frozenset[tuple[str, str]]]:
    """Places if a dropped link were true and `liars` false, and the pairs (names in order) whose links stay as they
    were."""
    without = graph.copy()
    without.remove_edges_from(liars)
    moving = nx.node_connected_component(without, item.b)
    places = layout.sheet_from_tile
    there = places[item.a] @ np.linalg.inv(item.b_from_a) @ np.linalg.inv(places[item.b])
    rival = {name: np.asarray(there @ at if name in moving else at, np.float64) for name, at in places.items()}
    pairs = [(item.a, item.b), *without.edges]
    return rival, frozenset((min(one), max(one)) for one in pairs)


def _odds(item: Link) -> float:
    chance = float(np.clip(item.probability * (0.5 if item.weak and not item.by_cells else 1.0), 1e-6, 1 - 1e-6))
    return np.inf if item.said else float(np.log(chance / (1 - chance)))


def _missed(item: Link, layout: Layout, sizes: Mapping[str, tuple[int, int]]) -> float:
    at, places = corners(sizes[item.a]), layout.sheet_from_tile
    here, there = moved(places[item.a], at), moved(places[item.b], moved(item.b_from_a, at))
    return float(np.hypot(*(there - here).T).max())
