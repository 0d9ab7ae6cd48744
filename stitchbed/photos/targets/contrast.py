"""I undo the contrast curve of a camera by a measured card, before the light is evened.

In: photos of one camera, their plane, measured colors of a card. Out: the photos with straight tones, and the curve.

Light is evened by division, which is right only where stored tones are proportional to light: under a curve the same
loss of light takes more from middle tones than from light ones. Curve and light are found in turns, since uneven light
over the card bends its tones as well.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from stitchbed.color.cielab import lab_from_xyz, xyz_from_lab
from stitchbed.color.fit import bends_again
from stitchbed.color.tone import CLEARLY_BENT, bending, plausible, straightened
from stitchbed.core.arrays import Array
from stitchbed.imaging.transfer import Transfer
from stitchbed.photos.compositing.illumination import LightField, light_at
from stitchbed.photos.geometry.output_frame import canvas_from_plane
from stitchbed.photos.geometry.plane_pose import plane_from_photo
from stitchbed.photos.survey.photo import Photo, demand_color
from stitchbed.photos.survey.plane_types import PlaneSurvey
from stitchbed.photos.targets.card_light import light_on_patches
from stitchbed.photos.targets.fit_checks import doubt_fit, fit_without_strays
from stitchbed.photos.targets.pairing import Paired, card_on, left_out_words, only, own_card, pair_own

Lit = Callable[[Array | None], tuple[Sequence[LightField | None], list[str]]]

ROUNDS = 2  # of light and curve in turns; a third moves tones by less than a step of 8 bits


def contrast_of(
    photos: Sequence[Photo], plane: PlaneSurvey, measured: Path, lit: Lit
) -> tuple[Array | None, list[str]]:
    """(3, BENDS) bends of the camera's curve, or None when the card shows none; and words on patches left out.

    measured : reference file of the card's patches. lit : the light in each photo, given the bends, and notes.

    Raises
    ------
    CardNotFound, BadSettings : see `pair_own` and `doubt_fit`. MixedTiles : gray photos.
    """
    number = max(range(len(photos)), key=lambda i: _patches_seen(plane, i))
    photo = photos[number]
    demand_color(photo)
    cards = plane.seen[number] if number < len(plane.seen) else ()
    card = card_on(cards, plane.fit, number) if cards else own_card(photo)
    pair = pair_own(photo, card, measured)
    seen, fit = fit_without_strays(_as_lit(pair, plane, number, lit(None)[0][number], None))
    doubt_fit(fit, seen, photo)
    bends, words = fit.bends, left_out_words(seen)
    if bends is None:
        return None, words
    pair = only(pair, seen.names)
    for _ in range(ROUNDS):
        seen = _as_lit(pair, plane, number, lit(bends)[0][number], bends)
        bends = bends_again(fit, seen.light, seen.lab, seen.neutral)
    return bends if plausible(bends) and bending(bends) > CLEARLY_BENT else None, words


def with_straight_tones(photo: Photo, bends: Array | None) -> Photo:
    """The photo as it would be read from a camera without the curve."""
    return photo if bends is None else replace(photo, transfer=_straight(photo.transfer, bends))


def _straight(transfer: Transfer, bends: Array) -> Transfer:
    """Decodes each channel through its own curve; codes of results are made as before."""
    light = np.repeat(transfer.decode16[:, None], len(bends), axis=1)
    return replace(transfer, decode16=np.ascontiguousarray(straightened(light, bends)))


def _patches_seen(plane: PlaneSurvey, number: int) -> int:
    """Corners of cards stand for the patches beside them."""
    return sum(len(card.card_xy) for card in plane.seen[number]) if number < len(plane.seen) else 0


def _as_lit(pair: Paired, plane: PlaneSurvey, number: int, field: LightField | None, bends: Array | None) -> Paired:
    """The pair with what its patches look like in the light that falls on them, whose mean counts as one."""
    if pair.middles is None:
        return pair
    if field is None:
        straight = np.asarray(straightened(pair.light, bends), dtype=np.float64)
        light = light_on_patches(replace(pair, light=straight), plane, number)
    else:
        on_plane = plane_from_photo(plane.fit, number, pair.middles)
        light = light_at(field, canvas_from_plane(plane.facing, on_plane)).mean(1)
    if light is None:
        return pair
    return replace(pair, lab=lab_from_xyz(xyz_from_lab(pair.lab) * (light / light.mean())[:, None]))
