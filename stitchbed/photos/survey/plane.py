"""I find the plane of the work in photographs: cards, sides, lens, the frame of the result, and how sure all that is.

In: open photos, what the user said. Out: a `PlaneSurvey`; nothing is rendered yet.
"""

from __future__ import annotations

from collections.abc import Sequence

from stitchbed.card.detection import CORNER_SIGMA_PX, SeenCard, find_cards
from stitchbed.core.errors import BadSettings, CardNotFound
from stitchbed.photos.geometry.bundle_adjustment import PlaneSettings, solve_plane
from stitchbed.photos.geometry.initial_guess import CardPoints, TiePoints
from stitchbed.photos.geometry.output_frame import inside_photo
from stitchbed.photos.geometry.plane_pose import PlaneFit
from stitchbed.photos.survey.known_size import survey_by_size
from stitchbed.photos.survey.photo import Photo, full_px, gray_of
from stitchbed.photos.survey.plane_types import (
    Asked,
    Found,
    Overlap,
    PlaneSurvey,
    plane_settings,
    plane_survey_of,
    printed_scale,
)
from stitchbed.photos.survey.tie_points import believed, fine_ties, links_between, overlaps_of, rough_ties, strongest
from stitchbed.photos.survey.work_edges import SidesFound, between_cards, side_points, sides_by_cards, work_corners

CURLED_PX = 0.3  # rms; flat cards leave .02 to .1
LOOSE_PX = 0.7  # rms per axis; a flat work leaves .01 to .1, points without windows a quarter px of their view
NO_EDGES = "the work's own edges were not found; the result shows all that lies between or beside the cards"


def survey_plane(photos: Sequence[Photo], asked: Asked) -> PlaneSurvey:
    """Find the plane by cards, or by the size of the work and its corners.

    Raises
    ------
    CardNotFound : neither cards nor a size; cards that do not fit one plane. BadSettings : a size that cannot be.
    """
    printed_scale(asked)
    _check_corners(photos[0], asked)
    looked = _cards_in_any(photos, asked)
    if looked is None:
        return survey_by_size(photos, asked, asked.size_mm or (0.0, 0.0))
    seen, warnings = looked
    points = card_points(photos, seen, asked)
    sizes = [(photo.size[1], photo.size[0]) for photo in photos]
    settings = plane_settings(asked, shared_lens=len(set(sizes)) == 1)
    fit, ties = _tied(photos, seen, points, settings)
    found = sides_by_cards(photos, fit, asked.corners)
    fine = [side_points(side, fit, None, photo) for photo, sides in found.sides.items() for side in sides.values()]
    if fine:
        fit = solve_plane(sizes, points, fine, settings=settings, start=fit, ties=ties)
    corners = between_cards(fit, found) if found.lines is None else work_corners(fit, found, found.lines)
    overlaps = overlaps_of(fit, ties)
    warnings += [*_doubts(photos, fit, found), *_loose(photos, overlaps)]
    rest = Found(seen, found.sides, corners, found.lines is not None, overlaps, found.papers)
    return plane_survey_of(photos, fit, rest, asked, warnings)


def _cards_in_any(photos: Sequence[Photo], asked: Asked) -> tuple[tuple[tuple[SeenCard, ...], ...], list[str]] | None:
    """Cards of each photo, and warnings; None when no photo shows one and the work's size serves instead."""
    seen: list[tuple[SeenCard, ...]] = []
    warnings: list[str] = []
    refused: CardNotFound | None = None
    for photo in photos:
        try:
            cards, notes = find_cards(gray_of(photo), photo.tile.name)
        except CardNotFound as error:
            cards, notes = (), (f"{error.found}; it is placed by what it shares with the other photos",)
            refused = refused or error
        seen.append(cards)
        warnings += notes
    if any(seen):
        return tuple(seen), warnings
    if asked.size_mm is None and refused is not None:
        raise refused
    return None


def _cards_alone_are_too_few(seen: Sequence[Sequence[SeenCard]]) -> bool:
    """True unless each of several photos shows the same full card, or the same three or four corner cards."""
    names = {frozenset(card.piece for card in cards) for cards in seen}
    if len(seen) == 1:
        return False
    return len(names) > 1 or not any("full" in each or len(each) >= 3 for each in names)


def _tied(
    photos: Sequence[Photo], seen: Sequence[Sequence[SeenCard]], points: Sequence[CardPoints], settings: PlaneSettings
) -> tuple[PlaneFit, list[TiePoints]]:
    """The plane by cards and, where these are too few, by what photos share: roughly at first, then by windows."""
    sizes = [(photo.size[1], photo.size[0]) for photo in photos]
    if not _cards_alone_are_too_few(seen):
        return solve_plane(sizes, points, settings=settings), []
    rough = rough_ties(photos, links_between(photos))
    fit = solve_plane(sizes, points, settings=settings, ties=strongest(rough, len(photos)))
    ties = fine_ties(photos, fit, believed(photos, fit, rough))
    return solve_plane(sizes, points, settings=settings, ties=ties, start=fit), ties


def _doubts(photos: Sequence[Photo], fit: PlaneFit, found: SidesFound) -> list[str]:
    doubts = []
    if found.lines is None:
        doubts.append(NO_EDGES)
    if found.doubtful:
        doubts.append(
            "the work's sides do not stand out from what it lies on all along: look whether the result ends where the "
            "work does, or give its --corners; a plain board underneath avoids this"
        )
    if fit.rms_px > CURLED_PX * max(photo.reduction for photo in photos):
        doubts.append(
            "the cards are not quite flat, not in one plane or not of one print: their corners disagree by "
            f"{fit.rms_px:.2f} px"
        )
    return doubts


def _loose(photos: Sequence[Photo], overlaps: Sequence[Overlap]) -> list[str]:
    """Overlaps that do not fit as a flat work's should."""
    return [
        f"{photos[one.a].tile.name} and {photos[one.b].tile.name} fit each other only to {one.rms_px:.1f} px: look at "
        "the result there; the work may not be flat, or may have moved between the photos"
        for one in overlaps
        if one.rms_px > LOOSE_PX
    ]


def _check_corners(photo: Photo, asked: Asked) -> None:
    if asked.corners is not None and not inside_photo(asked.corners, photo.size).all():
        raise BadSettings(
            f"--corners outside of {photo.tile.name}, which is {photo.size[1]} x {photo.size[0]} px",
            expected="corners of the work as pixels x,y of that photo",
            attempt="read them off the photo at full size",
        )


def card_points(photos: Sequence[Photo], seen: Sequence[Sequence[SeenCard]], asked: Asked) -> list[CardPoints]:
    """Card corners as the solver wants them, nominal mm corrected by the measured print."""
    scale = printed_scale(asked)
    points = []
    for number, (photo, cards) in enumerate(zip(photos, seen, strict=True)):
        sigma = CORNER_SIGMA_PX * photo.reduction
        for card in cards:
            at = full_px(photo, card.photo_xy)
            points.append(CardPoints(number, card.piece, card.card_xy * scale, at, sigma))
    return points
