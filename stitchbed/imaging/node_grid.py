"""I am the grid of nodes at which a canvas says where it looks; between them positions are bilinear.

In: a box of the canvas. Out: the nodes that serve it, and values at every pixel from values at the nodes.
"""

from __future__ import annotations

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Floats
from stitchbed.imaging.box import Box

NODE = 16  # px between nodes; the first lies NODE / 2 + .5 px before the first pixel


def nodes(box: Box) -> Array:
    """Canvas points (rows, cols, 2) of the node grid that serves `box`; its height and width are multiples of NODE."""
    rows = box.row + NODE * np.arange(-1, box.height // NODE + 1) + (NODE - 1) / 2
    cols = box.col + NODE * np.arange(-1, box.width // NODE + 1) + (NODE - 1) / 2
    return np.stack(np.meshgrid(cols, rows), axis=-1)


def dense(at_nodes: Floats, box: Box) -> Floats:
    """Bilinear values at every pixel of `box` from values at its `nodes` (rows, cols[, c])."""
    rows, cols = at_nodes.shape[:2]
    full = cv2.resize(at_nodes, (cols * NODE, rows * NODE), interpolation=cv2.INTER_LINEAR)
    inner: Floats = full[NODE : NODE + box.height, NODE : NODE + box.width]
    return inner
