"""I find the printed cards in a picture: which pieces, and where their chessboard corners lie to a fraction of a pixel.

In: a gray picture. Out: one `SeenCard` for each piece, or the reason why there is none.

Markers only say which square is where; positions come from the corners where four squares meet, whose measured place
has no bias (markers' own corners sit .2 px inward).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from stitchbed.card.blurred import shows_blurred_board, unread_boards
from stitchbed.card.board import (
    MARKER_MM,
    SQUARE_MM,
    Board,
    Piece,
    all_pieces,
    markers,
    piece_of_marker,
    saddles,
)
from stitchbed.card.markers import CORNER_PIECES, SMALLEST_MARKER_PX, find_markers, sharpened, shown_sharpened
from stitchbed.core.arrays import Array, Bytes
from stitchbed.core.errors import CardNotFound
from stitchbed.imaging.sample import look_up
from stitchbed.imaging.transforms import fit_affine

NEARLY_TOO_SMALL = 1.5  # of that: where photos are tilted markers are shorter one way than their mean says
NEAR_SQUARES = 1.6  # a corner is predicted only from markers this near, so that nothing is guessed under a cover
FEWEST_ANCHORS, ANCHOR_SQUARES = 4, 2.3  # corners seen, and how near, that predict the next one
NO_CARD = "shows no reference card"
NOT_SEEN = (
    "{name}: of the four corner cards {piece} is not seen: if it lies in the picture too, let nothing cover it and no "
    "shine, shade or blur hide its markers"
)
LEAST_SHARE = 0.5  # of a card's corners must be seen; half a card is more often a mistake than a wish
LEAST_CONTRAST = 12.0  # gray levels of 255 between dark and light squares at a corner
CORNER_SIGMA_PX = 0.05  # .02 to .035 measured on synthetic photos at 44 to 72 px a square; real paper is less flat
MOST_BLUR_PX = 3.0  # sigma of edges; beyond, three pixels of four hold nothing and the picture counts as out of focus
BLACK_AND_PAPER = 10, 90  # percentiles of a card's tones
BLUR_LOOK_PX = 1600
ENLARGED, MOST_ENLARGED_PX = 2.0, 10**8  # times, to tell a card that is too small from none; px of such a picture
SHARPEN = ((3.0, 4.0), (6.0, 4.0), (10.0, 4.0))  # radius px, strength: only to tell a blurred card from none


@dataclass(frozen=True)
class SeenCard:
    """One card in one picture.

    card_xy, photo_xy : (N, 2) nominal mm and px of its corners. share : of its corners seen.
    square_px : mean side of a square. blur_px : sigma of its edges.
    turn : rad, how far it is turned clockwise in the picture.
    """

    piece: str
    card_xy: Array
    photo_xy: Array
    share: float
    square_px: float
    blur_px: float
    turn: float


def find_cards(gray: Bytes, name: str) -> tuple[tuple[SeenCard, ...], Mapping[str, str]]:
    """Cards of this version in a picture, and what to say of those left out, by piece; `name` stands in messages.

    Raises
    ------
    CardNotFound : none; only parts; out of focus; mirrored; the same card twice.
    """
    found = find_markers(gray)
    found = shown_sharpened(gray, found) | found
    _refuse_copies(found, name)
    seen: list[SeenCard] = []
    left_out: dict[str, str] = {}
    read: list[Array] = []
    for piece in all_pieces():
        own = {number: corners[0] for number, corners in found.items() if piece_of_marker(number) == piece.name}
        if not own:
            continue
        card = _see(gray, piece, own)
        reason = _trouble(card, piece)
        if reason and len(own) < 2 and len(card.card_xy) < FEWEST_ANCHORS:  # one marker may be a mistake
            continue
        read.append(card.photo_xy)
        if reason:
            left_out[piece.name] = f"{name}: the {piece.name} card is left out: {reason}"
        else:
            seen.append(card)
    if not seen:
        raise _none(gray, name, list(left_out.values()))
    return tuple(seen), left_out | _unread(gray, name, seen, left_out, np.concatenate(read))


def _unread(
    gray: Bytes, name: str, seen: Sequence[SeenCard], left_out: Mapping[str, str], read: Array
) -> dict[str, str]:
    """What to say of corner cards whose board shows and none of whose markers does, by piece where one is missing, or
    of the one card of four that does not show at all.

    read : (N, 2) px of corners of all others.
    """
    missing = sorted(CORNER_PIECES - {card.piece for card in seen} - left_out.keys())
    if not missing or CORNER_PIECES.isdisjoint(card.piece for card in seen):
        return {}
    said = {}
    boards = unread_boards(gray, float(np.mean([card.square_px for card in seen])), read)
    for x, y in boards[: len(missing)]:
        place = f"{'top' if y < gray.shape[0] / 2 else 'bottom'} {'left' if x < gray.shape[1] / 2 else 'right'}"
        said[missing[0] if len(missing) == 1 else place] = (
            f"{name}: the card in the {place} ({' or '.join(missing)}) is left out: none of its markers can be read, "
            "as under shine, in shade or out of focus"
        )
    if not said and len(missing) == 1:
        said[missing[0]] = NOT_SEEN.format(name=name, piece=missing[0])
    return said


def _see(gray: Bytes, piece: Piece, own: Mapping[int, Array]) -> SeenCard:
    """Corners of one piece from its markers."""
    nominal, seen = [], []
    total = 0
    for board in piece.boards:
        total += len(saddles(board))
        card_xy, photo_xy = _board_corners(gray, board, own)
        nominal.append(card_xy)
        seen.append(photo_xy)
    card_xy, photo_xy = np.concatenate(nominal), np.concatenate(seen)
    affine = fit_affine(card_xy, photo_xy) if len(card_xy) >= 3 else np.zeros((2, 3))
    square = SQUARE_MM * float(np.sqrt(abs(np.linalg.det(affine[:, :2]))))
    blur = _edge_blur(gray, card_xy, photo_xy) if len(card_xy) >= 3 else 0.0
    turn = float(np.arctan2(affine[1, 0], affine[0, 0]))
    return SeenCard(piece.name, card_xy, photo_xy, len(card_xy) / total, square, blur, turn)


def _board_corners(gray: Bytes, board: Board, own: Mapping[int, Array]) -> tuple[Array, Array]:
    """Corners of a board that markers close by predict and the picture confirms: (N, 2) mm and (N, 2) px."""
    known = {number: corners for number, corners in markers(board).items() if number in own}
    empty = np.empty((0, 2))
    if not known:
        return empty, empty
    mm = np.stack(list(known.values()))
    px = np.stack([own[number] for number in known])
    corners = saddles(board)
    guesses, sides = [], []
    for corner in corners:
        guess, side = _predicted(corner, mm, px)
        guesses.append(guess)
        sides.append(side)
    seen = _confirmed(gray, corners, np.array(guesses), np.array(sides))
    return _grown(gray, corners, seen, (mm.reshape(-1, 2), px.reshape(-1, 2)))


def _grown(gray: Bytes, corners: Array, seen: tuple[Array, Array], own: tuple[Array, Array]) -> tuple[Array, Array]:
    """Corners seen and those beside them, from place to place, as long as the picture confirms what they predict.

    Blur hides markers before it hides the corners between squares. own : mm and px of the markers' corners, which
    predict too: a single marker at a board's rim has three corners between squares beside it, too few to go on by.
    """
    while len(seen[0]):
        missing = np.array([at for at in corners if not np.any(np.all(np.isclose(seen[0], at), axis=1))])
        mm, px = (np.concatenate(both) for both in zip(seen, own, strict=True))
        guesses = [_beside(corner, mm, px) for corner in missing]
        if not guesses:
            break
        new = _confirmed(gray, missing, *(np.array(each) for each in zip(*guesses, strict=True)))
        if not len(new[0]):
            break
        seen = np.concatenate([seen[0], new[0]]), np.concatenate([seen[1], new[1]])
    return seen


def _beside(corner: Array, mm: Array, px: Array) -> tuple[Array, float]:
    """As `_predicted`, by places seen round it; NaN where fewer than FEWEST_ANCHORS are near, or lie on one line."""
    away = np.linalg.norm(mm - corner, axis=1)
    near = np.flatnonzero(away <= ANCHOR_SQUARES * SQUARE_MM)
    if away.min() > NEAR_SQUARES * SQUARE_MM or len(near) < FEWEST_ANCHORS or np.ptp(mm[near], axis=0).min() == 0:
        return np.full(2, np.nan), np.nan
    affine = fit_affine(mm[near], px[near])
    return affine @ np.append(corner, 1.0), SQUARE_MM * float(np.sqrt(abs(np.linalg.det(affine[:, :2]))))


def _predicted(corner: Array, mm: Array, px: Array) -> tuple[Array, float]:
    """(2,) px of a corner by the nearest markers' affine motion, and a square's side there; NaN if none is near."""
    away = np.linalg.norm(mm.mean(1) - corner, axis=1)
    order = np.argsort(away, kind="stable")[:4]
    if away[order[0]] > NEAR_SQUARES * SQUARE_MM:
        return np.full(2, np.nan), np.nan
    near = [i for i in order if away[i] <= 2.5 * SQUARE_MM]
    affine = fit_affine(mm[near].reshape(-1, 2), px[near].reshape(-1, 2))
    guess: Array = affine @ np.append(corner, 1.0)
    return guess, SQUARE_MM * float(np.sqrt(abs(np.linalg.det(affine[:, :2]))))


def _confirmed(gray: Bytes, corners: Array, guesses: Array, sides: Array) -> tuple[Array, Array]:
    """Guesses refined to the saddle of gray values; those that wander or show no saddle are dropped."""
    h, w = gray.shape
    side = float(np.nanmedian(sides)) if np.any(np.isfinite(sides)) else 0.0
    reach = int(np.clip(round(0.14 * side), 3, 15))
    rim = reach + 2
    inside = np.all((guesses > rim) & (guesses < [w - 1 - rim, h - 1 - rim]), axis=1)
    if not inside.any():
        return np.empty((0, 2)), np.empty((0, 2))
    corners, guesses = corners[inside], guesses[inside]
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 0.001)
    points = guesses.astype(np.float32).reshape(-1, 1, 2)
    refined = cv2.cornerSubPix(gray, points, (reach, reach), (-1, -1), stop).reshape(-1, 2).astype(np.float64)
    calm = np.linalg.norm(refined - guesses, axis=1) < max(0.15 * side, 1.5)
    saddle = np.array([_is_saddle(gray, xy, 0.18 * side) for xy in refined])
    good = calm & saddle
    return corners[good], refined[good]


def _is_saddle(gray: Bytes, xy: Array, radius: float) -> bool:
    """True when gray values round a point go dark, light, dark, light."""
    angle = np.arange(16) * np.pi / 8
    ring = xy + radius * np.stack([np.cos(angle), np.sin(angle)], 1)
    values = look_up(gray, ring)
    wave = np.fft.rfft(values - values.mean()) / 8
    return bool(abs(wave[2]) > LEAST_CONTRAST / 2 and abs(wave[2]) > 2 * max(abs(wave[1]), abs(wave[3])))


def _edge_blur(gray: Bytes, card_xy: Array, photo_xy: Array) -> float:
    """Sigma, px, of the squares' edges midway between neighboring corners: the step from black to paper over its slope.

    The step is that of the whole card, since a marker follows each edge before a blurred one has come to its end.
    """
    slopes = []
    order = {tuple(np.round(mm, 3)): px for mm, px in zip(card_xy, photo_xy, strict=True)}
    for mm, px in order.items():
        other = order.get((mm[0] + SQUARE_MM, mm[1]))
        if other is None:
            continue
        along = (other - px) / max(float(np.linalg.norm(other - px)), 1e-9)
        side = float(np.linalg.norm(other - px))
        steps = np.linspace(-0.1, 0.1, 81) * side
        line = (px + other) / 2 + steps[:, None] * np.array([-along[1], along[0]])
        smooth = np.convolve(look_up(gray, line), np.ones(5) / 5, "valid")
        slopes.append(float(np.abs(np.gradient(smooth, steps[1] - steps[0])).max()))
    (left, top), (right, bottom) = np.floor(photo_xy.min(axis=0)).astype(int), np.ceil(photo_xy.max(axis=0)).astype(int)
    black, paper = np.percentile(gray[max(0, top) : bottom + 1, max(0, left) : right + 1], BLACK_AND_PAPER)
    if not slopes or paper - black <= LEAST_CONTRAST:
        return 0.0
    return float((paper - black) / max(np.median(slopes), 1e-9) / np.sqrt(2 * np.pi))


def _trouble(card: SeenCard, piece: Piece) -> str:
    """Why a card cannot be used, or nothing."""
    if card.share < LEAST_SHARE:
        total = sum(len(saddles(board)) for board in piece.boards)
        marker_px = card.square_px * MARKER_MM / SQUARE_MM
        if marker_px < NEARLY_TOO_SMALL * SMALLEST_MARKER_PX:
            return f"its markers are seen only {marker_px:.0f} px large: go nearer, or take more megapixels"
        return f"only {len(card.card_xy)} of its {total} corners are seen, so part of it is covered or cut off"
    if card.blur_px > MOST_BLUR_PX:
        return f"it is out of focus (edges blurred by {card.blur_px:.1f} px)"
    return ""


def _refuse_copies(found: Mapping[int, Sequence[Array]], name: str) -> None:
    twice: dict[str, int] = {}
    for number, places in found.items():
        middles = np.stack([corners.mean(0) for corners in places])
        side = float(np.linalg.norm(places[0][1] - places[0][0]))
        if np.linalg.norm(middles - middles[0], axis=1).max() > side:
            piece = str(piece_of_marker(number))
            twice[piece] = twice.get(piece, 0) + 1
    copies = [piece for piece, count in twice.items() if count >= 3]
    if copies:
        raise CardNotFound(
            f"{name} shows the {copies[0]} card twice",
            expected="each card once",
            attempt="take one of the two copies away and photograph again; cut the four different corner cards apart",
        )


def _none(gray: Bytes, name: str, warnings: Sequence[str]) -> CardNotFound:
    """Why no card was found: look again in a mirror and at smaller pictures."""
    if warnings:
        found = "; ".join(warning.split(": ", 1)[1] for warning in warnings)
        return _refusal(name, found, "every card whole, flat and sharp", "photograph again with the whole card in view")
    if len(find_markers(np.ascontiguousarray(gray[:, ::-1]))) >= 3:
        found = "shows the card mirrored"
        return _refusal(name, found, "a picture that is not flipped", "flip the picture left to right, then again")
    large = f"markers at least {SMALLEST_MARKER_PX} px large"
    small = _too_small_px(gray)
    if small:
        found = f"shows a card, but its markers are only {small:.0f} px large"
        return _refusal(name, found, large, "photograph from nearer and less askew, or with more megapixels")
    if _is_blurred(gray):
        found = "shows a card, but too blurred to measure it"
        return _refusal(name, found, "a sharp card", "focus on the card and the work, hold the camera still")
    expected = f"a card printed with `card`, its {large}, lit and unobstructed"
    return _refusal(
        name, NO_CARD, expected, "a picture with the card in it, or --size with --corners instead of a card"
    )


def _too_small_px(gray: Bytes) -> float:
    """Side px of markers that can be read only where the picture is enlarged; 0 where none can, or one, by mistake."""
    times = min(ENLARGED, (MOST_ENLARGED_PX / gray.size) ** 0.5)
    if times <= 1:
        return 0.0
    found = find_markers(
        np.asarray(cv2.resize(gray, None, fx=times, fy=times, interpolation=cv2.INTER_CUBIC), np.uint8)
    )
    quads = [quad for each in found.values() for quad in each]
    sides = [np.linalg.norm(quad - np.roll(quad, 1, axis=0), axis=1).min() for quad in quads]
    return float(np.median(sides)) / times if len(found) > 1 else 0.0


def _is_blurred(gray: Bytes) -> bool:
    """True when a chessboard, or markers after sharpening, show in a copy of at most BLUR_LOOK_PX."""
    share = min(1.0, BLUR_LOOK_PX / max(gray.shape))
    size = (round(gray.shape[1] * share), round(gray.shape[0] * share))
    small = np.asarray(cv2.resize(gray, size, interpolation=cv2.INTER_AREA), np.uint8)
    for radius, strength in SHARPEN:
        if len(find_markers(sharpened(small, radius, strength))) >= 2:
            return True
    return shows_blurred_board(small)


def _refusal(name: str, found: str, expected: str, attempt: str) -> CardNotFound:
    return CardNotFound(f"{name}: {found}" if ":" in found else f"{name} {found}", expected=expected, attempt=attempt)
