"""I lay the one piece that is left over into the one hole of the grid where nothing drawn tells where it lies.

In: a grid of pieces that hang together, with one hole, and one piece more. Out: a loose link, or none.

Pieces of which hardly anything is drawn where they meet their neighbors are told as doubtful at their place: a canvas
with one doubtful piece serves better than none. What is drawn there and differs speaks against a place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.transforms import between, turn_of
from stitchbed.matching.overlap_evidence import compare
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.hints.motions import Sheet, bare_place
from stitchbed.mosaic.islands.groups import Compared
from stitchbed.mosaic.islands.lattice import Hole, holes, whole
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.mosaic.survey.implied_overlaps import shared

MOST_DRAWN = 1.5  # cells of drawing, faint ones and specks of dust too, that hardly anything is


@dataclass(frozen=True)
class LaidByGrid:
    """piece : laid into a hole. link : that puts it there. neighbors : of the hole. within_mm : it may be off by."""

    piece: str
    link: Link
    neighbors: tuple[str, ...]
    within_mm: float

    @property
    def words(self) -> str:
        """A warning without full stop."""
        return (
            f"{self.piece} was laid into the one hole of the grid of pieces, beside {', '.join(self.neighbors)}: "
            "hardly anything is drawn where it meets them, so only the grid tells; it may be off by "
            f"{self.within_mm:.0f} mm, lie upside down, or belong to another sheet. Look at it"
        )


def in_the_last_hole(layouts: Sequence[Layout], pieces: Compared) -> LaidByGrid | None:
    """The one piece that is left of all, where it makes the grid of the others whole and nothing drawn tells of it."""
    if len(layouts) != 2 or len(layouts[1].sheet_from_tile) > 1:
        return None
    large, (piece,) = layouts[0], layouts[1].sheet_from_tile
    hole = _only_hole(large, piece, pieces)
    if hole is None:
        return None
    per_mm = pieces.dpi[large.reference] / MM_PER_INCH
    sheet = Sheet(large.sheet_from_tile, pieces.sizes, pieces.details, pieces.dpi, per_mm, np.eye(3))
    within = hole.reach / per_mm
    if _drawn(piece, hole, large, pieces) > MOST_DRAWN:
        return None
    found = bare_place(piece, hole.at, sheet, within, pieces.evidence)
    return None if found is None else LaidByGrid(piece, found.link, hole.neighbors, within)


def _drawn(piece: str, hole: Hole, large: Layout, pieces: Compared) -> float:
    """Cells' worth of drawing, faint too, of all that the piece would share in a hole."""
    places = {**large.sheet_from_tile, piece: hole.at}
    others = [name for name in sorted(large.sheet_from_tile) if shared(places, pieces.sizes, name, piece) > 0]
    motions = [(name, between(places[name], hole.at)) for name in others]
    seen = [compare(motion, (pieces.details[name], pieces.details[piece]), pieces.evidence) for name, motion in motions]
    return sum(one.amount for one in seen)


def _only_hole(large: Layout, piece: str, pieces: Compared) -> Hole | None:
    """The hole whose filling makes the grid whole, if there is one only and the pieces round it lie alike: where some
    lie upside down nothing tells which way the piece lies."""
    places, size = large.sheet_from_tile, pieces.sizes[piece]
    scale = pieces.dpi[large.reference] / pieces.dpi[piece]
    fit = [
        hole
        for hole in holes(places, pieces.sizes, (size, scale))
        if hole.inner and whole({**places, piece: hole.at}, pieces.sizes)
    ]
    if len(fit) != 1:
        return None
    (hole,) = fit
    upright = [bool(np.cos(turn_of(places[name]) - turn_of(hole.at)) > 0) for name in hole.neighbors]
    if all(upright):
        return hole
    return hole.upside_down(size) if not any(upright) else None
