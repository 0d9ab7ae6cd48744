"""I show photos of one plane straight on and small: what each sees, and all of them as one picture.

In: open photos, a plane fit, a frame. Out: flat views and where nothing is seen.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Mask
from stitchbed.photos.compositing.seams import depth_in
from stitchbed.photos.geometry.output_frame import Facing, flat_view, inside_photo, places_in, to_photo
from stitchbed.photos.geometry.plane_pose import PlaneFit
from stitchbed.photos.survey.photo import Photo, small_px

ENOUGH = 0.97  # of what all photos see together: a first photo that sees this much of it is shown alone
RIM_PX = 11  # twice the reach of the filters that look for edges, and one
EDGE_PX = 2.0  # of a flat view, kept from a photo's edge: there it repeats itself


def flat_of(photo: Photo, fit: PlaneFit, number: int, view: Facing, density: float) -> NDArray[np.uint8]:
    """(h, w, channels) stored values of a photo straight on, at `density` px/mm."""
    go = to_photo(view, fit, number)
    size = (view.width, view.height)
    return np.asarray(flat_view(photo.small, lambda xy: small_px(photo, go(xy)), size, density), np.uint8)


def seen_by(
    photo: Photo, fit: PlaneFit, number: int, view: Facing, shape_density: tuple[tuple[int, ...], float]
) -> Mask:
    """(h, w) True where a photo shows the frame. shape_density : (h, w) and px/mm of the flat view."""
    (h, w, *_), density = shape_density
    return inside_photo(places_in(to_photo(view, fit, number), (h, w), density), photo.size)


def together(
    photos: Sequence[Photo], fit: PlaneFit, view: Facing, density: float
) -> tuple[NDArray[np.uint8], Mask, int]:
    """All photos as one flat picture (h, w, channels), where none sees anything, and how many photos went in.

    Photos blend into each other over all of their overlap, so that no edge of a photo looks like a side of the work.
    The first photo stands alone where it sees nearly all that there is.
    """
    first = flat_of(photos[0], fit, 0, view, density)
    masks = [seen_by(photo, fit, i, view, (first.shape, density)) for i, photo in enumerate(photos)]
    anyone = np.any(masks, axis=0)
    if masks[0].sum() >= ENOUGH * anyone.sum():
        return first, ~masks[0], 1
    total = np.zeros(first.shape, np.float32)
    weights = np.full(first.shape[:2], 1e-6, np.float32)
    for i, photo in enumerate(photos):
        weight = (np.minimum(np.maximum(depth_in(masks[i]) - EDGE_PX, 0), 200) ** 2).astype(np.float32)
        flat = (first if i == 0 else flat_of(photo, fit, i, view, density)).astype(np.float32)
        both = (weights > 1e-3) & (weight > 0)
        if both.sum() > 100:
            flat = flat * float(
                np.median((total[both] / weights[both][:, None]).mean(1) / np.maximum(flat[both].mean(1), 1))
            )
        total += weight[..., None] * flat
        weights += weight
    # where nobody sees, the picture is black: its rim is no edge of the work
    unseen = np.asarray(cv2.dilate((weights <= 1e-3).astype(np.uint8), np.ones((RIM_PX, RIM_PX), np.uint8)) > 0)
    return np.clip(np.rint(total / weights[..., None]), 0, 255).astype(np.uint8), unseen, len(photos)
