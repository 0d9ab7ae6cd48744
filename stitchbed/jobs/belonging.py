"""I say whether the pictures of a folder are pieces of one sheet, or pages of their own.

In: readable pictures. Out: which of them show a place together, and what that makes of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import cv2
import networkx
import numpy as np

from stitchbed.core.progress import Progress
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.gray import gray_of
from stitchbed.imaging.reduce import reduction_for
from stitchbed.imaging.transforms import moved
from stitchbed.inspection.findings import believed_dpi
from stitchbed.matching.features import FeatureSettings, detect
from stitchbed.matching.hypotheses import LinkSettings
from stitchbed.matching.overlap_evidence import EvidenceSettings, detail_of
from stitchbed.matching.pairs import PairSettings, choose
from stitchbed.matching.similarity_links import Link, sight_of
from stitchbed.mosaic.linking.link_graph import corners
from stitchbed.mosaic.survey.judgment import BeliefSettings, PieceView, judged_link
from stitchbed.reading.base.tile import Tile
from stitchbed.reading.formats import open_windows

PIECES, PAGES, UNCLEAR = "pieces", "pages", "unclear"
VIEW_SIDE, SIGHT_SIDE = 1600, 480  # px of the picture points are sought in, and motions are judged by first
BELIEF = BeliefSettings(least=0.5)  # pages of one hand look alike, and no loop of pieces confirms a link here
FEATURES = FeatureSettings(most=1200)  # half of what a join uses: links are to be found here, not measured
SAME = 0.8  # of the smaller picture: sharing more, two are captures of one page and not neighbors on a sheet
MOST_APART = 0.34  # of the pictures: so many may find no neighbor and the set still be pieces; join names them


@dataclass(frozen=True)
class Belonging:
    """kind : PIECES, PAGES or UNCLEAR. groups : names that hang together, the largest first. alone : names that share
    nothing. same : pairs that show one page twice.
    """

    kind: str
    groups: tuple[tuple[str, ...], ...]
    alone: tuple[str, ...]
    same: tuple[tuple[str, str], ...]


def belonging(tiles: Sequence[Tile], *, workers: int, progress: Progress) -> Belonging:
    """What the pictures are to one another.

    Raises
    ------
    UnreadableTile : one cannot be read to its end.
    """
    if len(tiles) < 2:
        return Belonging(PAGES, (), tuple(tile.name for tile in tiles), ())
    views, dpi = [], believed_dpi(tiles)
    with ThreadPoolExecutor(max(1, workers)) as pool:
        for done, view in enumerate(pool.map(_view, tiles, dpi), start=1):
            views.append(view)
            progress("looking", done, len(tiles))
        pairs = choose([view.keypoints for view in views], PairSettings(), workers=workers)
        links = [link for link in pool.map(lambda pair: _link(views, dpi, pair), pairs) if link is not None]
    sizes = {tile.name: (tile.raster.shape[0], tile.raster.shape[1]) for tile in tiles}
    same = [link for link in links if _shared(link, sizes) > SAME]
    graph = networkx.Graph()
    graph.add_nodes_from(sizes)
    graph.add_edges_from((link.a, link.b) for link in links if link not in same)
    groups = sorted((tuple(sorted(one)) for one in networkx.connected_components(graph)), key=lambda g: (-len(g), g))
    together = tuple(group for group in groups if len(group) > 1)
    twice = tuple(sorted((link.a, link.b) for link in same))
    alone = tuple(group[0] for group in groups if len(group) == 1)
    doubled = {name for pair in twice for name in pair}
    return Belonging(_kind(len(tiles), together, set(alone) - doubled), together, alone, twice)


def _kind(count: int, groups: Sequence[Sequence[str]], alone: set[str]) -> str:
    if not groups:
        return PAGES
    return PIECES if len(groups) == 1 and len(alone) <= MOST_APART * count else UNCLEAR


def _view(tile: Tile, dpi: float) -> PieceView:
    reduction = reduction_for(tile.raster.shape, VIEW_SIDE)
    with open_windows(tile.path) as windows:
        gray = gray_of(windows.view(reduction))
    shades = np.rint(gray).astype(np.uint8)
    points = detect(tile.name, shades[..., None], reduction, FEATURES)
    detail = detail_of(gray, reduction, dpi / MM_PER_INCH, EvidenceSettings())
    return PieceView(points, sight_of(gray, reduction, SIGHT_SIDE), detail)


def _link(views: Sequence[PieceView], dpi: Sequence[float], pair: tuple[int, int]) -> Link | None:
    """What joins two pictures where all they would share speaks for it, as a join believes it."""
    both, scale = (views[pair[0]], views[pair[1]]), dpi[pair[1]] / dpi[pair[0]]
    best = judged_link(both, scale, LinkSettings(), belief=BELIEF, evidence=EvidenceSettings())
    return best if isinstance(best, Link) else None


def _shared(link: Link, sizes: dict[str, tuple[int, int]]) -> float:
    """Share of the smaller picture that the other one shows too."""
    one, two = (np.float32(side) for side in (moved(link.b_from_a, corners(sizes[link.a])), corners(sizes[link.b])))
    area, _ = cv2.intersectConvexConvex(one, two)
    return float(area / max(1.0, min(cv2.contourArea(one), cv2.contourArea(two))))
