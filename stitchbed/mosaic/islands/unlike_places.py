"""I find places where pieces that fit each other all around show different things, and nothing has told so yet.

In: what overlaps show cell by cell, where pieces lie, what is known to have changed. Out: places, words.

Cells of one drawing scanned twice are alike; where most of an overlap is and a cell is not at all, something stands in
one of two scans only: it was drawn, filled in, moved or put there between them. The canvas shows what one of them does.
A sheet that lifts is darker and softer, but as alike; what was drawn with dark strokes along an edge looks lifted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Array, Mask
from stitchbed.core.memory import late
from stitchbed.imaging.transforms import moved
from stitchbed.matching.overlap_evidence import SPECK, Evidence

nx, spatial = late("networkx"), late("scipy.spatial")

# Of 98 sets of one sheet (16 with lifted edges) none had such a cell but those with a flap, a crumb, a fold, a hair or
# unlike lids in them.
ALIKE, UNLIKE, LESS = 0.85, 0.5, 0.35  # likeness of an overlap's upper quarter; of a cell; that it has less, at least
LEAST_BARE = 0.1  # cells' worth of drawing in one piece only, without specks: a fiber on the glass is dust, and goes
LEAST_CELLS = 3  # with drawing, of an overlap that tells what is usual in it
CELL_MM, NEAR_MM = 8.0, 15.0  # side of a cell; cells so near to each other are one place
NAMED = 6  # places named in a line

Pair = tuple[str, str]
Frame = tuple[float, float, float, float]


@dataclass(frozen=True)
class UnlikePlace:
    """Pieces a and b show different things around x, y canvas px, in so many cells."""

    a: str
    b: str
    x: float
    y: float
    cells: int


def unlike_places(
    seen: Mapping[Pair, Evidence], places: Mapping[str, Array], px_per_mm: float, known: Sequence[Frame] = ()
) -> list[UnlikePlace]:
    """The places, those of most cells first.

    places : canvas_from_tile 3x3. px_per_mm : of the canvas. known : middle x, y, width, height canvas px of what is
    told to have changed.
    """
    pairs: list[Pair] = []
    middles = [np.zeros((0, 2))]
    for pair, evidence in sorted(seen.items()):
        at = moved(places[pair[0]], evidence.middle[_unlike(evidence)])
        at = at[~_known(at, known, CELL_MM * px_per_mm)]
        pairs += [pair] * len(at)
        middles.append(at)
    middle = np.concatenate(middles)
    graph = nx.Graph()
    graph.add_nodes_from(range(len(middle)))
    if len(middle):
        graph.add_edges_from(spatial.cKDTree(middle).query_pairs(NEAR_MM * px_per_mm))
    found = []
    for group in nx.connected_components(graph):
        numbers = sorted(group)
        x, y = middle[numbers].mean(axis=0)
        a, b = pairs[numbers[0]]
        found.append(UnlikePlace(a, b, float(x), float(y), len(numbers)))
    return sorted(found, key=lambda one: (-one.cells, one.y, one.x))


def unlike_words(found: Sequence[UnlikePlace], px_per_mm: float) -> list[str]:
    """A line that names the places and the pieces."""
    if not found:
        return []
    listed = "; ".join(
        f"{one.x / px_per_mm:.0f}, {one.y / px_per_mm:.0f} mm ({one.a} and {one.b})" for one in found[:NAMED]
    )
    more = f" and {len(found) - NAMED} more" if len(found) > NAMED else ""
    return [
        f"{len(found)} place{'s' if len(found) != 1 else ''} where one piece shows what another one does not, though "
        f"they fit all around: {listed}{more}. Something moved, lay on the glass or was drawn between the scans: look "
        "whether the canvas shows it as it should be, and scan these places again if not"
    ]


def _unlike(evidence: Evidence) -> Mask:
    """(n,) cells that are not alike, in an overlap that is, and where more than dust stands in one piece only."""
    strong = evidence.drawing > SPECK
    if strong.sum() < LEAST_CELLS or evidence.bare * evidence.strong < LEAST_BARE:
        return np.zeros(len(strong), bool)
    usual = float(np.quantile(evidence.likeness[strong], 0.75))
    unlike: Mask = strong & (evidence.likeness < min(UNLIKE, usual - LESS)) & (usual > ALIKE)
    return unlike


def _known(at: Array, known: Sequence[Frame], room: float) -> Mask:
    """(n,) points within a known place, or within `room` px of one."""
    found = np.zeros(len(at), bool)
    for x, y, width, height in known:
        found |= (np.abs(at - (x, y)) <= np.array([width, height]) / 2 + room).all(axis=1)
    return found
