"""I keep evened light below white, and count what the photos and the result cut off.

In: open photos, their plane, light and gains. Out: one factor for all, shares per channel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Array, Indices
from stitchbed.imaging.transfer import to_linear
from stitchbed.photos.compositing.illumination import LightField, light_at
from stitchbed.photos.geometry.output_frame import inside_photo, to_photo
from stitchbed.photos.survey.photo import Photo, small_px
from stitchbed.photos.survey.plane_types import PlaneSurvey

BRIGHTEST = 0.95  # linear light of the brightest paper after evening; resampling and noise may add a few hundredths
RARE = 2e-4  # share of places that may be brighter: glints
LOOKS = 800  # places across and down the result that are looked at
CUT_OFF = 254.5 / 255  # share of full scale from which a stored value counts as cut off
MORE_CUT_OFF = 5e-4  # share of the result that may be cut off beyond the photo's own before it is said


@dataclass(frozen=True)
class Headroom:
    """factor : for the light of all photos, at most 1. cut_off : (channels,) share of the first photo's places."""

    factor: float
    cut_off: Array


def headroom_of(
    photos: Sequence[Photo], plane: PlaneSurvey, fields: Sequence[LightField | None], gains: Array
) -> Headroom:
    """How far light must come down, so that evening out does not push paper beyond white. Uneven light stays as is.

    A place counts as bright as the photo that shows it darkest has it: what shines in one is taken from another.
    """
    least, cut_off = np.full(LOOKS * LOOKS, np.inf), np.zeros(photos[0].small.shape[2])
    for number, (photo, field) in enumerate(zip(photos, fields, strict=True)):
        seen, xy, stored = _looks(photo, plane, number)
        if number == 0:
            cut_off = (stored >= CUT_OFF * 255).mean(axis=0)
        whole = (stored < CUT_OFF * 255).all(axis=1)
        if field is not None and whole.any():
            light = to_linear(np.ascontiguousarray(stored[whole]), photo.transfer) * gains[number]
            evened = (light / light_at(field, xy[whole])).max(axis=1)
            least[seen[whole]] = np.minimum(least[seen[whole]], evened)
    known = least[np.isfinite(least)]
    factor = min(1.0, BRIGHTEST / float(np.quantile(known, 1 - RARE))) if len(known) else 1.0
    return Headroom(factor, np.asarray(cut_off, dtype=np.float64))


def cut_off_note(result: Array, room: Headroom) -> list[str]:
    """Said when the result (share per channel) is cut off in more places than the photo was."""
    more = float((result - room.cut_off).max())
    if more <= MORE_CUT_OFF:
        return []
    return [f"{more:.2%} of the result is cut off at full white that was not cut off in the photo"]


def _looks(photo: Photo, plane: PlaneSurvey, number: int) -> tuple[Indices, Array, np.ndarray]:
    """Which of the places looked at a photo shows (N,), where they are (N, 2) mm, its stored values (N, channels)."""
    x, y = ((np.arange(LOOKS) + 0.5) / LOOKS * side for side in (plane.facing.width, plane.facing.height))
    xy = np.stack([grid.ravel() for grid in np.meshgrid(x, y)], 1)
    at = to_photo(plane.facing, plane.fit, number)(xy)
    seen = inside_photo(at, photo.size)
    column, row = np.rint(small_px(photo, at[seen])).astype(int).T
    h, w = photo.small.shape[:2]
    return np.flatnonzero(seen), xy[seen], photo.small[np.clip(row, 0, h - 1), np.clip(column, 0, w - 1)]
