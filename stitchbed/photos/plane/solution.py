"""I solve a plane by its cards and the sides of the work that lies on it.

In: open photos, cards seen, what the user said. Out: a `Solution`: the plane, the sides, the corners.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stitchbed.card.detection import SeenCard
from stitchbed.core.arrays import Array
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
from stitchbed.photos.geometry.print_size import SIZE_SIGMA_MM, PrintSize, print_size_below
from stitchbed.photos.plane.tie_points import solved_with_ties
from stitchbed.photos.sides.foot_shadow import out_of_foot_shadow
from stitchbed.photos.sides.lines import SIDES
from stitchbed.photos.solving.bundle_adjustment import solve_plane
from stitchbed.photos.solving.heights import height_sigma, larger_by_height
from stitchbed.photos.solving.initial_guess import SidePoints, TiePoints
from stitchbed.photos.solving.plane_equations import PlaneSettings
from stitchbed.photos.survey.card_paper import card_points
from stitchbed.photos.survey.measured_sides import side_points
from stitchbed.photos.survey.photo import Photo
from stitchbed.photos.survey.plane_types import Asked
from stitchbed.photos.survey.work_edges import SidesFound, between_cards, sides_again, sides_by_cards, work_corners

FEW_CARDS = 3  # these and more tell how their plane leans, wherever they lie
SQUARE_DEG = 0.5  # works are cut and stretched squarer than that, common practice: 2 mm over 230


@dataclass(frozen=True)
class Solution:
    """A plane by cards of one print: corners (4, 2) plane mm of the work, overlaps of the photos.

    seen : cards of each photo. solve : solves anew with these sides, and a size of the work (mm, and its sigma).
    askew_deg : as of `askew_deg`, by the cards alone. passed_over : width and height, mm by the cards, of these sides
    taken for a size, and of those that were found without it; None where they are the same.
    """

    believed: PrintSize
    fit: PlaneFit
    found: SidesFound
    corners: Array
    ties: Sequence[TiePoints]
    seen: Sequence[Sequence[SeenCard]]
    solve: Callable[[Sequence[SidePoints], tuple[float, float] | None, float, bool], PlaneFit]
    askew_deg: float = 0.0
    passed_over: tuple[float, float, float, float] | None = None


def solved_by_cards(
    photos: Sequence[Photo],
    seen: Sequence[Sequence[SeenCard]],
    asked: Asked,
    believed: PrintSize,
    *,
    named: tuple[float, float, float] | None = None,
) -> Solution:
    """The plane by cards of a believed print, and the sides of the work on it. named : as of `sides_by_cards`."""
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
    found = _at_rims(
        photos, seen, sides_by_cards(photos, fit, asked.corners, inner=asked.sides == "inner", named=named)
    )
    fine = fine_sides(fit, found)
    if fine:
        fit = solve(fine)
    if fine and found.lines is not None and len(fit.poses) < FEW_CARDS:
        # a single card's plane was bent far from it; sides straighten it
        found = _at_rims(photos, seen, sides_again(photos, fit, found))
        again = fine_sides(fit, found)
        fit = solve(again) if again else fit
    corners = between_cards(fit, found) if found.lines is None else work_corners(fit, found, found.lines)
    solved = Solution(believed, fit, found, corners, ties, seen, solve)
    return solved if found.lines is None else squarer(replace(solved, askew_deg=askew_deg(photos, solved)))


def _at_rims(photos: Sequence[Photo], seen: Sequence[Sequence[SeenCard]], found: SidesFound) -> SidesFound:
    """The same with sides of a dark work taken out of the shadow at its foot, where its photo shows a card."""
    sides = dict(found.sides)
    for number, each in found.sides.items():
        if each and seen[number]:
            blur = float(np.median([card.blur_px for card in seen[number]])) * photos[number].reduction
            within = np.mean([side.photo_xy.mean(0) for side in each.values()], axis=0)
            sides[number] = {name: out_of_foot_shadow(side, blur, within) for name, side in each.items()}
    return replace(found, sides=sides)


def squarer(solved: Solution) -> Solution:
    """The same with opposite sides believed to be alike long, which tells what a card by itself hardly does: how its
    plane leans, where its paper is bent. Not of sides that may not be the work's. What the card and the work contradict
    each other by, neither is sure of.

    Reference: Birge (1932), doi 10.1103/PhysRev.40.207.
    """
    fit, found = solved.fit, solved.found
    sides = fine_sides(fit, found)
    told = len(fit.poses) >= FEW_CARDS or len(fit.views) > 1  # or a work that no one photo shows as a whole
    if told or found.doubtful or solved.askew_deg > 0 or {s.side for s in sides} < set(SIDES):
        return solved
    apart = max(1.0, taper_sigmas(fit, solved.corners, PlaneSettings.cut))
    alike = solved.solve(sides, None, SIZE_SIGMA_MM, True)
    return moved_on(solved, replace(alike, covariance=alike.covariance * apart**2))


def moved_on(solved: Solution, fit: PlaneFit) -> Solution:
    """The same sides in another solution of the plane."""
    found, other = solved.found, solved.found.other
    moved = None if other is None else plane_from_photo(fit, 0, photo_from_plane(solved.fit, 0, other))
    corners = work_corners(fit, found, found.lines or {})
    return replace(solved, fit=fit, found=replace(found, other=moved), corners=corners)


def fine_sides(fit: PlaneFit, found: SidesFound) -> list[SidePoints]:
    """The measured sides in all photos, for the solver."""
    return [side_points(side, fit, None, photo) for photo, sides in found.sides.items() for side in sides.values()]


def _as_printed(fit: PlaneFit, believed: PrintSize) -> PlaneFit:
    """The same for nominal places on the cards: it was solved from places that the believed print had put right."""
    return replace(fit, stretch=fit.stretch * (believed.across, believed.down))


def below(solved: Solution, raised_mm: float) -> PrintSize:
    """The print as seen at the height of the work's face."""
    view, lens = solved.fit.views[0], solved.fit.lenses[0]
    share = larger_by_height(view, lens, solved.corners)
    return print_size_below(raised_mm, share, height_sigma(view, lens), solved.believed)


def measured_size(solved: Solution) -> tuple[float, float]:
    """(width, height) mm of the work by the cards."""
    work = facing_of_corners(solved.corners, 0.0)
    return work.width, work.height


def shape_95(photos: Sequence[Photo], solved: Solution) -> float:
    """mm, 95 %: how sure the work's corners are but for the size of the print."""
    at = photo_from_plane(solved.fit, 0, solved.corners)
    fit = replace(solved.fit, covariance=without_print(solved.fit))
    return float(radius95(shape_covariance(fit, [0] * len(at), at)).max())


def askew_deg(photos: Sequence[Photo], solved: Solution) -> float:
    """How far the least square corner is from 90 degrees, where that is more than papers are and places are unsure."""
    sides = np.roll(solved.corners, -1, axis=0) - solved.corners
    lengths = np.linalg.norm(sides, axis=1)
    cosines = np.sum(sides * np.roll(sides, -1, axis=0), axis=1) / (lengths * np.roll(lengths, -1))
    askew = float(np.rad2deg(np.abs(np.arcsin(cosines)).max()))
    unsure = float(np.rad2deg(2 * shape_95(photos, solved) / lengths.min()))
    return askew if askew > SQUARE_DEG + unsure else 0.0


def _cards_alone_are_too_few(seen: Sequence[Sequence[SeenCard]]) -> bool:
    """True unless each of several photos shows the same full card, or the same three or four corner cards."""
    names = {frozenset(card.piece for card in cards) for cards in seen}
    if len(seen) == 1:
        return False
    return len(names) > 1 or not any("full" in each or len(each) >= 3 for each in names)
