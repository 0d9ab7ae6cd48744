"""I look at photos of a work straight on: where it shines, and which photo sees that place without.

In: open photos, their plane and light. Out: `Highlights`: what is burnt out, and how much of each photo to take where.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats
from stitchbed.imaging.transfer import to_linear
from stitchbed.photos.compositing.glare import Shares, balance, burnt, regions_mm, shares
from stitchbed.photos.compositing.illumination import LightField, light_at
from stitchbed.photos.compositing.sheen import Sheen, sheen_on
from stitchbed.photos.geometry.output_frame import canvas_from_plane
from stitchbed.photos.survey.flat_views import flat_of
from stitchbed.photos.survey.photo import Photo
from stitchbed.photos.survey.plane_types import PlaneSurvey

FIELD_STEP = 8
GLANCE_LONG_PX = 1400  # flat views that shine is sought in


@dataclass(frozen=True)
class Highlights:
    """What shines, and which photo shows what.

    burnt : share of the work burnt out in the result. regions : the largest, mm. replaced : from other photos, because
    the first one shines. shown_by : share of the work each photo shows, where photos show parts of it. sheen : on the
    work in a single photo, not burnt out.
    """

    burnt: float
    regions: list[dict[str, float]]
    replaced: float
    shares: Shares | None
    gains: Array
    shown_by: tuple[float, ...] = ()
    sheen: Sheen | None = None


def sheen_note(shine: Highlights) -> list[str]:
    """Said when a work shines without being burnt out: nothing else shows it; a photo from another side mends it."""
    if shine.sheen is None:
        return []
    box = shine.sheen.regions[0]
    return [
        f"dark and light tones alike are up to {shine.sheen.strength:.0%} of white brighter than around them at "
        f"{box['x']:.0f}, {box['y']:.0f} mm ({box['width']:.0f} x {box['height']:.0f} mm): if that is a lamp's "
        "reflection, give a second photo with the lamps or the camera elsewhere"
    ]


def highlights_of(photos: Sequence[Photo], plane: PlaneSurvey, fields: Sequence[LightField | None]) -> Highlights:
    """Look at flat views: what is burnt out, and which photo sees it without."""
    density = GLANCE_LONG_PX / max(plane.facing.width, plane.facing.height)
    views = [evened_view(photo, plane, number, fields[number], density) for number, photo in enumerate(photos)]
    flats, raw = [flat for flat, _ in views], [burnt(linear, density) for _, linear in views]
    gains = balance(flats)
    work = on_work(plane, raw[0].shape, density)
    if len(photos) == 1:
        sheen = sheen_on(_cut_to(flats[0], work), density)
        return Highlights(float(raw[0][work].mean()), regions_mm(raw[0] & work, density), 0.0, None, gains, sheen=sheen)
    balanced = [(flat * gain).astype(np.float32) for flat, gain in zip(flats, gains, strict=True)]
    taken = shares(balanced, density)
    left = work & np.any([mask & (taken.weights[i] > 0.5) for i, mask in enumerate(raw)], axis=0)
    replaced = float((1 - taken.weights[0])[work].mean())
    return Highlights(float(left[work].mean()), regions_mm(left, density), replaced, taken, gains)


def on_work(plane: PlaneSurvey, shape: tuple[int, ...], density: float) -> NDArray[np.bool_]:
    """Where a flat view of the result shows the work itself, not its margin or cards; their frames are turned alike."""
    corner = canvas_from_plane(plane.facing, np.array([[plane.work.x, plane.work.y]]))[0]
    low = np.rint(corner * density).astype(int)
    high = np.rint(np.add(corner, [plane.work.width, plane.work.height]) * density).astype(int)
    mask = np.zeros(shape, dtype=np.bool_)
    mask[max(0, low[1]) : high[1], max(0, low[0]) : high[0]] = True
    return mask


def _cut_to(flat: Floats, work: NDArray[np.bool_]) -> Floats:
    """The part of a flat view that a rectangular mask covers."""
    rows, columns = (np.flatnonzero(work.any(axis=axis)) for axis in (1, 0))
    return flat[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1] if rows.size else flat


def _field_view(light: LightField, shape: tuple[int, ...], density: float) -> Floats:
    """The field over a flat view: exact at each FIELD_STEP px, straight in between."""
    rows, columns = (side // FIELD_STEP + 2 for side in shape[:2])
    x, y = np.meshgrid((np.arange(columns) + 0.5) * FIELD_STEP, (np.arange(rows) + 0.5) * FIELD_STEP)
    nodes = light_at(light, np.stack([x.ravel(), y.ravel()], 1) / density).reshape(rows, columns, -1)
    full = cv2.resize(nodes, (columns * FIELD_STEP, rows * FIELD_STEP), interpolation=cv2.INTER_LINEAR)
    return np.asarray(full, dtype=np.float32).reshape(*full.shape[:2], -1)[: shape[0], : shape[1]]


def evened_view(
    photo: Photo, plane: PlaneSurvey, number: int, light: LightField | None, density: float
) -> tuple[Floats, Floats]:
    """Flat views (h, w, channels) of the result in linear light, evened out and as it is."""
    stored = flat_of(photo, plane.fit, number, plane.facing, density)
    linear = np.asarray(to_linear(np.ascontiguousarray(stored), photo.transfer), dtype=np.float32)
    if light is None:
        return linear, linear
    return linear / _field_view(light, linear.shape, density), linear
