"""I put strips together: some scanner software cuts a page into pictures that lie edge to edge, from the top down.

In: all pictures of a page and how they are painted. Out: them in order and the matrix of the whole, or None.
"""

from __future__ import annotations

from collections.abc import Sequence

from stitchbed.reading.pdf.content import Matrix, Painted
from stitchbed.reading.pdf.picture import PdfPicture

EDGE = 0.5  # px by which strips may miss each other: page programs are written with a few decimals
SAME = 1e-3  # relative difference of scales


def stacked(pictures: Sequence[Painted]) -> tuple[tuple[Painted, ...], Matrix] | None:
    """Pictures from the top down, and the matrix that paints all as one; None when they do not lie edge to edge."""
    order = sorted(pictures, key=lambda one: -one.matrix[5])
    top = order[0].matrix[5] + order[0].matrix[3]
    left, across = order[0].matrix[4], order[0].matrix[0]
    heights = [int(one.image.get("/Height", 0)) for one in order]
    widths = {int(one.image.get("/Width", 0)) for one in order}
    if len(widths) != 1 or min(heights) <= 0 or across <= 0 or order[0].matrix[3] <= 0:
        return None
    px = order[0].matrix[3] / heights[0]  # points
    edge = top
    for one, height in zip(order, heights, strict=True):
        a, b, c, d, e, f = one.matrix
        upright = abs(b) + abs(c) < SAME * across and abs(a - across) < SAME * across and abs(e - left) < EDGE * px
        if not upright or abs(d / height - px) > SAME * px or abs(f + d - edge) > EDGE * px:
            return None
        edge = f
    return tuple(order), (across, 0.0, 0.0, top - edge, left, edge)


def alike(pictures: Sequence[PdfPicture]) -> bool:
    """Whether strips are of one kind: what is handed out of one fits below the other."""
    first = pictures[0]
    return all(
        (one.width, one.bits, one.colors.channels, one.colors.icc)
        == (first.width, first.bits, first.colors.channels, first.colors.icc)
        for one in pictures
    )
