"""I choose which tiles to compare.

In: keypoints of all tiles. Out: pairs of indices, best first. Small sets: every pair; large ones: by votes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats
from stitchbed.imaging.parallel import in_order
from stitchbed.matching.features import Keypoints


@dataclass(frozen=True)
class PairSettings:
    """all_up_to: tiles up to which every pair is compared (14: 91 pairs, a few seconds).
    voters: strongest points per tile that vote in a large set. partners: pairs kept per tile.
    """

    all_up_to: int = 14
    voters: int = 300
    partners: int = 10


def every_pair(count: int) -> list[tuple[int, int]]:
    """All pairs (i, j), i < j."""
    return [(i, j) for i in range(count) for j in range(i + 1, count)]


def choose(points: Sequence[Keypoints], settings: PairSettings, *, workers: int = 1) -> list[tuple[int, int]]:
    """Pairs worth matching.

    Each tile's strongest points vote for the tile that holds their nearest neighbor among all other tiles, if that
    neighbor is clearly nearer than the best one of every third tile. Cost grows with the number of tiles times one
    matrix product.
    """
    if len(points) <= settings.all_up_to:
        return every_pair(len(points))
    votes = _votes(points, settings.voters, workers)
    votes = votes + votes.T
    chosen: set[tuple[int, int]] = set()
    for i, row in enumerate(votes):
        best = np.argsort(-row, kind="stable")[: settings.partners]
        chosen.update((min(i, int(j)), max(i, int(j))) for j in best if row[j] > 0 and j != i)
    return sorted(chosen, key=lambda pair: (-votes[pair], pair))


def _votes(points: Sequence[Keypoints], voters: int, workers: int) -> NDArray[np.float64]:
    heads = [keypoints.descriptors[:voters] for keypoints in points]

    def one(index: int) -> NDArray[np.float64]:
        own, none = heads[index], np.full(len(heads[index]), -1.0, np.float32)
        best = [none if k == index or not len(head) else (own @ head.T).max(1) for k, head in enumerate(heads)]
        return _counted(np.column_stack(best))

    return np.stack(list(in_order(one, range(len(heads)), workers)))


def _counted(best: Floats) -> NDArray[np.float64]:
    """(tiles,) votes of a tile's points, by how like each the likest of every tile is: (points, tiles), -1 for none."""
    order = np.argsort(-best, axis=1)[:, :6]
    ranked = np.take_along_axis(best, order, axis=1)
    # up to four tiles may share a place; the fifth best says how like an unrelated point can be
    distance = np.sqrt(np.maximum(2 - 2 * ranked, 0))
    alien = distance[:, min(5, ranked.shape[1] - 1), None]
    good = distance[:, :4] < 0.85 * alien
    return np.bincount(order[:, :4][good], minlength=best.shape[1]).astype(np.float64)
