"""I know the paper round each card: cut along its lines, or still the whole sheet it was printed on.

In: a plane by cards, open photos. Out: how far the paper of each card goes, which plane points lie on it, and where
cards laid round a work show that the table must lie; corners of cards as they were printed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np

from stitchbed.card.blurred import unread_boards
from stitchbed.card.board import SQUARE_MM, Piece, all_pieces, saddles
from stitchbed.card.detection import CORNER_SIGMA_PX, SeenCard
from stitchbed.card.markers import CORNER_PIECES
from stitchbed.card.sheet import PAPERS, sheets
from stitchbed.core.arrays import Array, Mask
from stitchbed.photos.geometry.output_frame import (
    Facing,
    canvas_from_plane,
    facing_around,
    inside_photo,
    plane_from_canvas,
)
from stitchbed.photos.geometry.plane_pose import (
    SIGMAS_95_IN_PLANE,
    PlaneFit,
    card_from_plane,
    card_on_plane,
    photo_from_plane,
    placed,
    plane_from_photo,
    px_per_mm,
)
from stitchbed.photos.geometry.print_size import PrintSize
from stitchbed.photos.solving.initial_guess import CardPoints
from stitchbed.photos.survey.photo import Photo, full_px, gray_of, read_small, small_px

PRINTED_MM = 0.015  # how truly a printer sets a corner, from memory: paper feed and dots of 600 dpi (.042 mm)
CUT_MM = 1.5  # paper beside a card's nominal rim, cut by hand
SHADOW_MM = 2.5  # kept out of besides, where sides are sought: the paper's edge and its shadow
QUIET_MM = (1.0, 3.0)  # within each card's rim lies bare paper, which shows the paper's tone
BEYOND_MM = 1.0  # where more of it is sought first; from there on in steps of STEP_MM
STEP_MM = 0.5
LIKE_PAPER = 0.06  # stored values, share of full scale: paper differs less from itself over some centimeters
MOSTLY = 0.7  # share of a rim along which paper goes on
OVER_MM = 2.0  # by which a card's nominal rim may reach into the work that it lies beside: both are cut by hand
RIM_SHARE = 0.03  # of a flat view, along the end of what is seen: table, or the work is not whole in the photo
UNREAD_MM = 62.0  # from about the middle of a corner card's board to its farthest corner, however it is turned
FOURTH_MM = 45.0  # a work may reach out beside a card that lies above or below it, as corner cards are long
AS_PRINTED_MM, AS_PRINTED_RAD = 1.5, 0.01  # how near cards of an uncut sheet lie to their places on it


@dataclass(frozen=True)
class Papers:
    """beside : card -> (4,) mm of paper beyond its left, top, right and bottom rim. uncut : cards on whole sheets.

    unread : (N, 2) plane mm, about the middles of corner cards of which no marker could be read.
    """

    beside: Mapping[str, Array] = field(default_factory=dict)
    uncut: tuple[str, ...] = ()
    unread: Array = field(default_factory=lambda: np.empty((0, 2)))


def papers_of(photos: Sequence[Photo], fit: PlaneFit) -> Papers:
    """How far the paper of each card goes beyond it, looked for in the photos."""
    beside: dict[str, Array] = {}
    uncut: list[str] = []
    sheet = _uncut_corner_cards(fit)
    for name in fit.poses:
        piece = piece_called(name)
        if piece is None:
            continue
        seen = sheet.get(name)
        if seen is None:
            seen = np.max([_paper_beyond(photo, fit, i, piece) for i, photo in enumerate(photos)], axis=0)
        beside[name] = np.maximum(seen, CUT_MM)
        if name in sheet or np.count_nonzero(seen > 2 * CUT_MM) >= 3:
            uncut.append(name)
    return Papers(beside, tuple(uncut), _unread(photos, fit))


def _unread(photos: Sequence[Photo], fit: PlaneFit) -> Array:
    """(N, 2) plane mm of the middles of boards that are those of corner cards left out."""
    cards = [piece for piece in all_pieces() if piece.name in fit.poses]
    missing = len(CORNER_PIECES - fit.poses.keys())
    if not missing or CORNER_PIECES.isdisjoint(fit.poses):
        return np.empty((0, 2))
    corners = [card_on_plane(fit, one.name, np.concatenate([saddles(board) for board in one.boards])) for one in cards]
    found: list[Array] = []
    for number, photo in enumerate(photos):
        middle = np.mean(corners[0], axis=0)
        square = SQUARE_MM * px_per_mm(fit.views[number], middle) / photo.reduction
        read = small_px(photo, photo_from_plane(fit, number, np.concatenate([*corners, *found])))
        boards = unread_boards(gray_of(photo), square, read)[: missing - sum(len(each) for each in found)]
        if boards:
            found.append(plane_from_photo(fit, number, full_px(photo, np.array(boards))))
    return np.concatenate([np.empty((0, 2)), *found])


def on_card(fit: PlaneFit, papers: Papers, plane_xy: Array, room: float = 0.0) -> Mask:
    """True where plane points (N, 2) mm lie on a card's paper, or less than `room` mm beside it."""
    covered = np.zeros(len(plane_xy), bool)
    for name, beside in papers.beside.items():
        card = piece_called(name)
        if card is not None:
            xy = card_from_plane(fit, name, plane_xy)
            low, high = -beside[:2] - room, np.array([card.width, card.height]) + beside[2:] + room
            covered |= ((xy > low) & (xy < high)).all(axis=1)
    for middle in papers.unread:
        covered |= np.linalg.norm(plane_xy - middle, axis=1) < UNREAD_MM + room
    return covered


def cards_in(shape: tuple[int, ...], fit: PlaneFit, papers: Papers, view: Facing, density: float) -> Mask:
    """(h, w) where cards and their paper lie in a flat view, with a rim."""
    cards = np.zeros(shape[:2], np.uint8)
    for name, beside in papers.beside.items():
        corners = canvas_from_plane(view, card_outline(fit, name, beside)) * density - 0.5
        cv2.fillConvexPoly(cards, np.rint(corners).astype(np.int32), 1)
    for middle in papers.unread:
        x, y = np.rint(canvas_from_plane(view, middle[None])[0] * density - 0.5).astype(int)
        cv2.circle(cards, (int(x), int(y)), round(UNREAD_MM * density), 1, cv2.FILLED)
    rim = 2 * round(SHADOW_MM * density) + 1
    return np.asarray(cv2.dilate(cards, np.ones((rim, rim), np.uint8)) > 0)


def card_outline(fit: PlaneFit, name: str, beside: Array | None = None) -> Array:
    """(4, 2) plane mm of a card's own corners, or of those of its paper."""
    card = piece_called(name)
    if card is None:
        return np.empty((0, 2))
    left, top, right, bottom = np.zeros(4) if beside is None else beside
    x, y = card.width + right, card.height + bottom
    return card_on_plane(fit, name, np.array([[-left, -top], [x, -top], [x, y], [-left, y]], dtype=float))


def piece_called(name: str) -> Piece | None:
    """The piece of that name; None for anything else that the solver treats as a card."""
    return next((piece for piece in all_pieces() if piece.name == name), None)


def overlapped(fit: PlaneFit, corners: Array) -> dict[str, float]:
    """Card -> mm by which the work of corners (4, 2) plane mm reaches over it; cards beside it are left out."""
    found = {}
    for name in fit.poses:
        outline = card_outline(fit, name)
        if len(outline):
            shared = cv2.intersectConvexConvex(outline.astype(np.float32), corners.astype(np.float32))[1]
            deep = min(cv2.minAreaRect(shared)[1]) if shared is not None and len(shared) > 2 else 0.0
            if deep > OVER_MM:
                found[name] = float(deep)
    return found


def _paper_beyond(photo: Photo, fit: PlaneFit, number: int, piece: Piece) -> Array:
    """(4,) mm of paper beyond each rim as one photo shows it; 0 where the photo does not see the rim."""
    most = _most_paper(piece, _smallest(fit))
    out = np.arange(BEYOND_MM, float(most.max()), STEP_MM)
    quiet = -np.linspace(*QUIET_MM, 5)
    reach = []
    for side in range(4):
        long = (piece.height, piece.width)[side % 2]
        along = np.linspace(0.05, 0.95, 60) * long
        at = photo_from_plane(
            fit, number, card_on_plane(fit, piece.name, _beyond(side, piece, along, np.concatenate([quiet, out])))
        )
        if not inside_photo(at, photo.size).all():
            reach.append(_cut_short(photo, at, len(along), out, len(quiet)))
            continue
        reach.append(_reach(read_small(photo, at.reshape(len(along), -1, 2)), out, len(quiet)))
    return np.minimum(reach, most)


def _cut_short(photo: Photo, at: Array, rows: int, out: Array, quiet: int) -> float:
    """The same where the photo ends somewhere beyond the rim: what lies outside repeats its edge."""
    inside = inside_photo(at, photo.size).reshape(rows, -1)
    if not inside[:, : quiet + 1].all():
        return 0.0
    return _reach(read_small(photo, at.reshape(rows, -1, 2)), out, quiet)


def _reach(values: Array, out: Array, quiet: int) -> float:
    """How far (mm) values (rows, places, channels) stay like those of the quiet rim."""
    paper = np.median(values[:, :quiet], axis=1, keepdims=True)
    alike = np.abs(values[:, quiet:] - paper).max(axis=2) < LIKE_PAPER
    goes_on = alike.mean(axis=0) >= MOSTLY
    return 0.0 if not goes_on[0] else float(out[-1] if goes_on.all() else out[int(np.argmin(goes_on))])


def _beyond(side: int, piece: Piece, along: Array, out: Array) -> Array:
    """(rows * places, 2) card mm of places `out` mm beyond a rim (left, top, right, bottom), row by row."""
    a, o = (grid.ravel() for grid in np.meshgrid(along, out, indexing="ij"))
    ways = ((-o, a), (a, -o), (piece.width + o, a), (a, piece.height + o))
    return np.stack(ways[side], 1)


def _smallest(fit: PlaneFit) -> float:
    """The least true mm per nominal mm that the print may have: shrunk to fit the page, it leaves more paper beside."""
    scale = fit.frame.starts[3]
    unsure = float(np.sqrt(max(fit.covariance[scale, scale], 0.0)))
    return float(fit.stretch.min()) * (1 - SIGMAS_95_IN_PLANE * unsure)


def _most_paper(piece: Piece, smallest: float) -> Array:
    """(4,) mm that the largest margins of the papers allow; cards cut out by hand keep a few millimeters."""
    if piece.name != "full":
        return np.full(4, 3 * CUT_MM)
    sizes = np.array(list(PAPERS.values())) / smallest
    x, y = (sizes.max(axis=0) - [piece.width, piece.height]) / 2 + CUT_MM
    return np.array([x, y, x, y])


def _uncut_corner_cards(fit: PlaneFit) -> dict[str, Array]:
    """Card -> (4,) mm of paper beyond it, when two or more corner cards lie to each other as on the printed sheet."""
    sheet = sheets("A4", "corner")[0]
    laid = {one.piece.name: one for one in sheet.laid if one.piece.name in fit.poses}
    if len(laid) < 2:
        return {}
    first = next(iter(laid.values()))
    for name, one in laid.items():
        true = placed(fit.poses[first.piece.name], np.array([[one.x - first.x, one.y - first.y]]) * fit.stretch)[0]
        turned = (fit.poses[name][2] - fit.poses[first.piece.name][2] + np.pi) % (2 * np.pi) - np.pi
        if np.hypot(*(fit.poses[name][:2] - true)) > AS_PRINTED_MM or abs(turned) > AS_PRINTED_RAD:
            return {}
    shrunk = _smallest(fit)
    margins = [_margins_on(paper, shrunk) for paper in PAPERS]
    return {name: np.max([each[name] for each in margins], axis=0) for name in laid}


def _margins_on(paper: str, smallest: float) -> dict[str, Array]:
    """Card -> (4,) mm of paper beyond it on an uncut sheet of corner cards, printed about the middle of its page."""
    size = np.array(PAPERS[paper])
    more = np.tile((size / smallest - size) / 2, 2)
    found = {}
    for one in sheets(paper, "corner")[0].laid:
        right, down = size - [one.x + one.piece.width, one.y + one.piece.height]
        found[one.piece.name] = np.array([one.x, one.y, right, down]) + more
    return found


def sure_table(
    keep_out: Mask, unseen: Mask, fit: PlaneFit, papers: Papers, frame: tuple[Facing, float], *, rim_only: bool = False
) -> Mask:
    """(h, w) True where a flat view surely shows table: near the end of what is seen, and beyond corner cards.

    frame : the view's, and its px per mm. rim_only : not beyond corner cards, between which the work may reach out.
    """
    view, density = frame
    shape = keep_out.shape
    seen = np.pad(~unseen, 1).astype(np.uint8)
    rim = cv2.distanceTransform(seen, cv2.DIST_L2, 3)[1:-1, 1:-1] <= RIM_SHARE * max(shape)
    if laid_round(fit, papers) and not rim_only:
        hull = _between(fit, view)
        between = cv2.convexHull((canvas_from_plane(view, hull) * density - 0.5).astype(np.float32))
        inner = np.zeros(shape, np.uint8)
        cv2.fillConvexPoly(inner, np.rint(between).astype(np.int32), 1)
        rim = rim | (inner == 0)
    return np.asarray(rim & ~keep_out)


def _between(fit: PlaneFit, view: Facing) -> Array:
    """(N, 2) plane mm, all that lies round what corner cards bound; three cards tell where the fourth would lie."""
    if len(fit.poses) > 3:
        return np.concatenate([card_outline(fit, name) for name in fit.poses])
    box = round_cards(fit, view.turn)
    return plane_from_canvas(box, np.array([[0, 0], [box.width, 0], [box.width, box.height], [0, box.height]]))


def round_cards(fit: PlaneFit, turn: float) -> Facing:
    """The box round cards. Of three it reaches farther out at the corner of the fourth, where the work may too."""
    outlines = [card_outline(fit, name) for name in fit.poses]
    box = facing_around(np.concatenate(outlines), turn, 0.0)
    size = np.array([box.width, box.height])
    near = {tuple(canvas_from_plane(box, each).mean(0) < size / 2) for each in outlines}
    free = [corner for corner in ((True, True), (False, True), (False, False), (True, False)) if corner not in near]
    if len(outlines) != 3 or len(free) != 1:
        return box
    first = np.array(free[0])
    ends = np.array([np.where(first, -FOURTH_MM, 0.0), np.where(first, size, size + FOURTH_MM)])
    return facing_around(plane_from_canvas(box, ends), turn, 0.0)


def laid_round(fit: PlaneFit, papers: Papers) -> bool:
    """True when three or four corner cards lie round the work, not on one uncut sheet."""
    return sum(name.startswith("corner") and name not in papers.uncut for name in fit.poses) >= 3


def card_points(photos: Sequence[Photo], seen: Sequence[Sequence[SeenCard]], believed: PrintSize) -> list[CardPoints]:
    """Card corners as the solver wants them, nominal mm corrected by the measured print."""
    scale = (believed.across, believed.down)
    points = []
    for number, (photo, cards) in enumerate(zip(photos, seen, strict=True)):
        for card in cards:
            printed = PRINTED_MM * card.square_px / SQUARE_MM
            sigma = float(np.hypot(CORNER_SIGMA_PX, printed)) * photo.reduction
            at = full_px(photo, card.photo_xy)
            points.append(CardPoints(number, card.piece, card.card_xy * scale, at, sigma))
    return points
