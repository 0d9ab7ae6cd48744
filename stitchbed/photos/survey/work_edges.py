"""I find the work's own sides in photos whose plane is roughly known, and keep clear of cards while doing so.

In: open photos, a plane by cards. Out: measured sides, and the corners where they meet.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from stitchbed.card.markers import CORNER_PIECES
from stitchbed.core.arrays import Array, Mask
from stitchbed.photos.geometry.output_frame import (
    Facing,
    canvas_from_plane,
    facing_around,
    photo_turn,
    plane_from_canvas,
    to_photo,
)
from stitchbed.photos.geometry.plane_pose import PlaneFit, plane_from_photo
from stitchbed.photos.sides.edge_points import Side
from stitchbed.photos.sides.lines import SIDES, Line, corners_of, sides_through
from stitchbed.photos.sides.margins import edge_beyond, short_sides
from stitchbed.photos.sides.nested import sides_beyond
from stitchbed.photos.sides.of_size import sides_of_size
from stitchbed.photos.sides.outline import Outline, find_outline, outline_at_rim, outline_of_unbroken
from stitchbed.photos.sides.rectangle import find_sides
from stitchbed.photos.sides.shadow import out_of_shadow
from stitchbed.photos.survey.card_paper import (
    Papers,
    card_outline,
    cards_in,
    laid_round,
    overlapped,
    papers_of,
    round_cards,
    sure_table,
)
from stitchbed.photos.survey.flat_views import together
from stitchbed.photos.survey.measured_sides import ENDS_OF, measured_in, rim_of, softer
from stitchbed.photos.survey.photo import Photo

FLAT_LONG_PX = 1100  # the flat view that sides are sought in; finer ones show more strokes, not more sides
ROUND_CARDS_MM = 30.0  # table shown round the cards in that view
WIDER = 0.5  # of the cards' longer reach: shown round them where the work may reach out between them
TWO_CARDS = 1.5  # the same of two: all of a table that a photo shows may be so much that the work is small in it
FARTHEST_CARDS = 12.0  # of a single card's size: how far a plane is followed from it
AGAIN_PX = 4.0  # of that view: how far sides are sought from where they were found
MOST_LEAN = float(np.deg2rad(14.0))  # of the work's sides against the photo's, tilt of the camera included
CLEAR_SHARE = 0.6  # of a side's places must lie on one line, for three sides; lines among strokes do not get there
# Of four sides that are surely a rectangle's where no edge runs beyond them; .93 is the most of a wrong one.
WHOLE_SHARE = 0.95
CLEAR_PARTED = 0.35  # the same where the sides part table and work all along
ENDS_PX = 3.0  # of that view: how far a shadow's outer end is sought, not as far as its inner one
FAR_OVER_MM = 10.0  # over a card; the faces of works raised by 40 mm reach that far, beside cards as near as a finger


@dataclass(frozen=True)
class SidesFound:
    """sides : those measured, by photo. lines : all four, roughly, in mm of `view`; None when none were found.

    doubtful : sides that neither part the table from the work all along nor are the only edges there. papers : of the
    cards.
    other : (4, 2) plane mm, corners of the other rectangle there is. widened : the lines are those of a margin that
    looks like the table. at_rim, beside : as of `Outline`. left_out : of sides beyond which a strip was taken for their
    shadow and may be of the work, the side that they would be else.
    """

    sides: Mapping[int, Mapping[str, Side]]
    lines: Mapping[str, Line] | None
    view: Facing
    papers: Papers
    doubtful: tuple[str, ...] = ()
    other: Array | None = None
    widened: bool = False
    at_rim: bool = False
    left_out: Mapping[str, Line] = field(default_factory=dict)
    beside: bool = False


def sides_by_cards(
    photos: Sequence[Photo],
    fit: PlaneFit,
    corners: Array | None,
    *,
    inner: bool = False,
    named: tuple[float, float, float] | None = None,
) -> SidesFound:
    """Sides of the work in the photos of a fit. corners : (4, 2) px of the first photo where the user picked them.

    inner : of two rectangles, one within the other, take the inner one. named : width and height, mm, of the only
    rectangle to look for, and the share of them that they may be off.
    """
    papers = papers_of(photos, fit)
    view = _rough_facing(photos, fit, papers)
    if corners is not None:
        density = FLAT_LONG_PX / max(view.width, view.height)
        lines = sides_through(canvas_from_plane(view, plane_from_photo(fit, 0, corners)))
        return SidesFound(measured_in(photos[:1], fit, papers, (view, lines), 2.5 / density), lines, view, papers)
    found = _sides_in(photos, fit, papers, view, inner=inner, named=named)
    if found.lines is None and (laid_round(fit, papers) or _two_of_four(photos, fit, papers)):
        # Cards that lie beside the work's sides leave its corners out: these were taken for table, or not looked at.
        wider = _in_wide_view(photos, fit, papers, inner, named)
        found = found if wider.lines is None else wider
        if len(CORNER_PIECES & fit.poses.keys()) < len(CORNER_PIECES):  # no card bounds them at a corner
            found = replace(found, doubtful=SIDES if found.lines is not None else ())
    return found


def _two_of_four(photos: Sequence[Photo], fit: PlaneFit, papers: Papers) -> bool:
    """Whether one photo shows two corner cards cut apart, as when the others could not be read."""
    return len(photos) == 1 and sum(name.startswith("corner") for name in fit.poses.keys() - set(papers.uncut)) == 2


def _in_wide_view(
    photos: Sequence[Photo], fit: PlaneFit, papers: Papers, inner: bool, named: tuple[float, float, float] | None
) -> SidesFound:
    """The sides sought round the cards, neither near nor far; only the rim of that view counts as table."""
    share = WIDER if laid_round(fit, papers) else TWO_CARDS
    reach = share * float(np.ptp(np.concatenate([card_outline(fit, name) for name in fit.poses]), axis=0).max())
    return _sides_in(photos, fit, papers, _seen_facing(photos, fit, reach), inner=inner, named=named, rim_only=True)


def _sides_in(
    photos: Sequence[Photo],
    fit: PlaneFit,
    papers: Papers,
    view: Facing,
    *,
    inner: bool,
    named: tuple[float, float, float] | None,
    rim_only: bool = False,
) -> SidesFound:
    """Sides of the work sought in one view of the plane. rim_only : only the rim of what is seen is surely table."""
    density = FLAT_LONG_PX / max(view.width, view.height)
    flat, unseen, used = together(photos, fit, view, density)
    keep_out = unseen | cards_in(flat.shape, fit, papers, view, density)
    table = sure_table(keep_out, unseen, fit, papers, (view, density), rim_only=rim_only)

    def over(lines: Mapping[str, Line]) -> float:
        at = plane_from_canvas(view, corners_of(_in_mm(lines, density)))
        return max(overlapped(fit, at).values(), default=0.0)

    def taken(outline: Outline | None, found: Mapping[str, Line]) -> SidesFound | None:
        clear = outline is not None
        other = None if outline is None else outline.inner
        if inner and other is not None:
            found, other = other, found
        if not inner and not clear and named is None:
            found = _with_margins(found, flat, keep_out, density)
        shaded = {} if inner or named is not None else out_of_shadow(flat, keep_out, found)
        maybe = _in_mm({name: found[name] for name, one in shaded.items() if not one.sure}, density)
        found = {**found, **{name: one.line for name, one in shaded.items()}}
        lines = _in_mm(found, density)

        def near(rough: Mapping[str, Line], reach_px: float) -> dict[int, dict[str, Side]]:
            return measured_in(photos[:used], fit, papers, (view, rough), reach_px / density)

        sides = near(lines, 4.0)
        ends = {name: near({**lines, name: one}, ENDS_PX) for name, one in maybe.items()}
        maybe = {name: one for name, one in maybe.items() if not softer(sides, ends[name], name)}
        shares: dict[str, float] = {}
        for each in sides.values():
            shares |= {name: max(side.share, shares.get(name, 0.0)) for name, side in each.items()}
        if sum(share >= (CLEAR_PARTED if clear else CLEAR_SHARE) for share in shares.values()) < 3:
            return None
        alone = min(shares.get(name, 0.0) for name in SIDES) >= WHOLE_SHARE and not edge_beyond(flat, keep_out, found)
        doubtful = () if clear or alone else SIDES
        others = _others(view, other, density, outline)
        at_rim, beside = (False, False) if outline is None else (outline.at_rim, outline.beside)
        return SidesFound(sides, lines, view, papers, doubtful, *others, at_rim, maybe, beside)

    likely = _rectangles(flat, keep_out, table, over) if named is None else _named(flat, keep_out, density, named)
    for outline, found in likely:
        if (whole := taken(outline, found)) is not None:
            return replace(whole, sides=_between_ends(whole, fit))
    return SidesFound({}, None, view, papers)


def _rectangles(
    flat: NDArray[np.uint8], keep_out: Mask, table: Mask, over: Callable[[Mapping[str, Line]], float]
) -> Iterator[tuple[Outline | None, Mapping[str, Line]]]:
    """Rectangles that may be the work, the likeliest first: the outline of what lies on the table where it is clear,
    and the four sides.

    over : mm by which a rectangle reaches over a card. A doubtful one that reaches far is none that cards lie beside.
    """
    outline = find_outline(flat, keep_out, table, tilt=MOST_LEAN, over=over)
    if outline is not None and outline.clear:
        yield outline, outline.lines
        return
    likely = outline_of_unbroken(flat, keep_out, table, tilt=MOST_LEAN)
    found = likely.lines if likely is not None else find_sides(flat, keep_out, tilt=MOST_LEAN)
    if found is not None and over(found) <= FAR_OVER_MM:
        yield None, found
    last = outline_at_rim(flat, keep_out, table, tilt=MOST_LEAN)
    if last is not None and over(last.lines) <= FAR_OVER_MM:
        yield last, last.lines


def _named(
    flat: NDArray[np.uint8], keep_out: Mask, density: float, named: tuple[float, float, float]
) -> Iterator[tuple[None, Mapping[str, Line]]]:
    """The rectangle of a size that was named."""
    width, height, sure = named
    found = sides_of_size(flat, keep_out, (width * density, height * density), tilt=MOST_LEAN, sure=sure)
    if found is not None:
        yield None, found


def _with_margins(
    lines: Mapping[str, Line], flat: NDArray[np.uint8], keep_out: Mask, density: float
) -> Mapping[str, Line]:
    """The same, but sides taken at the picture's own edge lie where the margin that the others have ends."""

    def read(xy: Array) -> Array:
        x, y = np.clip(np.rint(xy * density - 0.5).astype(int), 0, np.array(keep_out.shape)[::-1] - 1).T
        return np.where(keep_out[y, x, None], np.nan, flat.reshape(*keep_out.shape, -1)[y, x] / 255)

    short = short_sides((corners_of(lines) + 0.5) / density, read)
    return {**lines, **sides_beyond(flat, keep_out, lines, short)}


def _others(
    view: Facing, other: Mapping[str, Line] | None, density: float, outline: Outline | None
) -> tuple[Array | None, bool]:
    """Corners of the other rectangle, plane mm, and whether the outer one rests on its margin alone."""
    if other is None:
        return None, False
    return plane_from_canvas(view, corners_of(_in_mm(other, density))), outline is not None and outline.widened


def _between_ends(found: SidesFound, fit: PlaneFit) -> dict[int, dict[str, Side]]:
    """The sides; beyond those with a strip left out its outer end may be the work's edge as well."""
    ends = corners_of({**found.lines, **found.left_out}) if found.lines else np.zeros((4, 2))
    sides = {}
    for number, each in found.sides.items():
        go = to_photo(found.view, fit, number)
        outer = {name: go(ends[list(ENDS_OF[name])]) for name in found.left_out if name in each}
        sides[number] = {**each, **{name: replace(each[name], other_xy=xy) for name, xy in outer.items()}}
    return sides


def sides_again(photos: Sequence[Photo], fit: PlaneFit, found: SidesFound) -> SidesFound:
    """The sides measured anew along those found before, in a plane that is better known by now."""
    if found.lines is None:
        return found
    lines = sides_through(canvas_from_plane(found.view, work_corners(fit, found, found.lines)))
    reach = AGAIN_PX * max(found.view.width, found.view.height) / FLAT_LONG_PX
    chosen = [photos[number] for number in found.sides]
    again = replace(found, sides=measured_in(chosen, fit, found.papers, (found.view, lines), reach), lines=lines)
    return replace(again, sides=_between_ends(again, fit))


def work_corners(fit: PlaneFit, found: SidesFound, lines: Mapping[str, Line]) -> Array:
    """(4, 2) plane mm where the sides meet; a side that was only seen roughly keeps its rough line."""
    fine = dict(lines)
    for name in SIDES:
        seen = [(number, sides[name].photo_xy) for number, sides in found.sides.items() if name in sides]
        if seen:
            plane = np.concatenate([plane_from_photo(fit, number, xy) for number, xy in seen])
            fine[name] = _line_through(canvas_from_plane(found.view, plane), name)
    return plane_from_canvas(found.view, corners_of(fine))


def between_cards(fit: PlaneFit, found: SidesFound) -> Array:
    """(4, 2) plane mm: corners of the area that corner cards bound, or of all that is seen beside a single card."""
    box = found.view
    if laid_round(fit, found.papers):
        box = facing_around(np.concatenate([card_outline(fit, name) for name in fit.poses]), box.turn, 0.0)
    rim = np.array([[0, 0], [box.width, 0], [box.width, box.height], [0, box.height]])
    return plane_from_canvas(box, rim)


def _in_mm(lines: Mapping[str, Line], density: float) -> dict[str, Line]:
    return {name: Line(line.angle, _to_mm(line, density)) for name, line in lines.items()}


def _to_mm(line: Line, density: float) -> float:
    """Offset of a line from px of a flat view (pixel i at (i + .5) / density) to mm."""
    return float(line.offset + 0.5 * (np.cos(line.angle) + np.sin(line.angle))) / density


def _rough_facing(photos: Sequence[Photo], fit: PlaneFit, papers: Papers) -> Facing:
    """Round three or four corner cards; else all that the photos show of the plane, within reason."""
    outlines = np.concatenate([card_outline(fit, name) for name in fit.poses])
    if laid_round(fit, papers):
        box = round_cards(fit, _turn(photos, fit))
        ends = plane_from_canvas(box, np.array([[0, 0], [box.width, box.height]]))
        return facing_around(ends, box.turn, ROUND_CARDS_MM)
    middle = outlines.mean(0)
    return _seen_facing(photos, fit, FARTHEST_CARDS * float(np.ptp(outlines, axis=0).max()), np.stack([middle, middle]))


def _seen_facing(photos: Sequence[Photo], fit: PlaneFit, reach: float, box: Array | None = None) -> Facing:
    """All that the photos show of the plane up to `reach` mm from a box (low and high), or from the cards."""
    if box is None:
        outlines = np.concatenate([card_outline(fit, name) for name in fit.poses])
        box = np.stack([outlines.min(0), outlines.max(0)])
    seen = np.concatenate([plane_from_photo(fit, number, rim_of(photo.size)) for number, photo in enumerate(photos)])
    return facing_around(np.clip(seen, box[0] - reach, box[1] + reach), _turn(photos, fit), 0.0)


def _turn(photos: Sequence[Photo], fit: PlaneFit) -> float:
    h, w = photos[0].size
    return photo_turn(fit, 0, np.array([(w - 1) / 2, (h - 1) / 2]))


def _line_through(points: Array, name: str) -> Line:
    middle = points.mean(0)
    normal = np.linalg.svd(points - middle, full_matrices=False)[2][1]
    if normal[1 if name in ("top", "bottom") else 0] < 0:
        normal = -normal
    return Line(float(np.arctan2(normal[1], normal[0])), float(normal @ middle))
