"""I write the hints that would mend a set that does not hang together, filled in as far as known.

In: islands, pairs that were compared. Out: lines for the table [join.hints] of a job file. What only a person can see,
the points, stands as X and Y, so that nothing is taken for said that was not.
"""

from __future__ import annotations

from collections.abc import Sequence

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.matching.similarity_links import NoLink
from stitchbed.mosaic.hints.following import USUAL_STEP, Pieces
from stitchbed.mosaic.hints.kinds import Beside
from stitchbed.mosaic.hints.writing import to_table, toml_of
from stitchbed.mosaic.linking.pose_graph import Layout

MOST = 6  # islands for which lines are written


def hint_lines(layouts: Sequence[Layout], no_links: Sequence[NoLink], pieces: Pieces) -> list[str]:
    """One line of points and one of rough places; each names, for every island but the first, the pair that is most
    likely to be neighbors."""
    pairs = [_pair(layout, layouts[0], no_links, list(pieces.sizes)) for layout in layouts[1 : MOST + 1]]
    points = [f"{{ a = {toml_of(a)}, a_at = [X, Y], b = {toml_of(b)}, b_at = [X, Y] }}" for a, b in pairs]
    places = []
    for a, b in pairs:
        width = pieces.sizes[a][1] / pieces.dpi[a] * MM_PER_INCH
        places.append(toml_of(to_table(Beside(b, "right", a, float(round(USUAL_STEP * width))))))
    return [f"same_point = [{', '.join(points)}]", f"beside = [{', '.join(places)}]"] if pairs else []


def _pair(layout: Layout, main: Layout, no_links: Sequence[NoLink], names: Sequence[str]) -> tuple[str, str]:
    """A piece of the main island and one of another: the pair that came nearest to a link, else next by name."""
    tried = [
        (one.probability, one.a, one.b) if one.a in main.sheet_from_tile else (one.probability, one.b, one.a)
        for one in no_links
        if (one.a in main.sheet_from_tile and one.b in layout.sheet_from_tile)
        or (one.b in main.sheet_from_tile and one.a in layout.sheet_from_tile)
    ]
    best = max(tried, default=None, key=lambda one: one[0])
    if best is not None and best[0] > 0:
        return best[1], best[2]
    order = {name: k for k, name in enumerate(names)}
    near = [(abs(order[a] - order[b]), a, b) for a in main.sheet_from_tile for b in layout.sheet_from_tile]
    return min(near)[1:]
