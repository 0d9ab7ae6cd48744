"""I lay the pieces of a check out by their links, just as a join of them would.

In: what was seen of all pieces, links. Out: groups that hang together, mirrored pieces.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stitchbed.imaging.transfer import transfer_of
from stitchbed.inspection.findings import believed_dpi
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.linking.pose_graph import Layout, without
from stitchbed.mosaic.survey.context import Kind, SurveyContext, SurveySettings
from stitchbed.mosaic.survey.judgment import PieceView
from stitchbed.mosaic.survey.layout import lay_pieces
from stitchbed.reading.base.tile import Tile
from stitchbed.reading.shelf import Shelf

BY_GRID = "nothing drawn tells of it"
KEPT_SHARE = 8  # parts of the memory, one of which decoded pieces may take for a closer look


def laid_as_joined(
    tiles: Sequence[Tile],
    views: Sequence[PieceView],
    links: Sequence[Link],
    *,
    profile: bytes | None,
    memory: int,
    workers: int,
) -> tuple[list[Layout], frozenset[str]]:
    """Groups that hang together, the largest first, and pieces whose mirror image fits the others, as a join has them:
    what does not hang together is looked at closer, and links that it would not believe are dropped. What only a grid
    places, and nothing drawn, stands alone here: it is to be scanned again.

    profile : of the set. memory : bytes to work in. workers : threads.
    """
    with Shelf(tiles, memory // KEPT_SHARE, memory=memory) as shelf:
        raster = tiles[0].raster
        kind = Kind(raster.shape[2], raster.dtype, profile, transfer_of(profile))
        context = SurveyContext(tuple(tiles), np.array(believed_dpi(tiles)), shelf, kind, SurveySettings(), workers)
        laid = lay_pieces(context, views, links)
    layouts = list(laid.layouts)
    if laid.by_grid is not None:
        sizes = {tile.name: (tile.raster.shape[0], tile.raster.shape[1]) for tile in tiles}
        layouts = without(layouts[0], [laid.by_grid.link], BY_GRID, sizes)
    # of two pieces alone either may be the mirrored one
    return layouts, frozenset(laid.mirrored if len(layouts[0].sheet_from_tile) > 1 else ())
