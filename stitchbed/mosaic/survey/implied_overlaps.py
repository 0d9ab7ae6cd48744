"""I check every overlap that a layout implies, whether or not a link was ever proposed for it.

In: a layout and the pieces' leveled pictures. Out: pairs that show different things where they should show the same,
and the layouts that are left when the links that laid them so are not believed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Set
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import combinations

import cv2
import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.memory import late
from stitchbed.imaging.transforms import between, moved
from stitchbed.matching.overlap_evidence import Detail, Evidence, EvidenceSettings, aligned, compare, probability
from stitchbed.matching.similarity_links import Link
from stitchbed.matching.twins import TwinSettings, drawn_once
from stitchbed.mosaic.islands.lattice import whole
from stitchbed.mosaic.linking.link_graph import SAID, corners
from stitchbed.mosaic.linking.pose_graph import Layout, bridges, without
from stitchbed.mosaic.survey.judgment import BeliefSettings, finer

nx = late("networkx")

LEAST_DRAWN = 3.0  # cells' worth of drawing that a quarrel needs
LEAST_SHARE = 0.02  # of the smaller piece, that an overlap must have to be looked at
QUARREL = 0.1  # probability under which two pieces quarrel
# Likeness of the middle cell from which they show one drawing in which something moved, if no more than that share is
# odd: that is no layout's fault. Two pages on one printed form differ in more.
SAME, MOVED = 0.95, 0.3
AS_MUCH = 0.8  # share of the drawing two pieces share by their own link, that they must share by the layout
SURE = 0.98  # probability from which an overlap that a layout implies shows one drawing
# Log odds against places that are no whole grid where the layout is one: a false link lays a part within a tenth of a
# piece of where it belongs in 1 of 250 cases (5.5), and of 20 sheets one may be scanned otherwise (3).
GRID_ODDS = 8.5
MOST_ODDS = 8.0  # log odds that one pair may weigh, for or against: about 1 in 3,000


@dataclass(frozen=True)
class Quarrel:
    """Two pieces that a layout lays on each other and that show different things there. probability : of the layout
    being right there. evidence : cell by cell, in px of `a`."""

    a: str
    b: str
    probability: float
    evidence: Evidence


def quarrels(
    places: Mapping[str, Array],
    sizes: Mapping[str, tuple[int, int]],
    details: Mapping[str, Detail],
    evidence: EvidenceSettings,
    *,
    trusted: frozenset[tuple[str, str]] = frozenset(),
) -> list[Quarrel]:
    """Pairs whose implied overlap contradicts the layout; `trusted` pairs (names in order) are not asked again.

    places : sheet_from_tile 3x3; the drawing may lie some millimeters off.
    """
    found = []
    for a, b in _laid(places, sizes):
        if (a, b) in trusted:
            continue
        motion, both = between(places[a], places[b]), (details[a], details[b])
        seen = compare(motion, both, evidence)
        if probability(seen, evidence) < QUARREL:
            _, seen = aligned(motion, both, evidence)
        if seen.usual <= SAME or seen.odd >= MOVED:
            found += _quarreling(a, b, seen, evidence)
    return found


def seen_there(
    places: Mapping[str, Array],
    sizes: Mapping[str, tuple[int, int]],
    details: Mapping[str, Detail],
    evidence: EvidenceSettings,
    workers: int = 1,
) -> dict[tuple[str, str], Evidence]:
    """What pairs (names in order) show that lie on each other. places : sheet_from_tile 3x3, good to a pixel."""

    def asked(pair: tuple[str, str]) -> Evidence:
        a, b = pair
        return compare(between(places[a], places[b]), (details[a], details[b]), evidence)

    pairs = _laid(places, sizes)
    with ThreadPoolExecutor(workers) as pool:
        return dict(zip(pairs, pool.map(asked, pairs), strict=True))


def left_quarrels(seen: Mapping[tuple[str, str], Evidence], evidence: EvidenceSettings) -> list[Quarrel]:
    """Pairs that show different things at places good to a pixel, by what `seen_there` tells."""
    return [quarrel for (a, b), one in seen.items() for quarrel in _quarreling(a, b, one, evidence)]


def _quarreling(a: str, b: str, seen: Evidence, evidence: EvidenceSettings) -> list[Quarrel]:
    chance = probability(seen, evidence)
    return [Quarrel(a, b, chance, seen)] if seen.strong >= LEAST_DRAWN and chance < QUARREL else []


def _laid(places: Mapping[str, Array], sizes: Mapping[str, tuple[int, int]]) -> list[tuple[str, str]]:
    """Pairs, names in order, that share more than a rim."""
    return [pair for pair in combinations(sorted(places), 2) if shared(places, sizes, *pair) >= LEAST_SHARE]


def settled(
    layout: Layout, sizes: Mapping[str, tuple[int, int]], details: Mapping[str, Detail], evidence: EvidenceSettings
) -> list[Layout]:
    """What is left of a layout after its implied overlaps were asked.

    Two quarreling pieces are parted where the links between them are weakest, if all quarrels that this settles weigh
    more than the links it costs.
    """
    trusted = frozenset((min(one.a, one.b), max(one.a, one.b)) for one in layout.links)
    open_quarrels = quarrels(layout.sheet_from_tile, sizes, details, evidence, trusted=trusted)
    graph = nx.Graph()
    graph.add_nodes_from(layout.sheet_from_tile)
    for item in layout.links:
        graph.add_edge(item.a, item.b, capacity=SAID if item.said else _odds(item.probability), link=item)
    cut = []
    for quarrel in sorted(open_quarrels, key=lambda one: (one.probability, one.a, one.b)):
        if not nx.has_path(graph, quarrel.a, quarrel.b):
            continue
        cost, (side, _) = nx.minimum_cut(graph, quarrel.a, quarrel.b)
        parted = [one for one in open_quarrels if (one.a in side) != (one.b in side)]
        if cost < sum(_odds(1 - one.probability) for one in parted):
            crossing = [e for e in graph.edges if (e[0] in side) != (e[1] in side)]
            cut += [graph.edges[e]["link"] for e in sorted(crossing)]
            graph.remove_edges_from(crossing)
    reason = "other overlaps that it implies show different drawing"
    return without(layout, cut, reason, sizes) if cut else [layout]


def held_by_motifs(
    layout: Layout, sizes: Mapping[str, tuple[int, int]], details: Mapping[str, Detail], belief: BeliefSettings
) -> list[Link]:
    """Links that no loop checks and of which few points speak, where all that the two parts share is a few patches that
    come again elsewhere: a strip of stamped motifs fits wherever the same ones lie in the same order."""
    graph, places = nx.Graph((item.a, item.b) for item in layout.links), layout.sheet_from_tile
    found = []
    for item in bridges(layout):
        if item.said or item.loose_mm or len(item.xy_a) >= belief.many:
            continue
        parted = graph.copy()
        parted.remove_edge(item.a, item.b)
        side = nx.node_connected_component(parted, item.a)
        across = [pair for pair in combinations(sorted(places), 2) if (pair[0] in side) != (pair[1] in side)]
        counted = [
            drawn_once(between(places[a], places[b]), (details[a], details[b]), TwinSettings())
            for a, b in across
            if shared(places, sizes, a, b) >= LEAST_SHARE
        ]
        patches, single = np.array(counted).reshape(-1, 2).sum(axis=0)
        if 0 < patches < belief.motifs and not single:
            found.append(item)
    return found


def outvoted_only(
    layout: Layout, places: Mapping[str, Array], details: Mapping[str, Detail], evidence: EvidenceSettings
) -> Layout:
    """The layout at its measured `places` (sheet_from_tile 3x3), with those dropped links only that lay their pieces
    where these are more alike than where the layout has them: of the others it was the motion that was not exact."""

    def better(item: Link) -> bool:
        pair = details[item.a], details[item.b]
        own = compare(item.b_from_a, pair, evidence)
        laid = compare(np.linalg.inv(places[item.b]) @ places[item.a], pair, evidence)
        return laid.score < own.score or laid.amount < AS_MUCH * own.amount

    dropped = [(item, why) for item, why in layout.dropped if {item.a, item.b} <= set(places) and better(item)]
    return replace(layout, sheet_from_tile=dict(places), dropped=tuple(dropped))


def spoken_against(
    layout: Layout,
    sizes: Mapping[str, tuple[int, int]],
    details: Mapping[str, Detail],
    *,
    belief: BeliefSettings,
    evidence: EvidenceSettings,
) -> Callable[[Mapping[str, Array], Set[tuple[str, str]]], float]:
    """What asks pictures of other places (sheet_from_tile 3x3) than a layout's: log odds, 0 or more, by which they
    speak against them, pairs (names in order) not asked.

    Against them speak pairs that would show different things, and pairs that the layout shows to be one drawing, linked
    or not, where all of them together are clearly more alike as they are; and that they are no grid though
    the layout is one.
    """
    sure = _sure_overlaps(layout, sizes, details, evidence)
    laid = whole(layout.sheet_from_tile, sizes)

    def ask(places: Mapping[str, Array], settled_pairs: Set[tuple[str, str]]) -> float:
        found = quarrels(places, sizes, details, evidence, trusted=frozenset(settled_pairs))
        worse, askew = 0.0, GRID_ODDS if laid and not whole(places, sizes) else 0.0
        for (a, b), motion in sure.items():
            if (a, b) not in settled_pairs:
                to = between(places[a], places[b])
                worse += less_alike(motion, to, (details[a], details[b]), belief, evidence)
        return askew + MOST_ODDS * (worse if worse >= 1 else 0) + sum(_odds(1 - one.probability) for one in found)

    return ask


def less_alike(
    motion: Array, to: Array, pair: tuple[Detail, Detail], belief: BeliefSettings, evidence: EvidenceSettings
) -> float:
    """How much less alike two pieces that share drawing by `motion` (3x3, b_from_a) are by the motion `to`, where they
    share drawing too: 1 where clearly; below 0 where they are more alike; 0 where there is too little to compare."""
    own = compare(motion, pair, evidence)
    _, there = aligned(to, pair, evidence)
    if there.amount <= belief.as_much * own.amount:
        return 0.0
    return (own.score - there.score) / finer(belief, own, there).clearer


def _sure_overlaps(
    layout: Layout, sizes: Mapping[str, tuple[int, int]], details: Mapping[str, Detail], evidence: EvidenceSettings
) -> dict[tuple[str, str], Array]:
    """Motion b_from_a by pairs (names in order) that are linked, or that a layout lays on one drawing."""
    places, found = layout.sheet_from_tile, {}
    for item in layout.links:
        motion = item.b_from_a if item.a < item.b else np.linalg.inv(item.b_from_a)
        found[min(item.a, item.b), max(item.a, item.b)] = np.asarray(motion, np.float64)
    for a, b in combinations(sorted(places), 2):
        if (a, b) not in found and shared(places, sizes, a, b) >= LEAST_SHARE:
            motion = between(places[a], places[b])
            motion, seen = aligned(motion, (details[a], details[b]), evidence)
            if seen.strong >= LEAST_DRAWN and probability(seen, evidence) >= SURE:
                found[a, b] = motion
    return found


def doubted(quarrel: Quarrel, place: Array, px_per_mm: float) -> str:
    """Words for a quarrel, with its middle on the canvas. place : canvas_from_tile of piece a."""
    weight = quarrel.evidence.drawing * (1 - quarrel.evidence.likeness)
    x, y = moved(place, (weight @ quarrel.evidence.middle / weight.sum())[None])[0] / px_per_mm
    return f"{quarrel.a} and {quarrel.b} (around {x:.0f} mm from the left, {y:.0f} mm from the top)"


def _odds(chance: float) -> float:
    return float(np.clip(np.log(max(chance, 1e-9) / max(1 - chance, 1e-9)), 0.01, MOST_ODDS))


def shared(
    places: Mapping[str, Array], sizes: Mapping[str, tuple[int, int]], a: str, b: str, *, larger: bool = False
) -> float:
    """Overlap of two pieces' outlines as a share of the smaller one, or of the larger one; none of a single row of px,
    whose outline holds no area."""
    one, two = (moved(places[name], corners(sizes[name])).astype(np.float32) for name in (a, b))
    area, _ = cv2.intersectConvexConvex(one, two)
    whole = (max if larger else min)(abs(cv2.contourArea(one)), abs(cv2.contourArea(two)))
    return float(area) / whole if whole else 0.0
