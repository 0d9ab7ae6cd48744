"""I find how the work was lit in each photo: from a photo of a blank sheet, the board round the work, or card grays.

In: open photos and their plane. Out: a `LightField` for each photo, or none, and what to say about it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.card.detection import SeenCard
from stitchbed.card.patches import PatchReading, patch_corners, read_patches
from stitchbed.core.arrays import Array, Mask
from stitchbed.core.errors import BadSettings
from stitchbed.imaging.transfer import srgb_encode, to_linear
from stitchbed.photos.compositing.illumination import LightField, alike_in_channels, broad_squares, fit_light, light_at
from stitchbed.photos.geometry.output_frame import (
    Facing,
    canvas_from_plane,
    flat_view,
    inside_photo,
    plane_from_canvas,
    to_photo,
)
from stitchbed.photos.geometry.plane_pose import PlaneFit, card_on_plane, photo_from_plane
from stitchbed.photos.survey.card_paper import card_outline, on_card, piece_called
from stitchbed.photos.survey.photo import Photo, small_px
from stitchbed.photos.survey.plane_types import PlaneSurvey

LIGHTS = ("auto", "blank", "board", "card", "none")
CELL_MM = 6.0  # places are means over squares of this side
CELL_PX = 6
BLANK_ORDER, BOARD_ORDER, CARD_ORDER = 4, 3, 2  # what each source can tell apart; a ring cannot tell order 4
RING_MM = 100.0  # board looked at round the work: as wide as a card
CLEAR_MM = 5.0  # kept clear of the work's sides and of cards: shadows
CALM = 0.06  # standard deviation over mean inside a place of one tone
EVEN_ENOUGH = 0.02  # share, sigma: of a blank sheet; light known as well needs no word
MOST_ERROR, LEAST_GAIN = 0.07, 2.0  # light is evened out where that takes twice of what it may put in
COLOR_CODES = 1.8  # one step of the blue difference in blue, ITU-T T.871 (2011): B = Y + 1.772 (Cb - 128)
LEAST_AGREEING = 0.75
UNTOLD = (
    "light is left as it is in {name}, for nothing shows how even it was; a plain board round the work does, or a "
    "photo of a blank sheet (--blank)"
)
ROUGHLY = (
    "light in {name} is evened out by the {source} to about {left:.0%} only; a plain board round the work or a photo "
    "of a blank sheet (--blank) tells it better"
)
LEAST_PLACES = 60


def survey_light(
    photos: Sequence[Photo], plane: PlaneSurvey, *, light: str, blank: Photo | None
) -> tuple[tuple[LightField | None, ...], list[str]]:
    """The light in each photo by the source asked for ("auto": the best there is).

    Raises
    ------
    BadSettings : a source that was asked for cannot tell; a blank photo that is not blank or not of the same size.
    """
    fields: list[LightField | None] = []
    notes: list[str] = []
    for number, photo in enumerate(photos):
        field = None
        if light in ("auto", "blank") and blank is not None:
            field = _by_blank(photo, blank, plane, number)
        if field is None:
            field = surest(_by_surroundings(photo, plane, number, light))
        if field is None and light not in ("auto", "none"):
            raise _cannot(light, photo)
        if field is not None:
            field = on_canvas(field, plane)
            notes += rough_light(field, photo.tile.name)
        if field is None and light == "auto":
            notes.append(UNTOLD.format(name=photo.tile.name))
        fields.append(field)
    return tuple(fields), notes


def rough_light(field: LightField, name: str) -> list[str]:
    """A note where light is known only roughly."""
    if field.error <= EVEN_ENOUGH:
        return []
    return [ROUGHLY.format(name=name, source=field.source, left=2 * field.error)]


def _known(field: LightField | None) -> LightField | None:
    """The field, if evening out by it does more good than harm."""
    if field is None or field.inliers < LEAST_AGREEING:
        return None
    well = field.error <= EVEN_ENOUGH
    return field if well or field.error <= min(MOST_ERROR, field.varies / LEAST_GAIN) else None


def _by_surroundings(photo: Photo, plane: PlaneSurvey, number: int, light: str) -> list[LightField | None]:
    """What the board, looked at near the work and as far as cards lie, and the cards' grays tell."""
    found: list[LightField | None] = []
    if light in ("auto", "board"):
        reaches = dict.fromkeys((_as_far_as_cards(plane), RING_MM))  # the same reach is looked at once
        found += [board_field([photo], plane, [None], [number], reach=reach) for reach in reaches]
    if light in ("auto", "card"):
        found.append(card_field([photo], plane, [None], [number]))
    return found


def surest(found: Sequence[LightField | None]) -> LightField | None:
    """Of several fields the one with the least error, the first of equals; None where all are."""
    return min((one for one in found if one is not None), key=lambda one: round(one.error, 3), default=None)


def on_canvas(field: LightField, plane: PlaneSurvey) -> LightField:
    """A field found in the work's frame, for canvas places: the frames are turned alike, so only its center moves."""
    shift = canvas_from_plane(plane.facing, np.array([[plane.work.x, plane.work.y]]))[0]
    return replace(field, center=field.center + shift)


def neutral_readings(photo: Photo, plane: PlaneSurvey, number: int) -> list[tuple[SeenCard, PatchReading]]:
    """Patches of every card seen in a photo."""
    readings = []
    for card in plane.seen[number] if number < len(plane.seen) else ():
        piece = piece_called(card.piece)
        if piece is not None:
            places = {patch.name: _in_photo(plane.fit, number, card, patch_corners(patch)) for patch in piece.patches}
            reading = read_patches(places, photo.windows.window, photo.size, photo.transfer)
            readings.append((card, reading))
    return readings


def _in_photo(fit: PlaneFit, number: int, card: SeenCard, card_xy: Array) -> Array:
    return photo_from_plane(fit, number, card_on_plane(fit, card.piece, card_xy))


def _by_blank(photo: Photo, blank: Photo, plane: PlaneSurvey, number: int) -> LightField:
    _check_size(blank, photo)
    facing = plane.work
    seen = places(blank, plane.fit, number, facing, 0.0)
    xy, cells = seen.xy, seen.light
    inside = seen.calm & np.all((xy > 0) & (xy < [facing.width, facing.height]), axis=1)
    kinds = ["blank"] * int(inside.sum())
    field = fit_light(
        xy[inside],
        cells[inside],
        kinds,
        size_mm=(facing.width, facing.height),
        order=BLANK_ORDER,
        source="blank sheet",
        side=CELL_MM,
    )
    return _trusted(field, float(inside.mean()), blank, "covers the place of the work")


def _check_size(blank: Photo, photo: Photo) -> None:
    if blank.size != photo.size:
        raise BadSettings(
            f"the blank photo {blank.tile.name} has another size than {photo.tile.name}",
            expected="a photo of a blank sheet taken with the camera and the lamps left as they were",
            attempt="photograph a blank sheet in place of the work, or leave --blank away",
        )


def _trusted(field: LightField | None, share: float, blank: Photo, extent: str) -> LightField:
    """The field of a blank sheet, seen by a share of the places looked at, when it is one."""
    if field is None or field.residual > EVEN_ENOUGH or field.inliers < LEAST_AGREEING or share < 0.5:
        raise BadSettings(
            f"the blank photo {blank.tile.name} does not show one even sheet where the work lay",
            expected=f"a blank, matt sheet that {extent}",
            attempt="photograph a larger blank sheet without moving camera or lamps, or leave --blank away",
        )
    return field


def blank_in_frame(blank: Photo, like: Photo) -> LightField:
    """The light in the camera's own frame (places are photo px), for works moved under a camera that stands still.

    Raises
    ------
    BadSettings : the blank photo is of another size, or does not show one even sheet.
    """
    _check_size(blank, like)
    h, w = blank.small.shape[0] // CELL_PX, blank.small.shape[1] // CELL_PX
    view = np.ascontiguousarray(blank.small[: h * CELL_PX, : w * CELL_PX])
    cells = np.asarray(to_linear(view, blank.transfer), np.float64).reshape(h, CELL_PX, w, CELL_PX, -1)
    mean = cells.mean(axis=(1, 3)).reshape(h * w, -1)
    spread = (cells.std(axis=(1, 3)).reshape(h * w, -1) / np.maximum(mean, 1e-3)).max(1)
    calm = (spread < CALM) & (mean.max(1) < 0.97)
    x, y = np.meshgrid((np.arange(w) + 0.5) * CELL_PX - 0.5, (np.arange(h) + 0.5) * CELL_PX - 0.5)
    xy = (np.stack([x.ravel(), y.ravel()], 1) + 0.5) * blank.reduction - 0.5
    kinds = ["blank"] * int(calm.sum())
    size = (float(blank.size[1]), float(blank.size[0]))
    side = CELL_PX * blank.reduction
    field = fit_light(xy[calm], mean[calm], kinds, size_mm=size, order=BLANK_ORDER, source="blank sheet", side=side)
    return _trusted(field, float(calm.mean()), blank, "fills the photo")


def board_field(
    photos: Sequence[Photo],
    plane: PlaneSurvey,
    fields: Sequence[LightField | None],
    numbers: Sequence[int] | None = None,
    *,
    reach: float = RING_MM,
) -> LightField | None:
    """From what lies round the work, as far as its own tone allows; None where that tells too little.

    fields : what evens out each photo already, in the work's frame. numbers : of the photos in the fit, all by default.
    reach : mm from the work that are looked at.
    """
    if not plane.own_edges:
        return None
    parts = []
    for photo, number, field in zip(photos, numbers or range(len(photos)), fields, strict=True):
        seen = places(photo, plane.fit, number, plane.work, reach)
        ring = seen.whole & ~_on_work(plane, seen.xy)
        ring &= ~on_card(plane.fit, plane.papers, plane_from_canvas(plane.work, seen.xy), CLEAR_MM)
        parts.append((seen.xy[ring], _evened(seen.light[ring], seen.xy[ring], field)))
    xy, cells = (np.concatenate(part) for part in zip(*parts, strict=True))
    if len(xy) < LEAST_PLACES:
        return None
    xy, cells, side = broad_squares(xy, cells, CELL_MM)
    size = (plane.work.width, plane.work.height)
    source = "board round the work"
    kinds = ["board"] * len(xy)
    field = _known(fit_light(xy, cells, kinds, size_mm=size, order=BOARD_ORDER, source=source, side=side))
    if field is None:
        return None
    coarse = any(photo.tile.raster.dtype == "uint8" for photo in photos)
    return alike_in_channels(field, _color_step(float(np.median(cells)))) if coarse else field


def _color_step(light: float) -> float:
    """The share by which a lossy file's rounding of color may change a channel of a flat place of that light."""
    code = 255 * float(srgb_encode(np.array(max(light, 1e-3))))
    return 2.4 * COLOR_CODES / (code + 14)  # slope of the curve: light goes as ((code + 14) / 269) ** 2.4


def _as_far_as_cards(plane: PlaneSurvey) -> float:
    """Mm from the work that hold all cards: colors are told by the light on their patches."""
    outlines = [card_outline(plane.fit, name) for name in plane.papers.beside]
    corners = canvas_from_plane(plane.work, np.concatenate([np.empty((0, 2)), *outlines]))
    beyond = np.maximum(-corners, corners - [plane.work.width, plane.work.height])
    return float(max(RING_MM, beyond.max(initial=0.0) + CELL_MM))


def card_field(
    photos: Sequence[Photo],
    plane: PlaneSurvey,
    fields: Sequence[LightField | None],
    numbers: Sequence[int] | None = None,
) -> LightField | None:
    """From the same gray steps on three or four corner cards; arguments as for `board_field`."""
    xy: list[Array] = []
    light: list[Array] = []
    kinds: list[str] = []
    corner_cards: set[str] = set()
    for photo, number, field in zip(photos, numbers or range(len(photos)), fields, strict=True):
        for card, reading in neutral_readings(photo, plane, number):
            if card.piece.startswith("corner"):
                corner_cards.add(card.piece)
                places_mm, steps, values = _grays(plane, card, reading)
                xy += places_mm
                light += [_evened(value[None], at[None], field)[0] for value, at in zip(values, places_mm, strict=True)]
                kinds += steps
    if len(corner_cards) < 3 or len(xy) < 6:
        return None
    size = (plane.work.width, plane.work.height)
    source = "grays of the corner cards"
    return _known(fit_light(np.array(xy), np.array(light), kinds, size_mm=size, order=CARD_ORDER, source=source))


def _grays(plane: PlaneSurvey, card: SeenCard, reading: PatchReading) -> tuple[list[Array], list[str], list[Array]]:
    """Middles (2,) mm in the work's frame, names and light of a card's good gray steps."""
    piece = piece_called(card.piece)
    xy, kinds, light = [], [], []
    for name, value, good in zip(reading.names, reading.light, reading.good, strict=True):
        patch = next((p for p in piece.patches if p.name == name), None) if piece is not None else None
        if patch is not None and patch.neutral and good:
            middle = patch_corners(patch).mean(0)[None]
            xy.append(canvas_from_plane(plane.work, card_on_plane(plane.fit, card.piece, middle))[0])
            light.append(value)
            kinds.append(name[2:])  # K3N2 -> N2: step 2 has one reflectance on all four cards
    return xy, kinds, light


def _evened(light: Array, xy: Array, field: LightField | None) -> Array:
    return light if field is None else light / light_at(field, xy)


@dataclass(frozen=True)
class Places:
    """Squares of the work and round it as one photo shows them.

    xy : (N, 2) mm of their middles, in the work's frame. light : (N, channels) linear mean.
    whole : (N,) wholly in the photo and not burnt out. calm : whole, and of one tone.
    """

    xy: Array
    light: Array
    whole: Mask
    calm: Mask


def places(photo: Photo, fit: PlaneFit, number: int, facing: Facing, room: float) -> Places:
    """Squares of the canvas and `room` mm round it."""
    x0, y0 = (float(value) for value in plane_from_canvas(facing, np.array([[-room, -room]]))[0])
    wide = Facing(x0, y0, facing.turn, facing.width + 2 * room, facing.height + 2 * room)
    columns, rows = max(1, int(wide.width / CELL_MM)), max(1, int(wide.height / CELL_MM))
    size = (columns * CELL_MM, rows * CELL_MM)
    go = to_photo(wide, fit, number)
    stored = flat_view(photo.small, lambda xy: small_px(photo, go(xy)), size, CELL_PX / CELL_MM)
    light = np.asarray(to_linear(np.ascontiguousarray(stored), photo.transfer), dtype=np.float64)
    cells = light.reshape(rows, CELL_PX, columns, CELL_PX, -1)
    mean = cells.mean(axis=(1, 3)).reshape(rows * columns, -1)
    spread = (cells.std(axis=(1, 3)).reshape(rows * columns, -1) / np.maximum(mean, 1e-3)).max(1)
    x, y = np.meshgrid((np.arange(columns) + 0.5) * CELL_MM, (np.arange(rows) + 0.5) * CELL_MM)
    middles = np.stack([x.ravel(), y.ravel()], 1)
    corners = middles + np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])[:, None] * (CELL_MM / 2)
    seen = inside_photo(go(corners.reshape(-1, 2)), photo.size).reshape(4, -1).all(axis=0)
    whole = seen & (mean.max(1) < 0.97)
    return Places(middles - room, mean, whole, whole & (spread < CALM))


def _on_work(plane: PlaneSurvey, xy: Array) -> NDArray[np.bool_]:
    corners = canvas_from_plane(plane.work, plane.corners).astype(np.float32)
    away = [cv2.pointPolygonTest(corners, (float(x), float(y)), True) for x, y in xy]
    return np.array(away) > -CLEAR_MM


def _cannot(light: str, photo: Photo) -> BadSettings:
    needed = {
        "blank": "a photo of a blank sheet given with --blank",
        "board": "a board of one tone seen round the work, and the work's own edges found",
        "card": "three or four corner cards round the work, their grays not burnt out",
    }
    return BadSettings(
        f"--light {light}, which {photo.tile.name} does not allow", expected=needed[light], attempt="--light auto"
    )
