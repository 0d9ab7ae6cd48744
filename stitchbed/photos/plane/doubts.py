"""I say what is doubtful of a plane by cards: where the work may end elsewhere, and what its cards tell badly.

In: open photos, a solved plane. Out: sentences.
"""

from __future__ import annotations

from collections.abc import Sequence

from stitchbed.card.board import LINE_ACROSS_MM
from stitchbed.core.arrays import Array
from stitchbed.photos.geometry.output_frame import facing_of_corners
from stitchbed.photos.plane.solution import Solution
from stitchbed.photos.survey.card_paper import overlapped
from stitchbed.photos.survey.photo import Photo
from stitchbed.photos.survey.plane_types import Asked
from stitchbed.photos.survey.side_doubts import AT_RIM, BESIDE, left_out_reasons, shadow_doubts, side_reasons
from stitchbed.photos.survey.work_edges import FAR_OVER_MM

CURLED_PX = 0.3  # rms; flat cards leave .02 to .1
SIDES_SEEN = "a raised work may show one of its side faces, which is no part of it"
NOT_MEASURED = (
    "the print was not measured, so sizes may be off by 5 %, as prints fitted to the page are: give the card's check "
    "lines as a ruler reads them (--printed-mm), or the work's size (--size)"
)
BY_SIZE = (
    "by --size the cards were printed at {percent:.1f} %, so that their check lines read {line:.1f} mm: where they "
    "read otherwise, --size is wrong, or the work's face lies higher than the cards"
)
INSTEAD = (
    "the rectangle that measures {0:.0f} x {1:.0f} mm by the cards was taken for --size, and not the one of {2:.0f} x "
    "{3:.0f} mm that is found without it (leave --size away to take it)"
)
NO_EDGES = (
    "the work's own edges were not found, so the result shows all that lies between or beside the cards: give the "
    "work's --corners, or lay it on a plain board"
)
UNUSED = (
    "--size {0:g}x{1:g}mm was not used, since no work of that size was found: all sizes are those that the cards tell"
)
UNDER = "; where a card lies partly under the work, lay it beside, a finger's width away"
OVER = (
    "the work reaches {mm:.0f} mm over the card {card}: its face lies higher than the cards, so that all comes out too "
    "large (--raised takes that out), or the card lies on or under the work (lay it beside)"
)
FAR_OVER = (
    "it reaches {mm:.0f} mm over the card {card}, so that something beside the work may count as part of it, the card "
    "lies on or under the work (lay it beside), or its face lies higher than the cards (--raised takes that out)"
)
UNSURE = "its sides do not stand out all along from what it lies on, as they would from a plain board"
AS_MEANT = 0.01  # of prints at 100 %: twice what paper and printer add
HIDDEN_SHARE = 0.05  # of a card's corners; fewer are missed by chance


def size_of(corners: Array | None) -> tuple[float, float] | None:
    """(width, height) mm of a rectangle, by its corners (4, 2) plane mm; None without."""
    if corners is None:
        return None
    facing = facing_of_corners(corners, 0.0)
    return facing.width, facing.height


def print_notes(asked: Asked, share: float) -> list[str]:
    """Said of a print that nothing tells the size of, or the work's size alone, and another than it was meant to have.

    share : true over meant size, as the size of the work tells it. A size that is off in both directions alike is not
    told from a print that was fitted to the page.
    """
    if asked.printed_mm is not None:
        return []
    if asked.size_mm is None:
        return [NOT_MEASURED]
    return [BY_SIZE.format(percent=100 * share, line=LINE_ACROSS_MM * share)] if abs(share - 1) > AS_MEANT else []


def size_notes(asked: Asked, told: Asked) -> list[str]:
    """Said of a size that the user gave where no sides were found to measure by it. told : what was made use of."""
    return [UNUSED.format(*asked.size_mm)] if asked.size_mm is not None and told.size_mm is None else []


def ends_elsewhere(photos: Sequence[Photo], solved: Solution, asked: Asked) -> list[str]:
    """Why the work may end elsewhere than where its sides were found."""
    fit, found = solved.fit, solved.found
    if found.lines is None:
        return []
    reasons = [SIDES_SEEN] if asked.raised_mm and asked.corners is None else []
    reasons += [UNSURE] if found.doubtful else [AT_RIM] if found.at_rim else []
    reasons += [BESIDE] if found.beside else []
    if asked.corners is None and asked.sides == "auto":
        reasons += [*left_out_reasons(found.left_out), *side_reasons(photos, fit, found.papers, solved.corners)]
    outer = asked.sides != "inner" and solved.passed_over is None
    if found.widened and outer and (size := size_of(found.other)) is not None:
        reasons.append(
            f"of two rectangles within each other the outer one was taken (--sides inner takes that of {size[0]:.0f} x "
            f"{size[1]:.0f} mm)"
        )
    reached = {} if asked.raised_mm else overlapped(fit, solved.corners)
    reasons += [FAR_OVER.format(card=name, mm=mm) for name, mm in reached.items() if mm > FAR_OVER_MM]
    if solved.passed_over is not None:
        reasons.append(INSTEAD.format(*solved.passed_over))
    if (askew := solved.askew_deg) > 0:
        reasons.append(f"a corner is {askew:.1f} degrees off square, as where a side is that of something beside it")
    return reasons


def doubts_of(photos: Sequence[Photo], solved: Solution, asked: Asked) -> list[str]:
    """What else is doubtful: sides that were not found, cards that the work reaches over or that are bent."""
    fit, found = solved.fit, solved.found
    doubts: list[str] = []
    if found.lines is None:
        hidden = any(card.share < 1 - HIDDEN_SHARE for cards in solved.seen for card in cards)
        doubts.append(NO_EDGES + (UNDER if hidden else ""))
    elif not asked.raised_mm:
        over = overlapped(fit, solved.corners)
        doubts += [OVER.format(card=name, mm=mm) for name, mm in over.items() if mm <= FAR_OVER_MM]
        if asked.size_mm is None and not asked.scan:  # a size is that of the face, at whatever height it lies
            doubts += shadow_doubts(photos, fit, found.papers, solved.corners)
    if fit.rms_px > CURLED_PX * max(photo.reduction for photo in photos):
        doubts.append(
            "the cards are not quite flat, not in one plane or not of one print: their corners disagree by "
            f"{fit.rms_px:.2f} px"
        )
    return doubts
