"""I find the plane of a work without a card: by its own size and its four corners or sides.

In: open photos, the size in mm. Out: a `PlaneSurvey`. That the work is a true rectangle is taken on trust, and said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.card.detection import SeenCard
from stitchbed.core.arrays import Array, Mask
from stitchbed.core.errors import BadSettings, CardNotFound
from stitchbed.photos.geometry.aspect import aspects_seen
from stitchbed.photos.geometry.output_frame import facing_around, inside_photo, plane_from_canvas
from stitchbed.photos.geometry.plane_pose import PlaneFit, on_frame, photo_from_plane, plane_from_photo, px_per_mm
from stitchbed.photos.geometry.print_size import SIZE_SIGMA_MM
from stitchbed.photos.plane.tie_points import overlaps_of, solved_with_ties
from stitchbed.photos.sides.edge_points import Side
from stitchbed.photos.sides.lines import SIDES, Line, beside, corners_of, side_lengths, sides_through
from stitchbed.photos.sides.margins import edge_beyond
from stitchbed.photos.sides.nested import margin_round
from stitchbed.photos.sides.outline import find_outline
from stitchbed.photos.sides.rectangle import find_sides
from stitchbed.photos.sides.shadow import out_of_shadow
from stitchbed.photos.solving.bundle_adjustment import solve_plane
from stitchbed.photos.solving.initial_guess import CardPoints, TiePoints
from stitchbed.photos.solving.plane_equations import PlaneSettings
from stitchbed.photos.survey.card_paper import RIM_SHARE, Papers
from stitchbed.photos.survey.flat_views import together
from stitchbed.photos.survey.measured_sides import Way, measured, rim_of, side_points
from stitchbed.photos.survey.photo import Photo
from stitchbed.photos.survey.plane_types import Asked, Found, PlaneSurvey, best_seen, plane_survey_of
from stitchbed.photos.survey.side_doubts import AT_RIM, BESIDE, left_out_reasons, side_reasons
from stitchbed.photos.survey.work_edges import FLAT_LONG_PX

MOST_LEAN_RAW = float(np.deg2rad(22.0))  # of the work's sides in a photo that no card has flattened
PICK_SIGMA_PX = 3.0  # a corner picked by hand, or where two sides of a small view meet
OUTDONE = 20.0  # times those: what corners still count beside four measured sides
PICK_VIEW_PX = 2.0  # the same, px of a view of all photos laid together
FRAME_SHARE = 0.1  # of the photo's longer side: how far its frame may be from a work nothing is known of
MOST_FRAMES = 8.0  # of the first photo's frame: how far other photos are followed from it
MOST_KEYSTONE = 2.2  # of two opposite sides in a photo; tilted by 45 degrees from near by it is 2
ONE_EDGE = 0.75  # share of a side's places on one line; .85 and more measured where the table is calm
REACH = 0.006  # of the photo's width: how far from a rough line its side is sought
WHOLE_FRAME = (
    "no sides of the work and no --corners: the first photo as a whole counts as the work, as if taken straight on; "
    "size and shape are no truer than that"
)
UNSURE_SIDES = "its sides do not stand out all along from what it lies on, as they would from a plain board"
TWO_RECTANGLES = (
    "of two rectangles within each other, as of a picture in its margin, the outer one was taken to be of that --size "
    "(--sides inner takes the other)"
)
MAYBE_MARGIN = (
    "what lies close round the sides is not like the table farther out, as a margin is: without it shape and size are "
    "wrong"
)
EITHER_WAY = "so oblique a photo does not tell whether it lies as that --size says or across, height first"
NEARLY_SQUARE = 0.16  # logarithm of width by height, to either way, which no one mistakes for the other
# Of the view, beyond a side: close to it, and farther out by the widths that margins have.
CLOSE_PX, FAR_PX = (5.0, 7.0, 9.0), ((42.0, 48.0, 54.0), (84.0, 96.0, 108.0), (150.0, 165.0, 180.0))
OTHER_TONE = 0.12  # logarithm, on three sides alike: a lamp makes one side lighter and its opposite darker
GRAINY, CALMER = 0.015, 0.5  # change of tone from place to place that a table has, and share of it that a margin has


@dataclass(frozen=True)
class _Begun:
    """Where solving can begin.

    points : the work's corners as seen. start : a plane in the work's frame, or None. ties : of the photos.
    sides : the work's own were found, or their corners were given. reasons : why they may be others'.
    """

    points: list[CardPoints]
    start: PlaneFit | None
    ties: list[TiePoints]
    sides: bool
    reasons: list[str]


def survey_by_size(photos: Sequence[Photo], asked: Asked, size_mm: tuple[float, float]) -> PlaneSurvey:
    """The work itself, of a size that is known, is the card.

    Raises
    ------
    BadSettings : width and height the other way round. CardNotFound : no sides, no corners given.
    """
    sizes = [(photo.size[1], photo.size[0]) for photo in photos]
    relative = SIZE_SIGMA_MM / max(size_mm)
    settings = PlaneSettings(scale=relative, stretch=relative, shared_lens=len(set(sizes)) == 1, flat=asked.scan)
    by_first = len(photos) == 1 or asked.corners is not None
    begun = _in_first(photos, asked, size_mm, settings) if by_first else _in_all(photos, asked, size_mm, settings)
    rough = begun.start
    if rough is None or not by_first:
        rough = solve_plane(sizes, begun.points, settings=settings, start=rough, ties=begun.ties)
    rectangle = _rectangle(size_mm)
    sides = _measured_in_all(photos, rough, rectangle) if begun.sides else {}
    known = {"top": (0, 1, 0), "right": (1, 0, size_mm[0]), "bottom": (0, 1, size_mm[1]), "left": (1, 0, 0)}
    fine = [
        side_points(side, rough, np.array(known[name], dtype=float), number)
        for number, found in sides.items()
        for name, side in found.items()
    ]
    fit = rough
    if fine:
        points = _outdone(begun.points, sides)
        fit = solve_plane(sizes, points, fine, settings=settings, start=rough, ties=begun.ties)
    seen: tuple[tuple[SeenCard, ...], ...] = ((),) * len(photos)
    reasons = [*begun.reasons, *_parted(sides)]
    if begun.sides and asked.corners is None and asked.sides == "auto":
        reasons += side_reasons(photos, fit, Papers(), rectangle)
    found = Found(seen, sides, rectangle, begun.sides, overlaps_of(fit, begun.ties), ends=tuple(reasons))
    return plane_survey_of(photos, fit, found, asked, [] if begun.sides else [WHOLE_FRAME])


def _outdone(points: Sequence[CardPoints], sides: Mapping[int, Mapping[str, Side]]) -> list[CardPoints]:
    """Corners that hardly count where all four sides are measured: they are where straight lines through sides meet,
    which a lens has bent, and would bend the lens of the solution.
    """
    whole = {name for each in sides.values() for name in each} >= set(SIDES)
    return [replace(one, sigma=one.sigma * OUTDONE) for one in points] if whole else list(points)


def _parted(sides: Mapping[int, Mapping[str, Side]]) -> list[str]:
    """Said of sides of which a good part lies on another line, as a shadow's or the table's: all rests on them."""
    names = sorted({name for each in sides.values() for name, side in each.items() if side.share < ONE_EDGE})
    if not names:
        return []
    return [
        f"the {' and '.join(names)} side{'s do' if len(names) > 1 else ' does'} not lie on one line all along, as "
        "where a shadow or a line of the table was taken for part of it"
    ]


def _rectangle(size_mm: tuple[float, float]) -> Array:
    width, height = size_mm
    return np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=float)


def _in_first(photos: Sequence[Photo], asked: Asked, size_mm: tuple[float, float], settings: PlaneSettings) -> _Begun:
    """The work's corners in the first photo; others are placed by what they share with it."""
    corners, reasons = _corners(photos[0], asked)
    reasons = [*reasons, *_way_reasons(corners, photos[0], size_mm)]
    points = [CardPoints(0, "work", _rectangle(size_mm), corners, PICK_SIGMA_PX * photos[0].reduction)]
    fit, ties = solved_with_ties(photos, points, settings, tie=len(photos) > 1)
    return _Begun(points, fit, ties, True, reasons)


def _in_all(photos: Sequence[Photo], asked: Asked, size_mm: tuple[float, float], settings: PlaneSettings) -> _Begun:
    """The work's corners in all photos laid together, each in the photo that sees it best."""
    frame, least = _whole_frame(photos[0], size_mm)
    loose, ties = solved_with_ties(photos, [frame], settings, tie=True)
    view = facing_around(_reached(photos, loose, frame.card_xy), 0.0, 0.0)
    density = FLAT_LONG_PX / max(view.width, view.height)
    flat, unseen, _ = together(photos, loose, view, density)
    lines, reasons = _sides_in(flat, unseen, inner=asked.sides == "inner")
    if lines is None or UNSURE_SIDES in reasons:  # a wall that no photo shows the end of has no sides
        return _Begun([replace(frame, sigma=least)], loose, ties, False, [])
    corners = plane_from_canvas(view, (corners_of(lines) + 0.5) / density)
    reasons += _way_reasons(photo_from_plane(loose, 0, corners), photos[0], size_mm)
    rectangle = _rectangle(size_mm)
    way = cv2.getPerspectiveTransform(corners.astype(np.float32), rectangle.astype(np.float32))
    where, at = best_seen(photos, loose, corners)
    sigma = PICK_VIEW_PX / density * px_per_mm(loose.views[0], frame.card_xy.mean(0))
    points = [
        CardPoints(number, "work", rectangle[chosen], at[chosen], sigma)
        for number in sorted(set(where))
        if (chosen := np.flatnonzero(np.array(where) == number)).size
    ]
    return _Begun(points, on_frame(loose, np.asarray(way, dtype=np.float64)), ties, True, reasons)


def _whole_frame(photo: Photo, size_mm: tuple[float, float]) -> tuple[CardPoints, float]:
    """The first photo's own frame taken for the work, and how far off (px) that may be."""
    h, w = photo.size
    scale = min(size_mm[0] / w, size_mm[1] / h)
    at = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], dtype=float)
    return CardPoints(0, "work", at * scale, at, PICK_SIGMA_PX * photo.reduction), FRAME_SHARE * max(h, w)


def _reached(photos: Sequence[Photo], fit: PlaneFit, first: Array) -> Array:
    """(N, 2) plane mm that the photos' rims show, not farther off than MOST_FRAMES of the first photo's frame."""
    rims = [plane_from_photo(fit, number, rim_of(photo.size)) for number, photo in enumerate(photos)]
    reach = MOST_FRAMES * float(np.ptp(first, axis=0).max())
    return np.clip(np.concatenate(rims), first.mean(0) - reach, first.mean(0) + reach)


def _measured_in_all(photos: Sequence[Photo], fit: PlaneFit, rectangle: Array) -> dict[int, dict[str, Side]]:
    """The work's sides measured near where a rough plane has them, in each photo that sees them."""
    lines = sides_through(rectangle)
    found = {}
    for number, photo in enumerate(photos):

        def go(xy: Array, number: int = number) -> Array:
            return photo_from_plane(fit, number, xy)

        def hidden(xy: Array, go: Way = go, size: tuple[int, int] = photo.size) -> Mask:
            return ~inside_photo(go(xy), size)

        reach = REACH * photo.size[1] / px_per_mm(fit.views[number], rectangle.mean(0))
        found[number] = measured(photo, lines, go, reach=reach, hidden=hidden)
    return found


def _way_reasons(corners: Array, photo: Photo, size_mm: tuple[float, float]) -> list[str]:
    """What is doubtful about width and height, for corners (4, 2) px of the photo.

    Raises
    ------
    BadSettings : the work surely lies across the size that was given.
    """
    given, seen = np.log(size_mm[0] / size_mm[1]), np.log(aspects_seen(corners, photo.size))
    across = np.abs(seen + given) < np.abs(seen - given)
    if abs(given) < NEARLY_SQUARE or not across.any():
        return []
    if across.all():
        width, height = size_mm
        raise BadSettings(
            f"--size {width:g}x{height:g}mm for a work that lies the other way in the photo",
            expected="width first, as the photo shows the work",
            attempt=f"--size {height:g}x{width:g}mm",
        )
    return [EITHER_WAY]


def _corners(photo: Photo, asked: Asked) -> tuple[Array, list[str]]:
    """Corners (4, 2) px of the work in a photo, and what is doubtful about them."""
    if asked.corners is not None:
        return asked.corners, []
    h, w = photo.small.shape[:2]
    shrink = max(1.0, max(h, w) / FLAT_LONG_PX)
    size = (round(w / shrink), round(h / shrink))
    view = np.asarray(cv2.resize(photo.small, size, interpolation=cv2.INTER_AREA), np.uint8)
    view = view.reshape(size[1], size[0], -1)
    lines, reasons = _sides_in(view, np.zeros(view.shape[:2], bool), inner=asked.sides == "inner")
    if lines is None or not _seen_askew(corners_of(lines)):
        raise CardNotFound(
            f"{photo.tile.name} shows no card, and the work's four sides do not stand out",
            expected="a card, or a work whose sides are seen against what it lies on",
            attempt="give its corners: --corners x,y x,y x,y x,y (top left first, then clockwise)",
        )
    step = np.array([photo.size[1], photo.size[0]]) / size
    return (corners_of(lines) + 0.5) * step - 0.5, reasons


def _seen_askew(corners: Array) -> bool:
    """Whether four corners may be those of a rectangle in a photo taken by hand: about as long on one side as on the
    other. Lines of a patterned table make slivers."""
    sides = side_lengths(corners)
    pairs = sides[:2] / sides[2:]
    convex = cv2.isContourConvex(corners.astype(np.float32))
    return bool(convex and np.all((pairs < MOST_KEYSTONE) & (pairs > 1 / MOST_KEYSTONE)))


def _sides_in(view: NDArray[np.uint8], unseen: Mask, *, inner: bool) -> tuple[Mapping[str, Line] | None, list[str]]:
    """The work's sides in a small view that nothing has flattened, and what is doubtful about them."""
    seen = np.pad(~unseen, 1).astype(np.uint8)
    deep = cv2.distanceTransform(seen, cv2.DIST_L2, 3)[1:-1, 1:-1]
    table = np.asarray((deep <= round(RIM_SHARE * max(view.shape[:2]))) & ~unseen)
    outline = find_outline(view, unseen, table, tilt=MOST_LEAN_RAW)
    if outline is None or not outline.clear:
        found = find_sides(view, unseen, tilt=MOST_LEAN_RAW)
        outer = None if found is None or inner else margin_round(view, unseen, found)
        if outer is not None:
            return outer, [TWO_RECTANGLES]
        if found is None or edge_beyond(view, unseen, found):
            return found, [] if found is None else [UNSURE_SIDES]
        return found, [MAYBE_MARGIN] if _in_margin(view, found) else []
    reasons = [*([AT_RIM] if outline.at_rim else []), *([BESIDE] if outline.beside else [])]
    if inner and outline.inner is not None:
        return outline.inner, reasons
    if outline.inner is not None:
        return outline.lines, [*reasons, TWO_RECTANGLES]
    shaded = out_of_shadow(view, unseen, outline.lines)
    reasons += left_out_reasons([name for name, one in shaded.items() if not one.sure])
    lines = {**outline.lines, **{name: one.line for name, one in shaded.items()}}
    return lines, [*reasons, MAYBE_MARGIN] if not shaded and _in_margin(view, lines) else reasons


def _in_margin(view: NDArray[np.uint8], lines: Mapping[str, Line]) -> bool:
    """Whether what lies close round the sides is another thing than what lies farther out: calmer, or of another tone.

    A pale margin on a pale table may count as table, and the picture in it as the work.
    """
    tones = np.log(view.reshape(*view.shape[:2], -1).mean(axis=2) / 255 + 0.04)
    corners = corners_of(lines)

    def bands(places: Sequence[float]) -> list[Array]:
        ends = zip(corners, np.roll(corners, -1, axis=0), strict=True)
        around = [[beside(a, b, corners.mean(0), away, view.shape)[0] for away in places] for a, b in ends]
        return [np.array([tones[y, x] for x, y in side]) for side in around]

    close = bands(CLOSE_PX)
    return any(_another_thing(close, bands(places)) for places in FAR_PX)


def _another_thing(close: Sequence[Array], far: Sequence[Array]) -> bool:
    """Whether bands (places, along) of tones close round three sides or more are of another tone, or calmer, than those
    farther out."""
    steps = np.array([np.median(a) - np.median(b) for a, b in zip(close, far, strict=True)])
    near, out = (np.array([np.abs(np.diff(band, axis=1)).mean() for band in bands]) for bands in (close, far))
    calmer = (out > GRAINY) & (near < CALMER * out)
    return any(((sign * steps > OTHER_TONE) | calmer).sum() >= 3 for sign in (1, -1))
