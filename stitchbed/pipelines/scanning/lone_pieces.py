"""I find out why pieces stand alone in a check: mirrored ones, those that a mirrored one holds, thin strips.

In: what was seen of all pieces, the groups that hang together. Out: names.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from stitchbed.inspection.findings import believed_dpi
from stitchbed.inspection.looks import Look
from stitchbed.inspection.patches import thin_shared
from stitchbed.matching.features import detect
from stitchbed.matching.similarity_links import sight_of
from stitchbed.mosaic.linking.pose_graph import GraphSettings, Layout
from stitchbed.mosaic.survey.judgment import BeliefSettings, PieceView
from stitchbed.pipelines.scanning.seen import FEATURES, SIGHT_SIDE, Seen, link_between
from stitchbed.reading.base.tile import Tile

SURE = BeliefSettings(least=GraphSettings().alone)  # of a link that nothing else confirms


def held_by_mirrored(
    tiles: Sequence[Tile],
    looks: Sequence[Look],
    views: Sequence[PieceView],
    known: tuple[Sequence[Layout], frozenset[str]],
    pool: ThreadPoolExecutor,
) -> dict[str, str]:
    """Pieces outside the largest group that the image of a mirrored one links to, and those that hang together with
    these -> the piece it is of. known : groups, the largest first; mirrored pieces."""
    layouts, mirrored = known
    lone = [index for index, tile in enumerate(tiles) if tile.name not in layouts[0].sheet_from_tile]
    dpi = believed_dpi(tiles)
    found = [index for index in lone if tiles[index].name in mirrored]
    images = dict(
        zip(found, pool.map(lambda index: _image(tiles[index], looks[index], dpi[index]), found), strict=True)
    )
    pairs = [(index, one) for index in lone if index not in found for one in found]

    def fits(pair: tuple[int, int]) -> bool:
        own, other = pair[1], pair[0]
        return link_between((images[own], views[other]), (dpi[other] / dpi[own],), SURE) is not None

    held = pool.map(fits, pairs)
    holders = {tiles[index].name: tiles[one].name for (index, one), holds in zip(pairs, held, strict=True) if holds}
    return {
        name: holders[one]
        for layout in layouts[1:]
        for one in sorted(holders.keys() & layout.sheet_from_tile.keys())
        for name in layout.sheet_from_tile.keys() - mirrored
    }


def _image(tile: Tile, look: Look, dpi: float) -> PieceView:
    """A piece with left and right exchanged."""
    gray = np.ascontiguousarray(look.gray[:, ::-1])
    points = detect(tile.name, gray[..., None], look.reduction, FEATURES)
    sight = sight_of(gray.astype(np.float32), look.reduction, SIGHT_SIDE)
    return Seen(replace(look, gray=gray), points, sight).at(dpi)


def thinly_held(
    tiles: Sequence[Tile],
    looks: Sequence[Look],
    layouts: Sequence[Layout],
    known: frozenset[str],
    pool: ThreadPoolExecutor,
) -> dict[str, tuple[str, float]]:
    """Pieces outside the largest group that share a strip with one of it too narrow for a link -> (that one, px).
    known : those of which it is known why they are outside."""
    main = [index for index, tile in enumerate(tiles) if tile.name in layouts[0].sheet_from_tile]
    lone = [index for index, tile in enumerate(tiles) if index not in main and tile.name not in known]
    dpi = believed_dpi(tiles)
    pairs = [(one, other) for one in lone for other in main if dpi[one] == dpi[other]]
    widths = pool.map(lambda pair: thin_shared(looks[pair[0]], looks[pair[1]]), pairs)
    found = [(width, pair) for pair, width in zip(pairs, widths, strict=True) if width is not None]
    return {tiles[one].name: (tiles[other].name, width) for width, (one, other) in sorted(found)}
