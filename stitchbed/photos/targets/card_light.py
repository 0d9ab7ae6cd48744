"""I tell from the patches of a measured card how light falls off over it and, carried on, over the work beside it.

In: a photo, its plane, measured colors of the card. Out: a `LightField`, for where neither a blank sheet nor the board
tells the light.

A patch is as bright as the light on it times what its measured color gives the camera; the camera's answer to colors
(a matrix) and the light (its logarithm a tilted plane) are found in turns.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from stitchbed.color.cielab import xyz_from_lab
from stitchbed.core.arrays import Array
from stitchbed.photos.compositing.illumination import LightField, fit_light, light_at
from stitchbed.photos.geometry.output_frame import canvas_from_plane
from stitchbed.photos.geometry.plane_pose import plane_from_photo
from stitchbed.photos.survey.illumination import UNTOLD, on_canvas
from stitchbed.photos.survey.photo import Photo
from stitchbed.photos.survey.plane_types import PlaneSurvey
from stitchbed.photos.targets.pairing import card_on, pair_own

TILT = 1  # order of the polynomial: what a card beside the work can tell and carry on
ROUNDS = 6  # of camera and light in turns; the light stands still after four
FEWEST_PATCHES = 16
MOST_LEFT = 0.04  # share: a card lit by a tilted plane of light leaves .01
MOST_UNEVEN = 0.5  # share of light lost over the work; so steep a light is a near lamp's, which no tilted plane follows
CARRIED_ON = (
    "{name}: the light on the work is carried on from that on the card's patches beside it; where a shadow falls or "
    "a lamp is near, that is not true: look at the result, or photograph on a plain board or with --blank"
)


def carried_on(
    photos: Sequence[Photo],
    plane: PlaneSurvey,
    measured: Path,
    told: tuple[Sequence[LightField | None], Sequence[str]],
) -> tuple[tuple[LightField | None, ...], list[str]]:
    """Fields and notes, where the cards' patches tell what nothing else does. told : fields and notes so far.

    Raises
    ------
    BadSettings : see `pair_own`.
    """
    fields, notes = list(told[0]), list(told[1])
    for number, photo in enumerate(photos):
        field = light_by_patches(photo, plane, number, measured) if fields[number] is None else None
        if field is not None:
            fields[number] = on_canvas(field, plane)
            notes = [note for note in notes if note != UNTOLD.format(name=photo.tile.name)]
            notes.append(CARRIED_ON.format(name=photo.tile.name))
    return tuple(fields), notes


def light_by_patches(photo: Photo, plane: PlaneSurvey, number: int, measured: Path) -> LightField | None:
    """The light in the work's frame, or None when too few patches are seen, or no such light explains them."""
    cards = plane.seen[number] if number < len(plane.seen) else ()
    if not cards:
        return None
    pair = pair_own(photo, card_on(cards, plane.fit, number), measured)
    if pair.middles is None or len(pair.names) < FEWEST_PATCHES:
        return None
    xy = canvas_from_plane(plane.work, plane_from_photo(plane.fit, number, pair.middles))
    colors = xyz_from_lab(pair.lab)
    size = (plane.work.width, plane.work.height)
    fallen = np.ones(len(xy))
    field = None
    for _ in range(ROUNDS):
        share = _brighter(colors * fallen[:, None], pair.light) * fallen
        lit = np.repeat(share[:, None], pair.light.shape[1], axis=1)
        field = fit_light(xy, lit, ["patch"] * len(xy), size_mm=size, order=TILT, source="card's patches, carried on")
        if field is None:
            return None
        fallen = light_at(field, xy).mean(1)
    if field is None or field.residual > MOST_LEFT or field.uneven > MOST_UNEVEN:
        return None
    return field


def _brighter(colors: Array, light: Array) -> Array:
    """(N,) how much brighter each patch is than the matrix that fits all best, each by its own share, would have it."""
    weight = 1 / light.mean(axis=1, keepdims=True)
    camera = np.linalg.lstsq(colors * weight, light * weight, rcond=None)[0]
    expected = np.maximum(colors @ camera, 1e-4)
    return np.asarray(light.sum(axis=1) / expected.sum(axis=1), dtype=np.float64)
