"""I find the plane of the work in photographs: cards, sides, lens, the frame of the result, and how sure all that is.

In: open photos, what the user said. Out: a `PlaneSurvey`; nothing is rendered yet.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.card.adjustment import CardPoints, PlaneSettings, SidePoints, solve_plane
from stitchbed.card.chart import LINE_ACROSS_MM, LINE_DOWN_MM, Piece, all_pieces
from stitchbed.card.facing import (
    Facing,
    canvas_from_plane,
    facing_around,
    facing_of_corners,
    flat_view,
    inside_photo,
    photo_turn,
    plane_from_canvas,
    to_photo,
)
from stitchbed.card.outline import SIDES, Line, corners_of, find_sides, sides_through
from stitchbed.card.plane import (
    PlaneFit,
    card_from_plane,
    card_on_plane,
    photo_from_plane,
    plane_from_photo,
    px_per_mm,
    radius95,
    shape_covariance,
)
from stitchbed.card.sides import Side, measure_side
from stitchbed.card.sighting import CORNER_SIGMA_PX, SeenCard, find_cards
from stitchbed.ground.errors import BadSettings, CardNotFound
from stitchbed.stories.photos import Photo, full_px, gray_of, read_small, small_px

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Way = Callable[[Array], Array]

FLAT_LONG_PX = 1100  # the flat view that sides are sought in; finer ones show more strokes, not more sides
ROUND_CARDS_MM = 8.0  # table shown round the cards in that view
CUT_MM = 1.5  # paper beside a card's nominal rim, cut by hand
CARD_RIM_MM = 4.0  # kept out of round each card: its cut edge and shadow
MOST_LEAN = np.deg2rad(14.0)  # of the work's sides against the photo's, tilt of the camera included
MOST_LEAN_RAW = np.deg2rad(22.0)  # the same in a photo that no card has flattened
SIDE_STRAIGHT_MM = 0.15  # how straight a cut sheet's or a panel's side is; common practice, no source
SIDE_FREEDOM = 8  # independent places along a side: deviations of real sides are long waves
PICK_SIGMA_PX = 3.0  # a corner picked by hand, or where two found sides meet
MEASURED_MM = 0.1  # a ruler read to a tenth
SIZE_SIGMA_MM = 0.5  # a size given by the user
UNMEASURED_SCALE = 0.003  # printers are off by .2 to .5 % (common practice, no source)
UNMEASURED_STRETCH = 0.001


@dataclass(frozen=True)
class Asked:
    """What the user said. size_mm : (width, height). corners : (4, 2) px of the first photo. printed_mm : across, down."""

    size_mm: tuple[float, float] | None = None
    corners: Array | None = None
    printed_mm: tuple[float, float | None] | None = None
    margin_mm: float = 0.0
    scan: bool = False


@dataclass(frozen=True)
class PlaneSurvey:
    """seen : cards per photo. fit : the plane. facing : frame of the result. corners : (4, 2) plane mm of the work.

    uncertainty : (4,) mm, 95 %, at these corners. sides : measured ones, by name. own_edges : the work's sides were found.
    scale_95 : relative, 95 %.
    """

    seen: tuple[tuple[SeenCard, ...], ...]
    fit: PlaneFit
    facing: Facing
    corners: Array
    uncertainty: Array
    sides: Mapping[str, Side]
    own_edges: bool
    scale_95: float
    warnings: tuple[str, ...]


def survey_plane(photos: Sequence[Photo], asked: Asked) -> PlaneSurvey:
    """Find the plane by cards, or by the size of the work and its corners.

    Raises
    ------
    CardNotFound : neither cards nor a size; cards that do not fit one plane. BadSettings : a size that cannot be.
    """
    try:
        found = [find_cards(gray_of(photo), photo.tile.name) for photo in photos]
    except CardNotFound:
        if asked.size_mm is None:
            raise
        return _by_size(photos, asked)
    seen = tuple(cards for cards, _ in found)
    warnings = [warning for _, notes in found for warning in notes]
    points = card_points(photos, seen, asked)
    sizes = [(photo.size[1], photo.size[0]) for photo in photos]
    settings = plane_settings(asked, shared_lens=len(set(sizes)) == 1)
    fit = solve_plane(sizes, points, settings=settings)
    sides, lines_mm, view = _sides_by_cards(photos[0], fit, seen[0], asked)
    if sides:
        measured = [_side_points(side, fit, None) for side in sides.values()]
        fit = solve_plane(sizes, points, measured, settings=settings)
    return _finished(photos[0], fit, seen, (sides, lines_mm, view), asked, warnings)


def card_points(photos: Sequence[Photo], seen: Sequence[Sequence[SeenCard]], asked: Asked) -> list[CardPoints]:
    """Card corners as the solver wants them, nominal mm corrected by the measured print."""
    across, down = printed_scale(asked)
    points = []
    for number, (photo, cards) in enumerate(zip(photos, seen, strict=True)):
        for card in cards:
            xy = card.card_xy * [across, down]
            sigma = CORNER_SIGMA_PX * photo.reduction
            points.append(CardPoints(number, card.piece, xy, full_px(photo, card.photo_xy), sigma))
    return points


def printed_scale(asked: Asked) -> tuple[float, float]:
    """True mm per nominal mm of the print, across and down.

    Raises
    ------
    BadSettings : a length that is not near that of the check line.
    """
    if asked.printed_mm is None:
        return 1.0, 1.0
    across = asked.printed_mm[0] / LINE_ACROSS_MM
    down = across if asked.printed_mm[1] is None else asked.printed_mm[1] / LINE_DOWN_MM
    if not (0.9 < across < 1.1 and 0.9 < down < 1.1):
        raise BadSettings(
            f"--printed-mm {asked.printed_mm[0]:g}",
            expected=f"the measured length of the check line, near {LINE_ACROSS_MM:.0f} mm (down: {LINE_DOWN_MM:.0f} mm)",
            attempt="measure the check line on the print, in millimeters; print at 100 % if it is far off",
        )
    return across, down


def plane_settings(asked: Asked, *, shared_lens: bool) -> PlaneSettings:
    """Beliefs about the print and the camera."""
    if asked.printed_mm is None:
        scale, stretch = UNMEASURED_SCALE, UNMEASURED_STRETCH
    else:
        scale = MEASURED_MM / LINE_ACROSS_MM
        stretch = scale if asked.printed_mm[1] else PlaneSettings().stretch
    return PlaneSettings(scale=scale, stretch=stretch, shared_lens=shared_lens, flat=asked.scan)


def _side_points(side: Side, fit: PlaneFit, line: Array | None) -> SidePoints:
    """A side for the solver: many points that share few independent deviations count as few."""
    middle = plane_from_photo(fit, 0, side.photo_xy).mean(0)
    straight = SIDE_STRAIGHT_MM * px_per_mm(fit.views[0], middle)
    sigma = float(np.hypot(straight, 0.3)) * np.sqrt(max(1.0, len(side.photo_xy) / SIDE_FREEDOM))
    return SidePoints(0, side.name, side.photo_xy, sigma, line)


def _sides_by_cards(
    photo: Photo, fit: PlaneFit, cards: Sequence[SeenCard], asked: Asked
) -> tuple[dict[str, Side], dict[str, Line] | None, Facing]:
    """Sides measured in the first photo, their lines in mm of a rough facing, and that facing."""
    view = _rough_facing(photo, fit, cards)
    go = to_photo(view, fit, 0)
    density = FLAT_LONG_PX / max(view.width, view.height)

    def hidden(xy: Array) -> Mask:
        return on_card(fit, plane_from_canvas(view, xy))

    if asked.corners is not None:
        lines = sides_through(canvas_from_plane(view, plane_from_photo(fit, 0, asked.corners)))
        return _measured(photo, lines, go, reach=2.5 / density, hidden=hidden), lines, view
    flat = flat_view(photo.small, lambda xy: small_px(photo, go(xy)), (view.width, view.height), density)
    keep_out = _keep_out(flat.shape[:2], photo, fit, view, density)
    found = find_sides(flat, keep_out, tilt=MOST_LEAN)
    if found is None:
        return {}, None, view
    lines = {name: Line(line.angle, _to_mm(line, density)) for name, line in found.items()}
    return _measured(photo, lines, go, reach=4.0 / density, hidden=hidden), lines, view


def _to_mm(line: Line, density: float) -> float:
    """Offset of a line from px of a flat view (pixel i at (i + .5) / density) to mm."""
    return (line.offset + 0.5 * (np.cos(line.angle) + np.sin(line.angle))) / density


def _measured(
    photo: Photo, lines: Mapping[str, Line], go: Way, *, reach: float, hidden: Callable[[Array], Mask] | None = None
) -> dict[str, Side]:
    corners = corners_of(lines)
    ends = {"top": (0, 1), "right": (1, 2), "bottom": (3, 2), "left": (0, 3)}
    sides = {}
    for name, (a, b) in ends.items():
        side = measure_side(name, corners[[a, b]], go, lambda xy: read_small(photo, xy), reach=reach, hidden=hidden)
        if side is not None:
            sides[name] = side
    return sides


def _rough_facing(photo: Photo, fit: PlaneFit, cards: Sequence[SeenCard]) -> Facing:
    """Round three or four corner cards; else all that the photo shows of the plane, within reason."""
    h, w = photo.size
    turn = photo_turn(fit, 0, np.array([(w - 1) / 2, (h - 1) / 2]))
    outlines = np.concatenate([card_outline(fit, card.piece) for card in cards])
    if sum(card.piece.startswith("corner") for card in cards) >= 3:
        return facing_around(outlines, turn, ROUND_CARDS_MM)
    rim = np.linspace(0, 1, 9)[:, None] * [w - 1, h - 1]
    edge = [rim * [1, 0], rim * [0, 1], rim * [1, 0] + [0, h - 1], rim * [0, 1] + [w - 1, 0]]
    seen = plane_from_photo(fit, 0, np.concatenate(edge))
    reach = 12 * float(np.ptp(outlines, axis=0).max())
    middle = outlines.mean(0)
    return facing_around(np.clip(seen, middle - reach, middle + reach), turn, 0.0)


def on_card(fit: PlaneFit, plane_xy: Array) -> Mask:
    """True where plane points (N, 2) mm lie on a card, or less than CUT_MM beside it."""
    covered = np.zeros(len(plane_xy), bool)
    for name in fit.poses:
        card = _piece(name)
        xy = card_from_plane(fit, name, plane_xy)
        near = (xy > -CUT_MM) & (xy < np.array([card.width, card.height]) + CUT_MM)
        covered |= near.all(axis=1)
    return covered


def card_outline(fit: PlaneFit, piece: str) -> Array:
    """(4, 2) plane mm of a card's own corners."""
    card = _piece(piece)
    rim = np.array([[0, 0], [card.width, 0], [card.width, card.height], [0, card.height]], dtype=float)
    return card_on_plane(fit, piece, rim)


def _piece(name: str) -> Piece:
    return next(piece for piece in all_pieces() if piece.name == name)


def _keep_out(shape: tuple[int, int], photo: Photo, fit: PlaneFit, view: Facing, density: float) -> NDArray[np.bool_]:
    """Where cards lie (with a rim) or the photo shows nothing."""
    h, w = shape
    x, y = np.meshgrid((np.arange(w) + 0.5) / density, (np.arange(h) + 0.5) / density)
    photo_xy = to_photo(view, fit, 0)(np.stack([x.ravel(), y.ravel()], 1))
    hidden = ~inside_photo(photo_xy, photo.size).reshape(h, w)
    cards = np.zeros(shape, np.uint8)
    for piece in fit.poses:
        corners = canvas_from_plane(view, card_outline(fit, piece)) * density - 0.5
        cv2.fillConvexPoly(cards, np.rint(corners).astype(np.int32), 1)
    rim = 2 * round(CARD_RIM_MM * density) + 1
    return hidden | (cv2.dilate(cards, np.ones((rim, rim), np.uint8)) > 0)


def _finished(  # noqa: PLR0913
    photo: Photo,
    fit: PlaneFit,
    seen: tuple[tuple[SeenCard, ...], ...],
    edges: tuple[dict[str, Side], dict[str, Line] | None, Facing],
    asked: Asked,
    warnings: list[str],
) -> PlaneSurvey:
    sides, lines, view = edges
    if lines is None:
        warnings.append(
            "the work's own edges were not found; the result shows all that lies between or beside the cards"
        )
        corners = _between_cards(fit, seen[0], view)
    else:
        corners = _work_corners(fit, sides, lines, view)
    return _survey(photo, fit, (seen, sides, lines is not None), corners, asked, warnings)


def _survey(  # noqa: PLR0913
    photo: Photo,
    fit: PlaneFit,
    found: tuple[tuple[tuple[SeenCard, ...], ...], Mapping[str, Side], bool],
    corners: Array,
    asked: Asked,
    warnings: Sequence[str],
) -> PlaneSurvey:
    covariance = shape_covariance(fit, 0, photo_from_plane(fit, 0, corners))
    scale = fit.frame.starts[3]
    scale_95 = 1.96 * float(np.sqrt(max(fit.covariance[scale, scale], 0.0)))
    facing = facing_of_corners(corners, asked.margin_mm)
    seen, sides, own = found
    return PlaneSurvey(seen, fit, facing, corners, radius95(covariance), sides, own, scale_95, tuple(warnings))


def _work_corners(fit: PlaneFit, sides: Mapping[str, Side], lines: Mapping[str, Line], view: Facing) -> Array:
    """(4, 2) plane mm where the measured sides meet; a side that was only seen roughly keeps its rough line."""
    fine = {}
    for name in SIDES:
        if name in sides:
            fine[name] = _line_through(canvas_from_plane(view, plane_from_photo(fit, 0, sides[name].photo_xy)), name)
        else:
            fine[name] = lines[name]
    return plane_from_canvas(view, corners_of(fine))


def _line_through(points: Array, name: str) -> Line:
    middle = points.mean(0)
    normal = np.linalg.svd(points - middle, full_matrices=False)[2][1]
    if normal[1 if name in ("top", "bottom") else 0] < 0:
        normal = -normal
    return Line(float(np.arctan2(normal[1], normal[0])), float(normal @ middle))


def _between_cards(fit: PlaneFit, cards: Sequence[SeenCard], view: Facing) -> Array:
    if sum(card.piece.startswith("corner") for card in cards) >= 3:
        box = facing_around(np.concatenate([card_outline(fit, card.piece) for card in cards]), view.turn, 0.0)
    else:
        box = view
    return plane_from_canvas(box, np.array([[0, 0], [box.width, 0], [box.width, box.height], [0, box.height]]))


def _by_size(photos: Sequence[Photo], asked: Asked) -> PlaneSurvey:
    """No card: the work itself, of a size that is known, is the card."""
    width, height = asked.size_mm if asked.size_mm is not None else (0.0, 0.0)
    if len(photos) > 1:
        raise BadSettings(
            f"{len(photos)} photos without a card",
            expected="one photo when only the size of the work is known",
            attempt="the best photo alone, or cards in every photo",
        )
    photo = photos[0]
    corners, lines = _raw_corners(photo, asked)
    if (width > height) != _lies_across(corners) and abs(width - height) > 0.05 * max(width, height):
        raise BadSettings(
            f"--size {width:g}x{height:g}mm for a work that lies the other way in the photo",
            expected="width first, as the photo shows the work",
            attempt=f"--size {height:g}x{width:g}mm",
        )
    rectangle = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=float)
    points = [CardPoints(0, "work", rectangle, corners, PICK_SIGMA_PX * photo.reduction)]
    relative = SIZE_SIGMA_MM / max(width, height)
    settings = replace(PlaneSettings(), scale=relative, stretch=relative, flat=asked.scan)
    sizes = [(photo.size[1], photo.size[0])]
    rough = solve_plane(sizes, points, settings=settings)
    reach = 0.006 * photo.size[1]
    sides = _measured(photo, lines, lambda xy: xy, reach=reach)
    known = {"top": (0, 1, 0), "right": (1, 0, width), "bottom": (0, 1, height), "left": (1, 0, 0)}
    measured = [_side_points(side, rough, np.array(known[name], dtype=float)) for name, side in sides.items()]
    fit = solve_plane(sizes, points, measured, settings=settings) if measured else rough
    warnings = ["no card: shape and size rest on the size given and on the work being a true rectangle"]
    return _survey(photo, fit, (((),), sides, True), rectangle, asked, warnings)


def _lies_across(corners: Array) -> bool:
    across = np.linalg.norm(corners[1] - corners[0]) + np.linalg.norm(corners[2] - corners[3])
    down = np.linalg.norm(corners[3] - corners[0]) + np.linalg.norm(corners[2] - corners[1])
    return bool(across > down)


def _raw_corners(photo: Photo, asked: Asked) -> tuple[Array, dict[str, Line]]:
    """Corners (4, 2) px and lines of the work in a photo without cards."""
    if asked.corners is not None:
        return asked.corners, sides_through(asked.corners)
    shrink = max(1.0, max(photo.small.shape[:2]) / FLAT_LONG_PX)
    size = (round(photo.small.shape[1] / shrink), round(photo.small.shape[0] / shrink))
    view = np.asarray(cv2.resize(photo.small, size, interpolation=cv2.INTER_AREA), np.uint8).reshape(
        size[1], size[0], -1
    )
    found = find_sides(view, np.zeros(view.shape[:2], bool), tilt=MOST_LEAN_RAW)
    if found is None:
        raise CardNotFound(
            f"{photo.tile.name} shows no card, and the work's four sides do not stand out",
            expected="a card, or a work whose sides are seen against what it lies on",
            attempt="give its corners: --corners x,y x,y x,y x,y (top left first, then clockwise)",
        )
    step = np.array([photo.size[1], photo.size[0]]) / size
    corners = (corners_of(found) + 0.5) * step - 0.5
    return corners, sides_through(corners)
