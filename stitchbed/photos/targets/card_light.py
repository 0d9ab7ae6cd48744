"""I tell from the patches of a measured card how light falls off over it, where nothing else does.

In: what a photo shows of a card, its plane, measured colors. Out: the light on each patch. It is not carried on over
the work beside the card: lenses and lamps lose light to the picture's rim, where cards lie, and on own scenes of six
tables that left the work 13 to 25 % off, more than no evening out did on five of them.

A patch is as bright as the light on it times what its measured color gives the camera; the camera's answer to colors
(a matrix) and the light (its logarithm a tilted plane) are found in turns.
"""

from __future__ import annotations

import numpy as np

from stitchbed.color.cielab import xyz_from_lab
from stitchbed.core.arrays import Array
from stitchbed.photos.compositing.illumination import fit_light, light_at
from stitchbed.photos.geometry.output_frame import canvas_from_plane
from stitchbed.photos.geometry.plane_pose import plane_from_photo
from stitchbed.photos.survey.plane_types import PlaneSurvey
from stitchbed.photos.targets.pairing import Paired

TILT = 1  # order of the polynomial: what one card can tell
ROUNDS = 6  # of camera and light in turns; the light stands still after four
FEWEST_PATCHES = 16
MOST_LEFT = 0.04  # share: a card lit by a tilted plane of light leaves .01


def light_on_patches(pair: Paired, plane: PlaneSurvey, number: int) -> Array | None:
    """(N,) light on each patch of a pair; None when too few are seen or no such light explains them."""
    if pair.middles is None or len(pair.names) < FEWEST_PATCHES:
        return None
    xy = canvas_from_plane(plane.work, plane_from_photo(plane.fit, number, pair.middles))
    colors = xyz_from_lab(pair.lab)
    size = (plane.work.width, plane.work.height)
    fallen = np.ones(len(xy))
    left = np.inf
    for _ in range(ROUNDS):
        share = _brighter(colors * fallen[:, None], pair.light) * fallen
        lit = np.repeat(share[:, None], pair.light.shape[1], axis=1)
        field = fit_light(xy, lit, ["patch"] * len(xy), size_mm=size, order=TILT, source="card's patches")
        if field is None:
            return None
        fallen, left = light_at(field, xy).mean(1), field.residual
    return fallen if left <= MOST_LEFT else None


def _brighter(colors: Array, light: Array) -> Array:
    """(N,) how much brighter each patch is than the matrix that fits all best, each by its own share, would have it."""
    weight = 1 / light.mean(axis=1, keepdims=True)
    camera = np.linalg.lstsq(colors * weight, light * weight, rcond=None)[0]
    expected = np.maximum(colors @ camera, 1e-4)
    return np.asarray(light.sum(axis=1) / expected.sum(axis=1), dtype=np.float64)
