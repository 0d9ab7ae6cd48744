"""I better a plane by the size of the work that the user gave, or find the rectangle of that size.

In: open photos, a solved plane, a size. Out: the plane with it, or a refusal where the two contradict each other.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from stitchbed.card.detection import SeenCard
from stitchbed.core.errors import BadSettings
from stitchbed.photos.geometry.print_size import PrintSize, print_size_by, size_sigma_mm
from stitchbed.photos.plane.solution import Solution, fine_sides, measured_size, moved_on, shape_95, solved_by_cards
from stitchbed.photos.sides.lines import SIDES
from stitchbed.photos.solving.heights import larger_by_height
from stitchbed.photos.survey.photo import Photo
from stitchbed.photos.survey.plane_types import THICK_MM, Asked, sides_sigma

SIGMAS_95 = 1.96
NAMED_SHARE = 0.003  # of a size read off a ruler, that a rectangle of a small view may be off besides


def of_size(photos: Sequence[Photo], seen: Sequence[Sequence[SeenCard]], asked: Asked, solved: Solution) -> Solution:
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
        width, height = measured_size(solved)
        raise BadSettings(
            f"--size {size[0]:g}x{size[1]:g}mm for a work that measures {width:.1f} x {height:.1f} mm by the cards",
            expected="the size of what is seen, width first, as it lies in the photo"
            + ("" if asked.printed_mm else ", and cards printed at 90 to 110 %"),
            attempt="measure the work and the card's check lines again; say how much higher than the cards a thick "
            "canvas's face lies (--raised); "
            "leave --size away to go by the cards alone",
        )
    (asked, named, one), better = first
    one = replace(one, passed_over=_passed_over(solved, one, named is not None))
    sides = fine_sides(one.fit, one.found)
    if {side.side for side in sides} < set(SIDES):
        again = solved_by_cards(photos, seen, asked, better, named=named)
        return replace(again, passed_over=one.passed_over)
    read_mm = size_sigma_mm(size, measured_size(one), shape_95(photos, one), one.believed)
    return moved_on(one, one.solve(sides, size, read_mm, False))


def _passed_over(by_cards: Solution, taken: Solution, sought: bool) -> tuple[float, float, float, float] | None:
    """Both sizes, mm, where another rectangle was taken for the named size than the one that is found without it.

    As when a wrong size is about that of a picture in its margin. sought : among all lines; then a rectangle that is
    doubtful itself says nothing against it.
    """
    if taken.found is by_cards.found or by_cards.found.lines is None or (sought and by_cards.found.doubtful):
        return None
    return (*measured_size(taken), *measured_size(by_cards))


def _better(photos: Sequence[Photo], size_mm: tuple[float, float], solved: Solution) -> PrintSize | None:
    """What a size of the work tells of the print; None when the two contradict each other.

    The cards measure the work as far as its sides are sure, each out or in as a whole within its blur and shadow; and
    its face may lie some paper's thickness above them, where their print is not as sure as read.
    """
    fit, believed = solved.fit, solved.believed
    thick = THICK_MM * larger_by_height(fit.views[0], fit.lenses[0], solved.corners)
    of_sides = SIGMAS_95 * 2 * sides_sigma(fit, solved.found.sides)  # both of a length go out together
    sure = float(np.hypot(shape_95(photos, solved), of_sides))
    seen = replace(believed, scale=float(np.hypot(believed.scale, thick)))
    return print_size_by(size_mm, measured_size(solved), sure, seen)


def _may_be_of_size(
    photos: Sequence[Photo], seen: Sequence[Sequence[SeenCard]], asked: Asked, solved: Solution
) -> Iterator[tuple[Asked, tuple[float, float, float] | None, Solution]]:
    """Rectangles that the size may be of, the likeliest first, and how each was asked for: that found without it, the
    one within, and the one that is seen best of all of that size.
    """
    if solved.found.lines is not None:
        yield asked, None, solved
    if asked.sides != "auto":
        return
    if solved.found.other is not None:
        inner = replace(asked, sides="inner")
        yield inner, None, solved_by_cards(photos, seen, inner, solved.believed)
    if asked.corners is None and asked.size_mm is not None:
        named = (*asked.size_mm, 2 * solved.believed.scale + NAMED_SHARE)
        other = solved_by_cards(photos, seen, asked, solved.believed, named=named)
        if other.found.lines is not None:
            yield asked, named, other
