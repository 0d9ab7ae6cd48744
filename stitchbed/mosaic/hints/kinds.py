"""I am what a person can say of the pieces of a join: one frozen value for each kind of hint, and all of them together.

In: nothing. Out: plain values; `writing` reads and writes them, the survey follows or refuses them.

Pieces go by their file's name. Points of a piece are px (centers at whole numbers) or mm from its top left corner, as
the piece is shown; places on the sheet are mm from the left and the top of the picture a survey lays out. Turns are
degrees clockwise, by which a piece is to be turned to lie as the sheet does.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Annotated, Literal

from stitchbed.core.settings import Setting

Point = tuple[float, float]
Box = tuple[float, float, float, float]
Unit = Literal["px", "mm"]
Side = Literal["right", "left", "below", "above"]

PIECE = Setting("A piece, by its file's name.")
POINT = Setting("A point of the piece before it.", unit="px or mm")
UNIT = Setting("What points are given in.", choices=("px", "mm"))
DEGREES = Setting("By how much the piece is to be turned, clockwise.", unit="degrees", low=-360, high=360)
MM = Setting("A length on the sheet.", unit="mm", low=0.1, high=1e5)
ON_SHEET = Setting("A place on the sheet as laid out.", unit="mm")


@dataclass(frozen=True)
class SamePoint:
    """a_at of piece a and b_at of piece b show the same spot. within_mm : how far off that may be said; a hand on a
    picture a third of the screen wide is good to half a millimeter."""

    a: Annotated[str, PIECE]
    a_at: Annotated[Point, POINT]
    b: Annotated[str, PIECE]
    b_at: Annotated[Point, POINT]
    unit: Annotated[Unit, UNIT] = "px"
    within_mm: Annotated[float, Setting("How far off the points may be.", unit="mm", low=0.01, high=50)] = 0.5


@dataclass(frozen=True)
class Near:
    """The middle of the piece lies about at this place of the sheet; it is looked for there only.

    turn : about how it lies, None for any. within_mm : how far from there; a place read off a small picture.
    of : the place is one of this piece, mm from its top left corner, and the turn is against it; so it stays the same
    place however the sheet comes to lie.
    """

    piece: Annotated[str, PIECE]
    at: Annotated[Point, ON_SHEET]
    turn: Annotated[float | None, DEGREES] = None
    within_mm: Annotated[float, Setting("How far from there.", unit="mm", low=0.1, high=200)] = 10.0
    of: Annotated[str | None, Setting("The piece whose place it is, instead of the sheet's.")] = None


@dataclass(frozen=True)
class Beside:
    """The piece lies by_mm to one side of another one, middle to middle; it is looked for there only.

    within_mm : in both directions; sheets are laid down by hand.
    """

    piece: Annotated[str, PIECE]
    side: Annotated[Side, Setting("Which side.", choices=("right", "left", "below", "above"))]
    of: Annotated[str, PIECE]
    by_mm: Annotated[float, MM]
    turn: Annotated[float | None, DEGREES] = None
    within_mm: Annotated[float, Setting("How far from there.", unit="mm", low=0.1, high=200)] = 15.0


@dataclass(frozen=True)
class Grid:
    """The pieces lie in rows of so many, in this order (none given: by their names); pictures may overrule it."""

    across: Annotated[int, Setting("Pieces in a row.", low=1, high=1000)]
    order: Annotated[tuple[str, ...], Setting("Pieces, row by row.")] = ()


@dataclass(frozen=True)
class Apart:
    """The two share nothing."""

    a: Annotated[str, PIECE]
    b: Annotated[str, PIECE]


@dataclass(frozen=True)
class Together:
    """The two overlap."""

    a: Annotated[str, PIECE]
    b: Annotated[str, PIECE]


@dataclass(frozen=True)
class Hold:
    """The piece does not move: it keeps the place an earlier record gives it; or its middle lies just at this place of
    the sheet, turned so; or, with neither, all others are turned and moved to it."""

    piece: Annotated[str, PIECE]
    at: Annotated[Point | None, ON_SHEET] = None
    turn: Annotated[float | None, DEGREES] = None


@dataclass(frozen=True)
class Turn:
    """How the piece lies, to about 20 degrees."""

    piece: Annotated[str, PIECE]
    degrees: Annotated[float, DEGREES]


@dataclass(frozen=True)
class Mirrored:
    """The piece is a mirrored picture: it is flipped left to right first, and all other hints speak of it flipped."""

    piece: Annotated[str, PIECE]


@dataclass(frozen=True)
class PieceDpi:
    """Dpi of one piece, where its file is wrong or silent."""

    piece: Annotated[str, PIECE]
    dpi: Annotated[float, Setting("Its dpi.", unit="dpi", low=1, high=100_000)]


@dataclass(frozen=True)
class LeaveOut:
    """The piece takes no part."""

    piece: Annotated[str, PIECE]


@dataclass(frozen=True)
class Show:
    """Within this polygon of the sheet the piece is shown wherever it sees."""

    piece: Annotated[str, PIECE]
    around: Annotated[tuple[Point, ...], ON_SHEET]


@dataclass(frozen=True)
class NeverShow:
    """A rectangle of the piece (left, top, width, height) that must not be used: a thumb, a shadow."""

    piece: Annotated[str, PIECE]
    box: Annotated[Box, Setting("Left, top, width, height.", unit="px or mm")]
    unit: Annotated[Unit, UNIT] = "px"


@dataclass(frozen=True)
class Distance:
    """The spots at a_at of piece a and at b_at of piece b lie mm from each other on the sheet: a ruler laid along its
    edge, or from edge to edge. One sets the scale, two across each other the ratio of the axes as well."""

    a: Annotated[str, PIECE]
    a_at: Annotated[Point, POINT]
    b: Annotated[str, PIECE]
    b_at: Annotated[Point, POINT]
    mm: Annotated[float, MM]
    unit: Annotated[Unit, UNIT] = "px"


Hint = (
    SamePoint
    | Near
    | Beside
    | Grid
    | Apart
    | Together
    | Hold
    | Turn
    | Mirrored
    | PieceDpi
    | LeaveOut
    | Show
    | NeverShow
    | Distance
)

# key in the table [join.hints], and the option's name with "-" for "_"
KINDS: dict[str, type[Hint]] = {
    "same_point": SamePoint,
    "near": Near,
    "beside": Beside,
    "grid": Grid,
    "apart": Apart,
    "together": Together,
    "hold": Hold,
    "turn": Turn,
    "mirrored": Mirrored,
    "piece_dpi": PieceDpi,
    "leave_out": LeaveOut,
    "show": Show,
    "never_show": NeverShow,
    "distance": Distance,
}


def pieces_of(hint: Hint) -> tuple[str, ...]:
    """Names of the pieces a hint speaks of."""
    if isinstance(hint, Grid):
        return hint.order
    named = [getattr(hint, one.name) for one in fields(hint) if one.name in ("piece", "of", "a", "b")]
    return tuple(name for name in named if name is not None)
