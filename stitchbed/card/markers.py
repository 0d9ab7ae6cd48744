"""I read the markers of printed cards in a picture, also those that blur hides among others of a card.

In: a gray picture. Out: marker numbers with their corners, which only say roughly where each square is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import cv2
import numpy as np

from stitchbed.card.blurred import unread_boards
from stitchbed.card.board import DICTIONARY, MARKER_MM, SQUARE_MM, Piece, all_pieces, markers, piece_of_marker
from stitchbed.core.arrays import Array, Bytes
from stitchbed.imaging.transforms import fit_affine

SMALLEST_MARKER_PX = 14  # side; below two pixels a cell no marker of 7 cells is read
# Reading markers whose cells are blurred by a third (measured: 20 of 20 found at 6 px a cell and blur 1.5, 12 without).
CELL_PX, CELL_RIM, WIDEST_WINDOW = 8, 0.33, 63
SHARPEN_MARKERS = 1.5, 4.0  # radius px, strength: to read markers (found 17 for 7 at blur 1.8, 13 at 2.0)
CORNER_PIECES = frozenset(piece.name for piece in all_pieces() if piece.name.startswith("corner"))
HALF_BOARD_SQUARES = 6.0  # more than lie between its middle, roughly known, and its ends
AROUND_SQUARES = 1.5  # of the markers that are missed, since few others tell only roughly where they lie


def find_markers(gray: Bytes) -> dict[int, list[Array]]:
    """Marker number -> its (4, 2) px corners, one entry for each place it is seen at."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = 4 * SMALLEST_MARKER_PX / max(gray.shape)
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    parameters.perspectiveRemovePixelPerCell = CELL_PX
    parameters.perspectiveRemoveIgnoredMarginPerCell = CELL_RIM
    parameters.adaptiveThreshWinSizeMax = WIDEST_WINDOW
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY), parameters)
    corners, numbers, _ = detector.detectMarkers(gray)
    found: dict[int, list[Array]] = {}
    for number, quad in zip([] if numbers is None else numbers.ravel(), corners, strict=True):
        if piece_of_marker(int(number)) is not None:
            found.setdefault(int(number), []).append(quad.reshape(4, 2).astype(np.float64))
    return found


def shown_sharpened(gray: Bytes, found: Mapping[int, Sequence[Array]]) -> dict[int, list[Array]]:
    """Markers that blur hides and sharpening shows: everywhere where none was found, else where a card has more."""
    if not found:
        return find_markers(sharpened(gray, *SHARPEN_MARKERS))
    more: dict[int, list[Array]] = {}
    places = [place for piece in all_pieces() for place in _missing_among(found, piece, gray.shape)]
    for low, high in [*places, *_boards_unread(gray, found)]:
        left, top = np.maximum(low, 0).astype(int)
        right, bottom = np.minimum(high, gray.shape[::-1]).astype(int)
        shown = find_markers(sharpened(gray[top:bottom, left:right], *SHARPEN_MARKERS))
        more |= {number: [np.add(quad, (left, top)) for quad in quads] for number, quads in shown.items()}
    return more


def _boards_unread(gray: Bytes, found: Mapping[int, Sequence[Array]]) -> list[Array]:
    """(2, 2) px each, corners of parts of a picture that show the board of a corner card of which no marker is read."""
    pieces = {piece_of_marker(number) for number in found}
    if pieces.isdisjoint(CORNER_PIECES) or pieces.issuperset(CORNER_PIECES):
        return []
    read = np.concatenate([quads[0] for quads in found.values()])
    side = SQUARE_MM / MARKER_MM * float(np.linalg.norm(np.diff(read.reshape(-1, 4, 2), axis=1), axis=2).mean())
    reach = HALF_BOARD_SQUARES * side
    boards = unread_boards(gray, side, read)[: len(CORNER_PIECES)]
    return [np.array([middle - reach, middle + reach]) for middle in boards]


def _missing_among(found: Mapping[int, Sequence[Array]], piece: Piece, shape: tuple[int, ...]) -> list[Array]:
    """(2, 2) px, corners of the part of a picture where markers of a piece must lie that were not found among others
    of it; none where there are none."""
    design = {number: mm for board in piece.boards for number, mm in markers(board).items()}
    own, missing = ([number for number in design if (number in found) == seen] for seen in (True, False))
    if not own or not missing:
        return []
    affine = fit_affine(np.concatenate([design[n] for n in own]), np.concatenate([found[n][0] for n in own]))
    around = AROUND_SQUARES * SQUARE_MM * float(np.sqrt(abs(np.linalg.det(affine[:, :2]))))
    rim = np.array(shape)[::-1]
    quads = np.array([design[n] for n in missing]) @ affine[:, :2].T + affine[:, 2]
    seen = quads[np.all((quads > 0) & (quads < rim), axis=(1, 2))].reshape(-1, 2)
    return [np.array([seen.min(axis=0) - around, seen.max(axis=0) + around])] if len(seen) else []


def sharpened(gray: Bytes, radius: float, strength: float) -> Bytes:
    """A copy with what differs from its surroundings, radius px wide, made stronger."""
    soft = cv2.GaussianBlur(gray, (0, 0), radius).astype(np.float32)
    return np.asarray(np.clip(gray + strength * (gray - soft), 0, 255), np.uint8)
