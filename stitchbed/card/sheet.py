"""I lay the card's pieces, rulers and instructions out on a sheet of paper.

In: paper size and which pieces. Out: pages of shapes, and where each patch lies on its page.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from stitchbed.card.board import (
    BOARD_CELL_MM,
    CORNERS,
    LINE_ACROSS_MM,
    LINE_DOWN_MM,
    PAPER,
    VERSION,
    Lab,
    Patch,
    Piece,
    board_cells,
    corner_piece,
    full_piece,
    slant_corners,
)
from stitchbed.color.cielab import SPACES, xyz_from_lab, xyz_from_rgb
from stitchbed.drawing.shapes import CardPage, Grid, Polygon, Rect, Rgb, Shape, Text
from stitchbed.imaging.transfer import srgb_encode

PAPERS = {"A4": (210.0, 297.0), "letter": (215.9, 279.4)}  # mm; ISO 216, ANSI Y14.1
INK: Rgb = (0, 0, 0)
QUIET: Rgb = (95, 100, 104)
LINE_MM = 0.2
LEADING = 1.5  # line distance over font size

FULL_STEPS = (
    ("1  Print", "At 100 %, never “fit to page”. Matt white paper, best quality, no color “enhancement”."),
    ("2  Measure", "Lay a steel ruler along both check lines and read their lengths to a tenth of a mm."),
    ("", "Give them to the command rectify: --printed-mm 159.6x159.8 (across, then down)."),
    (
        "3  Lay",
        "Cut along the thin line or left whole. Flat, close to the work, level with it, in the same light.",
    ),
    ("4  Photograph", "Card and work in one picture, sharp, some table all round, no shine, nothing burnt out."),
    ("5  Scan", "For scans: lay it beside the work in one of the pieces, with the same settings."),
)
FULL_TRUTH = (
    "What this print can tell. Printed and measured with the ruler, it gives true shape and size.",
    "Its grays and colors are known only after a measuring device has read them: fill the values into the",
    "table written with this card (.txt), for color --patches. Until then it serves for white balance and exposure.",
)
CORNER_STEPS = (
    ("1  Print", "At 100 %, never “fit to page”, on matt white paper. Stiff paper lies flatter."),
    ("2  Measure", "Read both check lines (the other one runs down between the cards) to a tenth of a mm."),
    ("", "Give them to the command rectify: --printed-mm 159.6x159.8 (across, then down)."),
    ("3  Cut", "Along the thin lines. The four cards carry different markers; keep one of each."),
    ("4  Lay", "One card at each corner of the work, close to it, turned as you like, flat, and level with the"),
    ("", "painted surface: on a thick stretched canvas raise the cards to its height."),
    ("5  Photograph", "All four cards and the whole work in one picture, from as far as still fills the frame,"),
    ("", "sharp to the edges, in even light without shine. Leave the cards in place for further pictures."),
    ("", "A second picture of a blank white sheet in the same place lets the program even out the light."),
)


@dataclass(frozen=True)
class Laid:
    """A piece on a page. x, y : mm of its top left corner from the page's."""

    piece: Piece
    x: float
    y: float


@dataclass(frozen=True)
class Sheet:
    """A page to print and what lies on it."""

    name: str
    page: CardPage
    laid: tuple[Laid, ...]


def sheets(paper: str, piece: str) -> tuple[Sheet, ...]:
    """Sheets for `piece` "full", "corner" or "all" on a paper of `PAPERS`."""
    width, height = PAPERS[paper]
    makers = {"full": (_full_sheet,), "corner": (_corner_sheet,), "all": (_full_sheet, _corner_sheet)}
    return tuple(make(width, height) for make in makers[piece])


def rgb_of(lab: Lab) -> Rgb:
    """Nearest sRGB 0..255 of a nominal color; unprinted paper is left white."""
    linear = np.linalg.solve(xyz_from_rgb(SPACES["srgb"]), xyz_from_lab(np.array(lab)))
    r, g, b = np.rint(255 * np.clip(srgb_encode(np.clip(linear, 0, 1)), 0, 1)).astype(int)
    return int(r), int(g), int(b)


def printed(patch: Patch) -> bool:
    """False for a field that is left as bare paper (first step of a ramp)."""
    return not (patch.neutral and patch.lab == PAPER)


def _full_sheet(width: float, height: float) -> Sheet:
    piece = full_piece()
    x, y = (width - piece.width) / 2, (height - piece.height) / 2
    laid = Laid(piece, x, y)
    shapes = [*_piece_shapes(piece, x, y), *_full_rulers(x, y), *_full_words(x, y), *_cut_lines(laid)]
    return Sheet("full", CardPage(width, height, tuple(shapes)), (laid,))


def _corner_sheet(width: float, height: float) -> Sheet:
    first = corner_piece(1)
    left = (width - 2 * first.width - 4) / 2
    places = ((0, 0), (1, 0), (1, 1), (0, 1))  # cards 1 to 4 as they lie round the work
    laid = tuple(
        Laid(corner_piece(i + 1), left + c * (first.width + 4), 10 + r * (LINE_DOWN_MM - first.height))
        for i, (c, r) in enumerate(places)
    )
    shapes: list[Shape] = []
    for one in laid:
        shapes += [*_piece_shapes(one.piece, one.x, one.y), *_cut_lines(one), *_corner_words(one)]
    shapes += [*_line_down(left + first.width + 2, 10), *_ruler_across((width - LINE_ACROSS_MM) / 2, 184)]
    shapes += _steps(CORNER_STEPS, left + 8, 200)
    shapes.append(Text(left + 8, 256, 2.6, _signature("corner cards 1 to 4"), color=QUIET))
    return Sheet("corners", CardPage(width, height, tuple(shapes)), laid)


def _piece_shapes(piece: Piece, x: float, y: float) -> Iterator[Shape]:
    """Boards, patches and slanted squares at a place on the page."""
    for board in piece.boards:
        yield Grid(x + board.x, y + board.y, BOARD_CELL_MM, board_cells(board))
    for patch in piece.patches:
        if printed(patch):
            yield Rect(x + patch.x, y + patch.y, patch.width, patch.height, rgb_of(patch.lab))
        else:
            yield from _bare_frame(x + patch.x, y + patch.y, patch.width, patch.height)
    for slant in piece.slants:
        yield Rect(x + slant.x, y + slant.y, slant.width, slant.height, rgb_of(slant.ground))
        yield Polygon(tuple((x + float(px), y + float(py)) for px, py in slant_corners(slant)), rgb_of(slant.square))


def _bare_frame(x: float, y: float, width: float, height: float) -> Iterator[Shape]:
    """A hair line round a field of bare paper, outside of what is read."""
    gray: Rgb = (190, 190, 190)
    yield Rect(x, y, width, LINE_MM, gray)
    yield Rect(x, y + height - LINE_MM, width, LINE_MM, gray)
    yield Rect(x, y, LINE_MM, height, gray)
    yield Rect(x + width - LINE_MM, y, LINE_MM, height, gray)


def _ruler_across(x: float, y: float) -> Iterator[Shape]:
    """The line to measure, with a tick for each mm, numbers each 10 mm, and long ends."""
    yield Rect(x - LINE_MM / 2, y - LINE_MM / 2, LINE_ACROSS_MM + LINE_MM, LINE_MM, INK)
    for mm in range(int(LINE_ACROSS_MM) + 1):
        long = 3.2 if mm % 10 == 0 else 2.2 if mm % 5 == 0 else 1.4
        if mm in (0, int(LINE_ACROSS_MM)):
            yield Rect(x + mm - LINE_MM / 2, y - 3, LINE_MM, 7, INK)
        else:
            yield Rect(x + mm - LINE_MM / 2, y, LINE_MM, long, INK)
        if mm % 10 == 0 and 0 < mm < LINE_ACROSS_MM:
            yield Text(x + mm - (0.7 if mm < 100 else 1.2), y + 5.8, 2.1, str(mm), color=QUIET)
    yield Text(x + 2, y - 1.4, 2.6, f"Check line across: {LINE_ACROSS_MM:.0f} mm from end to end", color=INK)


def _ruler_down(x: float, y: float) -> Iterator[Shape]:
    yield Rect(x - LINE_MM / 2, y - LINE_MM / 2, LINE_MM, LINE_DOWN_MM + LINE_MM, INK)
    for mm in range(int(LINE_DOWN_MM) + 1):
        long = 3.2 if mm % 10 == 0 else 2.2 if mm % 5 == 0 else 1.4
        if mm in (0, int(LINE_DOWN_MM)):
            yield Rect(x - 3, y + mm - LINE_MM / 2, 7, LINE_MM, INK)
        else:
            yield Rect(x, y + mm - LINE_MM / 2, long, LINE_MM, INK)
        if mm % 10 == 0 and 0 < mm < LINE_DOWN_MM:
            yield Text(x + 3.8, y + mm + 0.75, 2.1, str(mm), color=QUIET)
    yield Text(x - 3, y - 1.6, 2.4, f"{LINE_DOWN_MM:.0f} mm", color=INK)


def _line_down(x: float, y: float) -> Iterator[Shape]:
    """The plain line between the corner cards, from the upper cards' top edge to the lower cards' foot."""
    yield Rect(x - LINE_MM / 2, y - LINE_MM / 2, LINE_MM, LINE_DOWN_MM + LINE_MM, INK)
    for end in (y, y + LINE_DOWN_MM):
        yield Rect(x - 1.5, end - LINE_MM / 2, 3, LINE_MM, INK)
    yield Text(
        x + 1.4, y + LINE_DOWN_MM / 2 + 1, 2.2, f"check line down: {LINE_DOWN_MM:.0f} mm from end to end", color=INK
    )


def _full_rulers(x: float, y: float) -> Iterator[Shape]:
    yield from _ruler_across(x + 9, y + 139)
    yield from _ruler_down(x + 181, y + 48)


def _full_words(x: float, y: float) -> Iterator[Shape]:
    yield Text(x + 4, y + 53, 4.6, "Reference card", bold=True)
    yield Text(x + 40, y + 53, 2.9, "lies beside the work: true shape, true size, true color", color=QUIET)
    yield from _steps(FULL_STEPS, x + 4, y + 155)
    for line, words in enumerate(FULL_TRUTH):
        yield Text(x + 4, y + 189 + line * 4.2, 2.8, words, color=INK)
    yield Text(x + 4, y + 206, 2.6, _signature("full card"), color=QUIET)


def _steps(steps: Sequence[tuple[str, str]], x: float, y: float) -> Iterator[Shape]:
    """Numbered instructions: a bold word and what to do, one line each."""
    size = 3.0
    for line, (word, words) in enumerate(steps):
        yield Text(x, y + line * size * LEADING * 1.1, size, word, bold=True)
        yield Text(x + 27, y + line * size * LEADING * 1.1, size, words)


def _corner_words(laid: Laid) -> Iterator[Shape]:
    number = int(laid.piece.name[-1])
    words = f"{_signature(laid.piece.name)}  ·  meant for the work's {CORNERS[number - 1]}"
    yield Text(laid.x + 8, laid.y + 72, 2.2, words, color=QUIET)


def _cut_lines(laid: Laid) -> Iterator[Shape]:
    gray: Rgb = (170, 170, 170)
    w, h, x, y = laid.piece.width, laid.piece.height, laid.x, laid.y
    yield Rect(x, y - 0.05, w, 0.1, gray)
    yield Rect(x, y + h - 0.05, w, 0.1, gray)
    yield Rect(x - 0.05, y, 0.1, h, gray)
    yield Rect(x + w - 0.05, y, 0.1, h, gray)


def _signature(name: str) -> str:
    return f"stitchbed card, version {VERSION}, {name}"
