"""I blend layers that do not see all of a block: beyond its own edge, a layer takes the others' picture.

In: layers of light, where each sees, whose each pixel is. Out: one picture, and where it is seen.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from stitchbed.blending.multiband import multiband_blend
from stitchbed.core.arrays import Floats, Mask


def blend_seen(layers: Sequence[Floats], sights: Sequence[Mask], owners: Sequence[Mask]) -> tuple[Floats, Mask]:
    """One picture (h, w, c) and (h, w) where it is seen.

    layers : (h, w, c) each. sights : (h, w) where each sees. owners : (h, w) each, no two of them anywhere; what none
    owns counts as not seen.
    """
    if len(layers) == 1:
        return layers[0], owners[0]
    covered = np.any(owners, axis=0)
    composite = layers[0].copy()
    for layer, owner in zip(layers[1:], owners[1:], strict=True):
        cv2.copyTo(layer, owner.view(np.uint8), composite)
    # where a layer does not see, it takes the others' picture, so that bands do not pull its replicated rim in
    filled = [_filled(layer, sight, composite) for layer, sight in zip(layers, sights, strict=True)]
    return multiband_blend(filled, _spread(owners, covered)), covered


def _filled(layer: Floats, sight: Mask, composite: Floats) -> Floats:
    """The layer where it sees, the composite elsewhere."""
    if sight.all():
        return layer
    filled = composite.copy()
    cv2.copyTo(layer, sight.view(np.uint8), filled)
    return filled


def _spread(owners: Sequence[Mask], covered: Mask) -> list[Floats]:
    """Owners (h, w) as 0 or 1 that go on over what nobody sees, each place with the nearest one seen: no border along a
    rim may pull in a picture that is not shown there.
    """
    owner = np.zeros(covered.shape, np.int32)
    for index, mask in enumerate(owners):
        owner[mask] = index
    if not covered.all():
        _, nearest = cv2.distanceTransformWithLabels(
            (~covered).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5, labelType=cv2.DIST_LABEL_PIXEL
        )
        of_label = np.zeros(int(nearest.max()) + 1, np.int32)
        of_label[nearest[covered]] = owner[covered]
        owner = of_label[nearest]
    return [(owner == index).astype(np.float32) for index in range(len(owners))]
