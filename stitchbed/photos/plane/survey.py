"""I find the plane of the work in photographs: cards, sides, lens, the frame of the result, and how sure all that is.

In: open photos, what the user said. Out: a `PlaneSurvey`; nothing is rendered yet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from stitchbed.card.detection import NO_CARD, SeenCard, find_cards
from stitchbed.core.errors import BadSettings, CardNotFound
from stitchbed.photos.geometry.print_size import print_size
from stitchbed.photos.plane.doubts import doubts_of, ends_elsewhere, print_notes, size_notes, size_of
from stitchbed.photos.plane.known_size import survey_by_size
from stitchbed.photos.plane.named_size import of_size
from stitchbed.photos.plane.solution import below, solved_by_cards
from stitchbed.photos.plane.tie_points import loose_overlaps, overlaps_of
from stitchbed.photos.survey.photo import Photo, gray_of
from stitchbed.photos.survey.plane_types import Asked, Found, PlaneSurvey, check_corners, plane_survey_of

RAISED = "--raised for several photos, a scan, or a photo without a card"
CARD_UNREAD = "{}; without it all rests on --size"
BY_SIZE_ALONE = "{}, or leave --printed-mm away: then all rests on --size"
LEVEL = "lay the cards as high as the work's face, as on books of its thickness, and leave --raised away"


def survey_plane(photos: Sequence[Photo], asked: Asked) -> PlaneSurvey:
    """Find the plane by cards, or by the size of the work and its corners.

    Raises
    ------
    CardNotFound : neither cards nor a size; cards that do not fit one plane. BadSettings : a size or a height that
    cannot be.
    """
    believed = print_size(asked.printed_mm)
    check_corners(photos[0], asked)
    seen, warnings = _cards_in_any(photos, asked)
    if asked.raised_mm and (not any(seen) or asked.scan or len(photos) > 1):
        raise BadSettings(RAISED, expected="one photo, with cards that lie lower than the work's face", attempt=LEVEL)
    if not any(seen):
        by_size = survey_by_size(photos, asked, asked.size_mm or (0.0, 0.0))
        return replace(by_size, warnings=(*by_size.warnings, *warnings))
    solved = solved_by_cards(photos, seen, asked, believed)
    if asked.raised_mm:
        solved = solved_by_cards(photos, seen, asked, below(solved, asked.raised_mm))
    told, by_cards = asked, solved
    if asked.size_mm is not None:
        solved = of_size(photos, seen, asked, by_cards)
        told = replace(asked, size_mm=None) if solved is by_cards else asked
        warnings += size_notes(asked, told)
    share = float(np.mean(solved.fit.stretch / (by_cards.believed.across, by_cards.believed.down)))
    overlaps = tuple(overlaps_of(solved.fit, solved.ties))
    warnings += [*doubts_of(photos, solved, asked), *loose_overlaps(photos, overlaps), *print_notes(told, share)]
    found = solved.found
    own, ends = found.lines is not None, tuple(ends_elsewhere(photos, solved, asked))
    rest = Found(seen, found.sides, solved.corners, own, overlaps, found.papers, size_of(found.other), ends)
    return plane_survey_of(photos, solved.fit, rest, told, warnings)


def _cards_in_any(photos: Sequence[Photo], asked: Asked) -> tuple[tuple[tuple[SeenCard, ...], ...], list[str]]:
    """Cards of each photo, and warnings; none at all where the work's size serves instead.

    Raises
    ------
    CardNotFound : no photo shows a card that can be read, and none but a card can tell the size, or its check lines
    were measured.
    """
    seen: list[tuple[SeenCard, ...]] = []
    unread: list[str] = []
    left_out: list[tuple[str, str]] = []
    refused: CardNotFound | None = None
    for photo in photos:
        cards: tuple[SeenCard, ...] = ()
        try:
            cards, notes = find_cards(gray_of(photo), photo.tile.name)
            left_out += notes.items()
        except CardNotFound as error:
            if NO_CARD not in error.found:  # a part of a work needs none; one that is blurred or mirrored is told
                unread.append(error.found)
            refused = refused or error
        seen.append(cards)
    if any(seen):
        whole = {card.piece for cards in seen for card in cards}  # a card that another photo shows whole is not missed
        warnings = [f"{found}; it is placed by what it shares with the other photos" for found in unread]
        return tuple(seen), [*warnings, *(note for piece, note in left_out if piece not in whole)]
    if refused is not None and asked.size_mm is None:
        raise refused
    if refused is not None and asked.printed_mm is not None:  # who measured a card's lines counts on the card
        way = BY_SIZE_ALONE.format(refused.attempt)
        raise CardNotFound(refused.found, expected=refused.expected, attempt=way)
    return tuple(seen), [CARD_UNREAD.format(found) for found in unread]
