"""I gather the figures that were measured on a picture's cards and grade them.

In: an open photo with its plane and light. Out: figures, stars, and the table's name, as plain values.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from typing import Any

import numpy as np

from stitchbed.card.patches import PatchReading
from stitchbed.core.arrays import Array
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box
from stitchbed.imaging.transfer import to_linear
from stitchbed.photos.compositing.illumination import LightField
from stitchbed.photos.geometry.plane_pose import card_on_plane, photo_from_plane, px_per_mm
from stitchbed.photos.survey.card_paper import piece_called
from stitchbed.photos.survey.illumination import neutral_readings
from stitchbed.photos.survey.photo import Photo
from stitchbed.photos.survey.plane_types import PlaneSurvey
from stitchbed.photos.targets.grade import Graded, graded, table_name
from stitchbed.photos.targets.sharpness import LUMINANCE, Sharpness, sharpness


def photo_figures(
    photo: Photo, plane: PlaneSurvey, light: LightField | None, dpi: float | None, number: int = 0
) -> dict[str, float]:
    """Figures of one photo, the fit's `number`, by the names of `grade.RULES`; what no card shows is left out."""
    figures: dict[str, float] = {}
    sharp = card_sharpness(photo, plane, number)
    if sharp is not None:
        figures |= {"efficiency": 100 * sharp.efficiency, "at_half": sharp.at_half, "sharpening": sharp.largest}
        figures["half_contrast"] = 100 * sharp.mtf50
        if sharp.apart is not None:
            figures["misregistration"] = sharp.apart
    noise = [value for _, reading in neutral_readings(photo, plane, number) for value in neutral_noise(reading)]
    if noise:
        figures["noise"] = float(np.median(noise))
    if light is not None:
        figures["unevenness"] = 100 * 2 * light.error
    if plane.seen[number]:
        held = MM_PER_INCH * px_per_mm(plane.fit.views[number], plane.corners.mean(0))
        figures["resolution"] = held if dpi is None else min(held, dpi)
        figures["long_side"] = figures["resolution"] / MM_PER_INCH * max(plane.work.width, plane.work.height)
        figures["scale"] = 100 * plane.scale_95
    return figures


def grades(figures: dict[str, float], table: str) -> dict[str, Any]:
    """Figures with stars, the least of them, and the table's name."""
    result: list[Graded] = graded(figures, table)
    return {
        "table": table_name(table),
        "figures": [asdict(one) for one in result],
        "stars": min((one.stars for one in result), default=None),
    }


def card_sharpness(photo: Photo, plane: PlaneSurvey, number: int = 0) -> Sharpness | None:
    """On the slanted squares of all cards in a photo."""
    pieces = []
    for card in plane.seen[number]:
        piece = piece_called(card.piece)
        if piece is not None:
            pieces.append((piece, _way(plane, number, card.piece)))
    return sharpness(pieces, lambda box: linear_window(photo, box), photo.size)


def linear_window(photo: Photo, box: Box) -> Array:
    """(h, w, channels) linear light of a box at full resolution."""
    return np.asarray(to_linear(photo.windows.window(box), photo.transfer), dtype=np.float64)


def neutral_noise(reading: PatchReading) -> list[float]:
    """Standard deviation of L* in each patch that is neither clipped nor uneven, paper taken as L* 95.

    dL* = 116/3 Y^(-2/3) dY, from CIE 15:2018, 8.2.1.
    """
    if not reading.names:
        return []
    weights = LUMINANCE if reading.light.shape[1] == 3 else np.ones(1)
    light = reading.light @ weights
    spread = np.sqrt((reading.spread**2) @ weights**2)
    scale = 0.876 / max(float(light.max()), 1e-6)  # Y of L* 95
    y = np.maximum(light * scale, 0.01)
    noise = 116 / 3 * y ** (-2 / 3) * spread * scale
    return [float(value) for value, good in zip(noise, reading.good, strict=True) if good]


def _way(plane: PlaneSurvey, number: int, card: str) -> Callable[[Array], Array]:
    return lambda xy: photo_from_plane(plane.fit, number, card_on_plane(plane.fit, card, xy))
