"""I even out and put together photos that each show a part of the work: levels from overlaps, light, seams, shine.

In: open photos and their common plane. Out: a `LightField` for each photo, and `Highlights`, as `rectify` wants them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.errors import BadSettings
from stitchbed.photos.compositing.glare import burnt_out, regions_mm
from stitchbed.photos.compositing.illumination import LightField, light_at, polynomial
from stitchbed.photos.compositing.seams import mosaic_shares
from stitchbed.photos.compositing.vignetting import KNOWN, Vignetting, level_photos, log_falloff
from stitchbed.photos.geometry.output_frame import inside_photo, plane_from_canvas, to_photo
from stitchbed.photos.geometry.plane_pose import photo_from_plane
from stitchbed.photos.survey.flat_views import seen_by
from stitchbed.photos.survey.glare import GLANCE_LONG_PX, Highlights, evened_view, on_work
from stitchbed.photos.survey.illumination import (
    RING_MM,
    blank_in_frame,
    board_field,
    card_field,
    on_canvas,
    places,
    rough_light,
    surest,
)
from stitchbed.photos.survey.photo import Photo
from stitchbed.photos.survey.plane_types import PlaneSurvey

WHOLE = 0.995  # of the work seen by each photo: then the first one shows all of it, others serve against shine
FIELD_ORDER = 6  # of the polynomial that holds a photo's falloff: the lens's fourth order, seen askew
BLANK_WORSE = 1.5  # times the spread left without a blank sheet: its light is not that of the photos
UNLIKE = 0.06  # share by which exposures of one setting may differ
ROUGH = 0.02  # share by which overlaps may still differ before that is said


def in_parts(photos: Sequence[Photo], plane: PlaneSurvey) -> bool:
    """True when some photo shows only a part of the work."""
    x, y = np.meshgrid(np.linspace(0, plane.work.width, 41), np.linspace(0, plane.work.height, 41))
    grid = plane_from_canvas(plane.work, np.stack([x.ravel(), y.ravel()], 1))
    seen = [inside_photo(photo_from_plane(plane.fit, i, grid), photo.size).mean() for i, photo in enumerate(photos)]
    return len(photos) > 1 and min(seen) < WHOLE


def survey_light_in_parts(
    photos: Sequence[Photo], plane: PlaneSurvey, *, light: str, blank: Photo | None
) -> tuple[tuple[LightField | None, ...], list[str]]:
    """Fields that make overlaps agree, and even out the whole by a blank sheet, the board or the cards.

    blank : an even sheet before the same camera under the same lamps; the work, not the camera, moved between parts.

    Raises
    ------
    BadSettings : a blank sheet of other light; a source asked for that cannot tell; photos that hardly overlap.
    """
    if blank is None and light == "blank":
        raise BadSettings("--light blank without a blank photo", expected="--blank PHOTO", attempt="--light auto")
    sheet = blank_in_frame(blank, photos[0]) if blank is not None and light in ("auto", "blank") else None
    levels = _leveled(photos, plane, sheet)
    fields = [_falloff(plane, number, photo, levels, sheet) for number, photo in enumerate(photos)]
    notes = []
    if levels.spread > ROUGH:
        notes.append(f"where photos overlap their light still differs by {levels.spread:.1%} after leveling")
    if sheet is not None and (apart := float(np.expm1(np.ptp(levels.exposure.mean(axis=1))))) > UNLIKE:
        notes.append(
            f"by the blank sheet the photos' exposures still differ by {apart:.0%}: camera, exposure and lamps must be "
            "the same for the sheet and all parts, or the work gets darker to one side"
        )
    common = None if light == "none" or sheet is not None else _common(photos, plane, fields, light)
    if common is None and sheet is None and light == "auto":
        notes.append("nothing tells how evenly the work was lit as a whole; the photos only agree with each other")
    if common is not None:
        notes += rough_light(common, "the photos")
        fields = [
            _times(field, common, photo, plane, number)
            for number, (field, photo) in enumerate(zip(fields, photos, strict=True))
        ]
    return tuple(on_canvas(field, plane) for field in fields), notes


def highlights_in_parts(photos: Sequence[Photo], plane: PlaneSurvey, fields: Sequence[LightField | None]) -> Highlights:
    """Which photo shows which part, shine avoided where another photo sees the place without."""
    density = GLANCE_LONG_PX / max(plane.facing.width, plane.facing.height)
    views = [evened_view(photo, plane, number, fields[number], density) for number, photo in enumerate(photos)]
    flats, clipped = [flat for flat, _ in views], [burnt_out(linear) for _, linear in views]
    shape = flats[0].shape
    seen = [seen_by(photo, plane.fit, i, plane.facing, (shape, density)) for i, photo in enumerate(photos)]
    flats = [np.where(mask[..., None], flat, np.float32(0)) for flat, mask in zip(flats, seen, strict=True)]
    taken, left = mosaic_shares(flats, clipped, seen, density)
    work = on_work(plane, shape[:2], density)
    shown_by = tuple(float(weights[work].mean()) for weights in taken.weights)
    gains = np.ones((len(photos), shape[2]))
    return Highlights(float(left[work].mean()), regions_mm(left & work, density), 0.0, taken, gains, shown_by)


def _leveled(photos: Sequence[Photo], plane: PlaneSurvey, sheet: LightField | None) -> Vignetting:
    """Exposures and falloff that make overlaps agree; with a blank sheet little more than the exposures.

    Raises
    ------
    BadSettings : see `survey_light_in_parts`.
    """
    seen = [places(photo, plane.fit, number, plane.work, RING_MM) for number, photo in enumerate(photos)]
    at = [_in_frame(photo, plane, number, seen[number].xy) for number, photo in enumerate(photos)]
    whole = [one.whole for one in seen]
    free = level_photos([one.light for one in seen], at, whole)
    if free is None:
        raise BadSettings(
            "photos that hardly overlap",
            expected="photos of which each shows a third of its neighbor",
            attempt="photograph again with more overlap",
        )
    if sheet is None:
        return free
    evened = [one.light / light_at(sheet, _in_photo(plane, number, one.xy)) for number, one in enumerate(seen)]
    known = level_photos(evened, at, whole, KNOWN)
    if known is None or known.spread > max(ROUGH, BLANK_WORSE * free.spread):
        left = 0.0 if known is None else known.spread
        raise BadSettings(
            f"a blank photo by which overlaps of the parts still differ by {left:.1%}, without it by {free.spread:.1%}",
            expected="camera and lamps left as they were for all parts and the blank sheet, only the work moved",
            attempt="leave --blank away: photos that overlap tell their light themselves",
        )
    return known


def _in_photo(plane: PlaneSurvey, number: int, xy: Array) -> Array:
    """(N, 2) places of the work's frame, mm -> px of a photo."""
    return to_photo(plane.work, plane.fit, number)(xy)


def _in_frame(photo: Photo, plane: PlaneSurvey, number: int, xy: Array) -> Array:
    """(N, 2) places of the work's frame, mm -> half diagonals from the middle of a photo."""
    base = plane.fit.frame.base[number]
    return np.asarray((_in_photo(plane, number, xy) - base.center) / base.radius, dtype=np.float64)


def _grid_seen(photo: Photo, plane: PlaneSurvey, number: int) -> Array:
    """(N, 2) mm of the work's frame, a grid over the work and the board round it, as far as a photo shows it."""
    room = RING_MM / 2
    x = np.linspace(-room, plane.work.width + room, 61)
    y = np.linspace(-room, plane.work.height + room, 61)
    grid = np.stack(np.meshgrid(x, y), -1).reshape(-1, 2)
    return grid[inside_photo(_in_photo(plane, number, grid), photo.size)]


def _falloff(plane: PlaneSurvey, number: int, photo: Photo, levels: Vignetting, sheet: LightField | None) -> LightField:
    """A photo's exposure and falloff as a field over the work, with what a blank sheet showed."""
    xy = _grid_seen(photo, plane, number)
    log_light = log_falloff(levels, number, _in_frame(photo, plane, number, xy))
    source = "overlaps of the photos"
    if sheet is not None:
        log_light = log_light + np.log(light_at(sheet, _in_photo(plane, number, xy)))
        source = "blank sheet"
    uneven = 1 - float(np.exp(np.ptp(log_light.mean(axis=1)) * -1))
    return _field(xy, log_light, (source, levels.spread, levels.agreeing, uneven, levels.spread))


def _field(xy: Array, log_light: Array, told: tuple[str, float, float, float, float]) -> LightField:
    """A polynomial through log light (N, channels) at places (N, 2) mm, centered on those places.

    told : source, residual, inliers, uneven and error of a `LightField`.
    """
    center = (xy.min(0) + xy.max(0)) / 2
    known = np.ptp(xy, axis=0) / 2
    reach = float(known.max())
    design = polynomial((xy - center) / reach, FIELD_ORDER)
    coefficients = np.asarray(np.linalg.lstsq(design, log_light, rcond=None)[0], dtype=np.float64)
    peak, varies = np.zeros(log_light.shape[1]), float(log_light.mean(axis=1).std())
    return LightField(center, known, reach, FIELD_ORDER, coefficients, peak, *told, varies)


def _times(field: LightField, common: LightField, photo: Photo, plane: PlaneSurvey, number: int) -> LightField:
    """One field for both: exposure and falloff of a photo, and the light that lies on the work."""
    xy = _grid_seen(photo, plane, number)
    log_light = np.log(light_at(field, xy)) + np.log(light_at(common, xy))
    source = f"overlaps of the photos and {common.source}"
    residual, error = max(field.residual, common.residual), float(np.hypot(field.error, common.error))
    return _field(xy, log_light, (source, residual, common.inliers, common.uneven, error))


def _common(photos: Sequence[Photo], plane: PlaneSurvey, fields: Sequence[LightField], light: str) -> LightField | None:
    """The light on the work as a whole, from leveled photos.

    Raises
    ------
    BadSettings : a source that was asked for and cannot tell.
    """
    told = [board_field(photos, plane, fields)] if light in ("auto", "board") else []
    told += [card_field(photos, plane, fields)] if light in ("auto", "card") else []
    found = surest(told)
    if found is None and light != "auto":
        raise BadSettings(
            f"--light {light}, which these photos do not allow",
            expected="a board of one tone round the work, or three or four corner cards that all lie in the photos",
            attempt="--light auto",
        )
    return found
