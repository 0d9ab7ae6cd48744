"""I find the plane of the work in photographs: cards, sides, lens, the frame of the result, and how sure all that is.

In: open photos, what the user said. Out: a `PlaneSurvey`; nothing is rendered yet.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stitchbed.card.detection import NO_CARD, SeenCard, find_cards
from stitchbed.core.arrays import Array
from stitchbed.core.errors import BadSettings, CardNotFound
from stitchbed.photos.geometry.output_frame import facing_of_corners
from stitchbed.photos.geometry.plane_pose import (
    PlaneFit,
    photo_from_plane,
    plane_from_photo,
    radius95,
    shape_covariance,
    taper_sigmas,
    without_print,
)
from stitchbed.photos.geometry.print_size import (
    SIZE_SIGMA_MM,
    PrintSize,
    print_size,
    print_size_below,
    print_size_by,
    size_sigma_mm,
)
from stitchbed.photos.geometry.rectangle import SIDES
from stitchbed.photos.solving.bundle_adjustment import solve_plane
from stitchbed.photos.solving.heights import height_sigma, larger_by_height
from stitchbed.photos.solving.initial_guess import SidePoints, TiePoints
from stitchbed.photos.solving.plane_equations import PlaneSettings
from stitchbed.photos.survey.card_paper import card_points, overlapped
from stitchbed.photos.survey.known_size import survey_by_size
from stitchbed.photos.survey.photo import Photo, gray_of
from stitchbed.photos.survey.plane_types import (
    Asked,
    Found,
    PlaneSurvey,
    check_corners,
    plane_survey_of,
)
from stitchbed.photos.survey.tie_points import loose_overlaps, overlaps_of, solved_with_ties
from stitchbed.photos.survey.work_edges import (
    AT_RIM,
    BESIDE,
    FAR_OVER_MM,
    SidesFound,
    between_cards,
    left_out_reasons,
    side_points,
    side_reasons,
    sides_again,
    sides_by_cards,
    work_corners,
)

CURLED_PX = 0.3  # rms; flat cards leave .02 to .1
RAISED = "--raised for several photos, a scan, or a photo without a card"
SIDES_SEEN = "a raised work may show one of its side faces, which is no part of it"
LEVEL = "lay the cards as high as the work's face, as on books of its thickness, and leave --raised away"
FEW_CARDS = 3  # these and more tell how their plane leans, wherever they lie
NAMED_SHARE = 0.003  # of a size read off a ruler, that a rectangle of a small view may be off besides
SQUARE_DEG = 0.5  # works are cut and stretched squarer than that, common practice: 2 mm over 230
NOT_MEASURED = (
    "the print was not measured, so sizes may be off by 5 %, as prints fitted to the page are: give the card's check "
    "lines as a ruler reads them (--printed-mm), or the work's size (--size)"
)
NO_EDGES = (
    "the work's own edges were not found, so the result shows all that lies between or beside the cards: give the "
    "work's --corners, or lay it on a plain board"
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
HIDDEN_SHARE = 0.05  # of a card's corners; fewer are missed by chance


def survey_plane(photos: Sequence[Photo], asked: Asked) -> PlaneSurvey:
    """Find the plane by cards, or by the size of the work and its corners.

    Raises
    ------
    CardNotFound : neither cards nor a size; cards that do not fit one plane. BadSettings : a size or a height that
    cannot be.
    """
    believed = print_size(asked.printed_mm)
    check_corners(photos[0], asked)
    looked = _cards_in_any(photos, asked)
    if asked.raised_mm and (looked is None or asked.scan or len(photos) > 1):
        raise BadSettings(RAISED, expected="one photo, with cards that lie lower than the work's face", attempt=LEVEL)
    if looked is None:
        return survey_by_size(photos, asked, asked.size_mm or (0.0, 0.0))
    seen, warnings = looked
    solved = _solved(photos, seen, asked, believed)
    if asked.raised_mm:
        solved = _solved(photos, seen, asked, _below(solved, asked.raised_mm))
    if asked.size_mm is not None:
        solved = _of_size(photos, seen, asked, solved)
    overlaps = tuple(overlaps_of(solved.fit, solved.ties))
    warnings += [*_doubts(photos, solved, asked), *loose_overlaps(photos, overlaps), *_print_notes(asked)]
    found = solved.found
    own, ends = found.lines is not None, tuple(_ends(photos, solved, asked))
    rest = Found(seen, found.sides, solved.corners, own, overlaps, found.papers, _size_of(found.other), ends)
    return plane_survey_of(photos, solved.fit, rest, asked, warnings)


@dataclass(frozen=True)
class _Solved:
    """A plane by cards of one print: corners (4, 2) plane mm of the work, overlaps of the photos.

    seen : cards of each photo. solve : solves anew with these sides, and a size of the work (mm, and its sigma).
    askew_deg : as of `_askew_deg`, by the cards alone.
    """

    believed: PrintSize
    fit: PlaneFit
    found: SidesFound
    corners: Array
    ties: Sequence[TiePoints]
    seen: Sequence[Sequence[SeenCard]]
    solve: Callable[[Sequence[SidePoints], tuple[float, float] | None, float, bool], PlaneFit]
    askew_deg: float = 0.0


def _solved(
    photos: Sequence[Photo],
    seen: Sequence[Sequence[SeenCard]],
    asked: Asked,
    believed: PrintSize,
    *,
    named: tuple[float, float, float] | None = None,
) -> _Solved:
    points = card_points(photos, seen, believed)
    sizes = [(photo.size[1], photo.size[0]) for photo in photos]
    settings = PlaneSettings(
        scale=believed.scale, stretch=believed.stretch, shared_lens=len(set(sizes)) == 1, flat=asked.scan
    )
    bare, ties = solved_with_ties(photos, points, settings, tie=_cards_alone_are_too_few(seen))

    def solve(
        sides: Sequence[SidePoints],
        size_mm: tuple[float, float] | None = None,
        sigma_mm: float = SIZE_SIGMA_MM,
        alike: bool = False,
    ) -> PlaneFit:
        as_read = replace(settings, size_sigma=sigma_mm)
        fit = solve_plane(sizes, points, sides, settings=as_read, start=bare, ties=ties, size_mm=size_mm, alike=alike)
        return _as_printed(fit, believed)

    fit = _as_printed(bare, believed)
    found = sides_by_cards(photos, fit, asked.corners, inner=asked.sides == "inner", named=named)
    fine = _fine(fit, found)
    if fine:
        fit = solve(fine)
    if fine and found.lines is not None and len(fit.poses) < FEW_CARDS:
        found = sides_again(photos, fit, found)  # a single card's plane was bent far from it; sides straighten it
        again = _fine(fit, found)
        fit = solve(again) if again else fit
    corners = between_cards(fit, found) if found.lines is None else work_corners(fit, found, found.lines)
    solved = _Solved(believed, fit, found, corners, ties, seen, solve)
    return solved if found.lines is None else _squarer(replace(solved, askew_deg=_askew_deg(photos, solved)))


def _squarer(solved: _Solved) -> _Solved:
    """The same with opposite sides believed to be alike long, which tells what a card by itself hardly does: how its
    plane leans, where its paper is bent. Not of sides that may not be the work's. What the card and the work contradict
    each other by, neither is sure of.

    Reference: Birge (1932), doi 10.1103/PhysRev.40.207.
    """
    fit, found = solved.fit, solved.found
    sides = _fine(fit, found)
    told = len(fit.poses) >= FEW_CARDS or len(fit.views) > 1  # or a work that no one photo shows as a whole
    if told or found.doubtful or solved.askew_deg > 0 or {s.side for s in sides} < set(SIDES):
        return solved
    apart = max(1.0, taper_sigmas(fit, solved.corners, PlaneSettings.cut))
    alike = solved.solve(sides, None, SIZE_SIGMA_MM, True)
    return _on(solved, replace(alike, covariance=alike.covariance * apart**2))


def _on(solved: _Solved, fit: PlaneFit) -> _Solved:
    """The same sides in another solution of the plane."""
    found, other = solved.found, solved.found.other
    moved = None if other is None else plane_from_photo(fit, 0, photo_from_plane(solved.fit, 0, other))
    corners = work_corners(fit, found, found.lines or {})
    return replace(solved, fit=fit, found=replace(found, other=moved), corners=corners)


def _fine(fit: PlaneFit, found: SidesFound) -> list[SidePoints]:
    return [side_points(side, fit, None, photo) for photo, sides in found.sides.items() for side in sides.values()]


def _as_printed(fit: PlaneFit, believed: PrintSize) -> PlaneFit:
    """The same for nominal places on the cards: it was solved from places that the believed print had put right."""
    return replace(fit, stretch=fit.stretch * (believed.across, believed.down))


def _below(solved: _Solved, raised_mm: float) -> PrintSize:
    """The print as seen at the height of the work's face."""
    view, lens = solved.fit.views[0], solved.fit.lenses[0]
    share = larger_by_height(view, lens, solved.corners)
    return print_size_below(raised_mm, share, height_sigma(view, lens), solved.believed)


def _of_size(photos: Sequence[Photo], seen: Sequence[Sequence[SeenCard]], asked: Asked, solved: _Solved) -> _Solved:
    """The plane with the print's scale bettered by the size the user gave.

    Raises
    ------
    BadSettings : the size fits neither the work as the cards measure it nor another rectangle that is seen.
    """
    size = asked.size_mm or (0.0, 0.0)
    likely = _may_be_of_size(photos, seen, asked, solved)
    fitting = ((each, better) for each in likely if (better := _better(photos, size, each[2])) is not None)
    first = next(fitting, None)
    if first is None:
        if solved.found.lines is None:
            return solved
        width, height = _measured(solved)
        raise BadSettings(
            f"--size {size[0]:g}x{size[1]:g}mm for a work that measures {width:.1f} x {height:.1f} mm by the cards",
            expected="the size of what is seen, width first, as it lies in the photo"
            + ("" if asked.printed_mm else ", and cards printed at 90 to 110 %"),
            attempt="measure the work and the card's check lines again; say how much higher than the cards a thick "
            "canvas's face lies (--raised); "
            "leave --size away to go by the cards alone",
        )
    (asked, named, one), better = first
    sides = _fine(one.fit, one.found)
    if {side.side for side in sides} < set(SIDES):
        return _solved(photos, seen, asked, better, named=named)
    read_mm = size_sigma_mm(size, _measured(one), _shape_95(photos, one), one.believed)
    return _on(one, one.solve(sides, size, read_mm, False))


def _better(photos: Sequence[Photo], size_mm: tuple[float, float], solved: _Solved) -> PrintSize | None:
    """What a size of the work tells of the print; None when the two contradict each other."""
    return print_size_by(size_mm, _measured(solved), _shape_95(photos, solved), solved.believed)


def _may_be_of_size(
    photos: Sequence[Photo], seen: Sequence[Sequence[SeenCard]], asked: Asked, solved: _Solved
) -> Iterator[tuple[Asked, tuple[float, float, float] | None, _Solved]]:
    """Rectangles that the size may be of, the likeliest first, and how each was asked for: that found without it, the
    one within, and the one that is seen best of all of that size.
    """
    if solved.found.lines is not None:
        yield asked, None, solved
    if asked.sides != "auto":
        return
    if solved.found.other is not None:
        inner = replace(asked, sides="inner")
        yield inner, None, _solved(photos, seen, inner, solved.believed)
    if asked.corners is None and asked.size_mm is not None:
        named = (*asked.size_mm, 2 * solved.believed.scale + NAMED_SHARE)
        other = _solved(photos, seen, asked, solved.believed, named=named)
        if other.found.lines is not None:
            yield asked, named, other


def _measured(solved: _Solved) -> tuple[float, float]:
    """(width, height) mm of the work by the cards."""
    work = facing_of_corners(solved.corners, 0.0)
    return work.width, work.height


def _shape_95(photos: Sequence[Photo], solved: _Solved) -> float:
    """mm, 95 %: how sure the work's corners are but for the size of the print."""
    at = photo_from_plane(solved.fit, 0, solved.corners)
    fit = replace(solved.fit, covariance=without_print(solved.fit))
    return float(radius95(shape_covariance(fit, [0] * len(at), at)).max())


def _size_of(corners: Array | None) -> tuple[float, float] | None:
    if corners is None:
        return None
    facing = facing_of_corners(corners, 0.0)
    return facing.width, facing.height


def _print_notes(asked: Asked) -> list[str]:
    if asked.printed_mm is not None or asked.size_mm is not None:
        return []
    return [NOT_MEASURED]


def _cards_in_any(photos: Sequence[Photo], asked: Asked) -> tuple[tuple[tuple[SeenCard, ...], ...], list[str]] | None:
    """Cards of each photo, and warnings; None when no photo shows one and the work's size serves instead."""
    seen: list[tuple[SeenCard, ...]] = []
    warnings: list[str] = []
    left_out: list[tuple[str, str]] = []
    refused: CardNotFound | None = None
    for photo in photos:
        cards: tuple[SeenCard, ...] = ()
        try:
            cards, notes = find_cards(gray_of(photo), photo.tile.name)
            left_out += notes.items()
        except CardNotFound as error:
            if NO_CARD not in error.found:  # a part of a work needs none; one that is blurred or mirrored is told
                warnings.append(f"{error.found}; it is placed by what it shares with the other photos")
            refused = refused or error
        seen.append(cards)
    if any(seen):
        whole = {card.piece for cards in seen for card in cards}  # a card that another photo shows whole is not missed
        return tuple(seen), [*warnings, *(note for piece, note in left_out if piece not in whole)]
    if asked.size_mm is None and refused is not None:
        raise refused
    return None


def _cards_alone_are_too_few(seen: Sequence[Sequence[SeenCard]]) -> bool:
    """True unless each of several photos shows the same full card, or the same three or four corner cards."""
    names = {frozenset(card.piece for card in cards) for cards in seen}
    if len(seen) == 1:
        return False
    return len(names) > 1 or not any("full" in each or len(each) >= 3 for each in names)


def _ends(photos: Sequence[Photo], solved: _Solved, asked: Asked) -> list[str]:
    """Why the work may end elsewhere than where its sides were found."""
    fit, found = solved.fit, solved.found
    if found.lines is None:
        return []
    reasons = [SIDES_SEEN] if asked.raised_mm and asked.corners is None else []
    reasons += [UNSURE] if found.doubtful else [AT_RIM] if found.at_rim else []
    reasons += [BESIDE] if found.beside else []
    if asked.corners is None and asked.sides == "auto":
        reasons += [*left_out_reasons(found.left_out), *side_reasons(photos, fit, found.papers, solved.corners)]
    if found.widened and (size := _size_of(found.other)) is not None:
        reasons.append(
            f"of two rectangles within each other the outer one was taken (--sides inner takes that of {size[0]:.0f} x "
            f"{size[1]:.0f} mm)"
        )
    reached = {} if asked.raised_mm else overlapped(fit, solved.corners)
    reasons += [FAR_OVER.format(card=name, mm=mm) for name, mm in reached.items() if mm > FAR_OVER_MM]
    if (askew := solved.askew_deg) > 0:
        reasons.append(f"a corner is {askew:.1f} degrees off square, as where a side is that of something beside it")
    return reasons


def _doubts(photos: Sequence[Photo], solved: _Solved, asked: Asked) -> list[str]:
    fit, found = solved.fit, solved.found
    doubts: list[str] = []
    if found.lines is None:
        hidden = any(card.share < 1 - HIDDEN_SHARE for cards in solved.seen for card in cards)
        doubts.append(NO_EDGES + (UNDER if hidden else ""))
    elif not asked.raised_mm:
        over = overlapped(fit, solved.corners)
        doubts += [OVER.format(card=name, mm=mm) for name, mm in over.items() if mm <= FAR_OVER_MM]
    if fit.rms_px > CURLED_PX * max(photo.reduction for photo in photos):
        doubts.append(
            "the cards are not quite flat, not in one plane or not of one print: their corners disagree by "
            f"{fit.rms_px:.2f} px"
        )
    return doubts


def _askew_deg(photos: Sequence[Photo], solved: _Solved) -> float:
    """How far the least square corner is from 90 degrees, where that is more than papers are and places are unsure."""
    sides = np.roll(solved.corners, -1, axis=0) - solved.corners
    lengths = np.linalg.norm(sides, axis=1)
    cosines = np.sum(sides * np.roll(sides, -1, axis=0), axis=1) / (lengths * np.roll(lengths, -1))
    askew = float(np.rad2deg(np.abs(np.arcsin(cosines)).max()))
    unsure = float(np.rad2deg(2 * _shape_95(photos, solved) / lengths.min()))
    return askew if askew > SQUARE_DEG + unsure else 0.0
