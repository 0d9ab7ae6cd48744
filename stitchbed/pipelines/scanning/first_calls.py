"""I have the loops of a join made into machine code, or loaded, while its pieces are read and looked at.

In: what the master's pixels are. Out: nothing; each loop was called once, on next to nothing.
"""

from __future__ import annotations

import numpy as np

from stitchbed.imaging.box import Box
from stitchbed.imaging.node_grid import NODE, nodes
from stitchbed.imaging.resampling import resampled
from stitchbed.imaging.sample import look_up
from stitchbed.imaging.transfer import Transfer, to_stored, tone_table
from stitchbed.matching.cell_correlation import correlate
from stitchbed.matching.features import Keypoints
from stitchbed.matching.hypotheses import LinkSettings, match, narrowed
from stitchbed.matching.similarity_links import Sight, agreement
from stitchbed.mosaic.compositing.second_look import unseen_there
from stitchbed.mosaic.registration.bundle_adjustment import TieRows, normal_equations
from stitchbed.mosaic.registration.placement import Placement, Warp, shift_at
from stitchbed.output.tiff_master import MasterSpec, halved


def first_calls(dtype: str, channels: int, transfer: Transfer) -> None:
    """Call every compiled loop of a join, those first that it asks for first."""
    places, angles, size = np.zeros((2, 2)), np.zeros(2, np.float32), (NODE, NODE)
    points = Keypoints("", places, angles, angles, np.eye(2, 128, dtype=np.float32), 1)
    found = match(points, points, LinkSettings())
    narrowed(np.array([1.0, 0.0, 0.0, 0.0]), (places, places), found, np.ones(1), 1)
    flat = np.zeros(size, np.float32)
    look_up(flat, places), look_up(places, places)
    agreement(np.eye(3), (Sight(flat, 1.0), Sight(flat, 1.0)))
    correlate(flat, flat, np.zeros((1, 2), np.int64), 1, 0, np.zeros((1, 5)), 1)
    normal_equations(TieRows(np.zeros((1, 1), np.intp), np.ones((1, 2, 1)), places[:1]), 1)
    shift_at(Warp(np.zeros((2, 2, 2)), 1.0), places)
    at = Placement("", (3 * NODE, 3 * NODE), np.eye(3))
    wide = np.pad([[9.0]], 3 * NODE // 2).astype(np.float32)  # one mark, so that both loops are called
    reads = (lambda box: wide[box.slices]), (lambda box: 0 * wide[box.slices])
    unseen_there((at, at), reads, (np.full((1, 2), 3.0 * NODE // 2), np.ones(1)), step=1.0, flat_share=1.0)
    pixels, grid = np.zeros((*size, channels), dtype), nodes(Box(0, 0, *size)).astype(np.float32)
    light = resampled(pixels, tone_table(pixels, transfer), grid, np.ones(grid.shape[:2], np.float32), size)
    to_stored(light, dtype, transfer)
    halved(np.zeros((2, 2, channels + 1), dtype), MasterSpec(2, 2, channels, dtype, True, 300.0, None))
