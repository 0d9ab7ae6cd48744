"""I take a side out of the shadow at the foot of its work, where the work is as dark as that shadow.

In: a side measured in a photo, how sharp an edge is there. Out: the side moved in, and how unsure that is.

Beside a white sheet such a shadow is a dark line, whose two flanks are told apart. A dark work has but one edge with
it: light rises from the work's own rim through the shadow to the table, over a wider way than blur, and the middle of
that rise lies beyond the rim. A thing that lies flat and in light has no such way; printed cards tell how wide one is.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.photos.sides.edge_points import Side

OF_CARD = 0.9  # of the blur of a card's squares: width of a side in light; .78 to .87 measured on 20 sides
# How far in the rim lies for each px that a side is wider by, as squares add up, while that is little; edges are looked
# at over some px, so that it grows less and less. By exponential rises from .15 to .7 of a step at the rim: .4 to 1.7
# px of 1.1, .5 to 2.4 of 2; eleven sides of works .4 and 1 mm thick, drawn by another law, 1.0 of 1 in the mean.
INWARD, LESS_PX = 1.0, 4.0
UNSURE = 0.4  # sigma, share of it


def out_of_foot_shadow(side: Side, card_blur: float, within: Array) -> Side:
    """The side at the work's rim, if it gets lighter beyond it over a wider way than blur.

    card_blur : px, sigma of edges on the cards. within : (2,) px of the photo, somewhere in the work.
    """
    shape = side.shape
    if shape is None or not shape.lighter or side.other_xy is not None:
        return side
    wider = float(np.sqrt(max(shape.width**2 - (OF_CARD * card_blur) ** 2, 0.0)))
    away = INWARD * wider / (1 + wider / LESS_PX)
    along = side.photo_xy[-1] - side.photo_xy[0]
    normal = np.array([-along[1], along[0]]) / max(float(np.linalg.norm(along)), 1e-9)
    inward = normal * np.sign(normal @ (within - side.photo_xy.mean(0)))
    return replace(side, photo_xy=side.photo_xy + away * inward, shaded_px=UNSURE * away)
