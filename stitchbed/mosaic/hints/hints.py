"""I am all that was said of the pieces of one join: settings like any other, and what they mean for pieces at hand.

In: hints, tiles. Out: the hints with every piece by its full name and every point in px; or an error in words.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from difflib import get_close_matches
from pathlib import PurePath
from typing import Annotated, Any

from stitchbed.core.errors import BadSettings
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.core.settings import Setting
from stitchbed.mosaic.hints.kinds import (
    KINDS,
    Apart,
    Beside,
    Box,
    Distance,
    Grid,
    Hint,
    Hold,
    LeaveOut,
    Mirrored,
    Near,
    NeverShow,
    PieceDpi,
    Point,
    SamePoint,
    Show,
    Together,
    Turn,
    pieces_of,
)
from stitchbed.mosaic.hints.writing import form_of, from_table, reader, table_reader, to_table, to_text
from stitchbed.reading.base.tile import Tile

SAME_SHEET = ("show",)  # kinds that change what is shown, not where pieces lie
LEAST_CORNERS = 3  # of a polygon


def _said(key: str, what: str) -> Setting:
    return Setting(what, form_of(key), read=reader(key), many=True, table=table_reader(key))


@dataclass(frozen=True)
class Hints:
    """One tuple for each kind of hint; see `kinds`."""

    same_point: Annotated[tuple[SamePoint, ...], _said("same_point", "Two points that show one spot.")] = ()
    near: Annotated[tuple[Near, ...], _said("near", "Where on the sheet a piece's middle lies, mm.")] = ()
    beside: Annotated[tuple[Beside, ...], _said("beside", "How far to a side of another piece one lies, mm.")] = ()
    grid: Annotated[tuple[Grid, ...], _said("grid", "Pieces lie in rows of so many.")] = ()
    apart: Annotated[tuple[Apart, ...], _said("apart", "Two pieces that share nothing.")] = ()
    together: Annotated[tuple[Together, ...], _said("together", "Two pieces that overlap.")] = ()
    hold: Annotated[tuple[Hold, ...], _said("hold", "A piece that does not move.")] = ()
    turn: Annotated[tuple[Turn, ...], _said("turn", "How far a piece is to be turned, clockwise.")] = ()
    mirrored: Annotated[tuple[Mirrored, ...], _said("mirrored", "A piece that is a mirrored picture.")] = ()
    piece_dpi: Annotated[tuple[PieceDpi, ...], _said("piece_dpi", "Dpi of one piece.")] = ()
    leave_out: Annotated[tuple[LeaveOut, ...], _said("leave_out", "A piece that takes no part.")] = ()
    show: Annotated[tuple[Show, ...], _said("show", "Within a polygon of the sheet (mm) show this piece.")] = ()
    never_show: Annotated[tuple[NeverShow, ...], _said("never_show", "A rectangle of a piece not to be used.")] = ()
    distance: Annotated[tuple[Distance, ...], _said("distance", "Measured distance of two points, mm.")] = ()


def every(hints: Hints) -> Iterator[Hint]:
    """All hints, kind by kind."""
    for key in KINDS:
        yield from getattr(hints, key)


def hints_of(table: Mapping[str, Any]) -> Hints:
    """The hints of a table [join.hints] as `tomllib` reads it.

    Raises
    ------
    ValueError : what is wrong and how to write it.
    """
    for key, entries in table.items():
        if key not in KINDS:
            near = get_close_matches(key, list(KINDS), n=1, cutoff=0.5)
            raise ValueError(f"no hint is called {key!r}" + (f"; {near[0]!r} is one" if near else ""))
        if not isinstance(entries, list):
            raise ValueError(f"{key} is a list of entries, each like {form_of(key)!r}")
    read: dict[str, Any] = {key: tuple(from_table(key, one) for one in entries) for key, entries in table.items()}
    return Hints(**read)


def table_of(hints: Hints) -> dict[str, list[dict[str, Any]]]:
    """The table [join.hints] of hints, without kinds of which nothing is said."""
    return {key: [to_table(hint) for hint in getattr(hints, key)] for key in KINDS if getattr(hints, key)}


def with_hint(hints: Hints, hint: Hint) -> Hints:
    """The hints and one more."""
    key = next(key for key, kind in KINDS.items() if kind is type(hint))
    return replace(hints, **{key: (*getattr(hints, key), hint)})


def without_hints(hints: Hints, dropped: Sequence[Hint]) -> Hints:
    """The hints but for some."""
    kept: dict[str, Any] = {key: tuple(one for one in getattr(hints, key) if one not in dropped) for key in KINDS}
    return replace(hints, **kept)


def without_shown(hints: Hints) -> Hints:
    """The hints but for those that only change which piece is shown."""
    return replace(hints, **dict.fromkeys(SAME_SHEET, ()))


def barred_of(hints: Hints, name: str) -> tuple[Box, ...]:
    """Rectangles of a piece (px) that must not be used."""
    return tuple(one.box for one in hints.never_show if one.piece == name)


def settled_names(hints: Hints, tiles: Sequence[Tile], dpi: Mapping[str, float]) -> Hints:
    """The hints with each piece by its tile's name and points of pieces in px.

    dpi : of each tile by name, hints on it already counted.

    Raises
    ------
    BadSettings : a piece that is not there, a point outside its piece, a hint of a piece and itself, a polygon of less
    than three corners.
    """
    changed: dict[str, Any] = {key: tuple(_settled(hint, tiles, dpi) for hint in getattr(hints, key)) for key in KINDS}
    return replace(hints, **changed)


def named(name: str, tiles: Sequence[Tile], hint: Hint) -> Tile:
    """The tile of a name: its file name, with or without folders and ending where only one is called so.

    Raises
    ------
    BadSettings : none or several.
    """
    for made in (str, lambda text: PurePath(text).name, lambda text: PurePath(text).stem):
        found = [tile for tile in tiles if made(tile.name) == name]
        if len(found) == 1:
            return found[0]
    near = get_close_matches(name, [tile.name for tile in tiles], n=3, cutoff=0.3)
    raise BadSettings(
        f"the piece {name!r} in the hint {to_text(hint)!r}, which is not among the pieces",
        expected="a piece by its file's name",
        attempt=", ".join(near) if near else "the names as the record or the picture of the layout has them",
    )


def _settled(hint: Hint, tiles: Sequence[Tile], dpi: Mapping[str, float]) -> Hint:
    names = [named(name, tiles, hint) for name in pieces_of(hint)]
    if len({tile.name for tile in names}) < len(names) and not isinstance(hint, Distance):
        raise _senseless(hint, "it names a piece twice")
    if isinstance(hint, Grid):
        return replace(hint, order=tuple(tile.name for tile in names or tiles))
    kept = [one.name for one in fields(hint) if one.name in ("piece", "of", "a", "b")]
    by_field = [field for field in kept if getattr(hint, field) is not None]
    changes: dict[str, Any] = {field: tile.name for field, tile in zip(by_field, names, strict=True)}
    changes |= _points(hint, dict(zip(by_field, names, strict=True)), dpi)
    if isinstance(hint, Show) and len(hint.around) < LEAST_CORNERS:
        raise _senseless(hint, "a polygon has three corners or more")
    return replace(hint, **changes)


def _points(hint: Hint, tiles: Mapping[str, Tile], dpi: Mapping[str, float]) -> dict[str, Any]:
    """Points and boxes of pieces in px."""
    if isinstance(hint, SamePoint | Distance):
        scales = {field: dpi[tile.name] / MM_PER_INCH if hint.unit == "mm" else 1.0 for field, tile in tiles.items()}
        changes: dict[str, Any] = {"unit": "px"}
        for field, at in (("a", hint.a_at), ("b", hint.b_at)):
            changes[f"{field}_at"] = _inside(hint, at, scales[field], tiles[field])
        return changes
    if isinstance(hint, NeverShow):
        scale = dpi[tiles["piece"].name] / MM_PER_INCH if hint.unit == "mm" else 1.0
        return {"unit": "px", "box": _box(hint, hint.box, scale, tiles["piece"])}
    return {}


def _inside(hint: Hint, at: Point, scale: float, tile: Tile) -> Point:
    height, width = tile.raster.shape[:2]
    x, y = (value * scale - (0.5 if scale != 1.0 else 0.0) for value in at)
    if not (-0.5 <= x <= width - 0.5 and -0.5 <= y <= height - 0.5):
        raise _senseless(hint, f"the point lies outside {tile.name}, which has {width} x {height} px")
    return x, y


def _box(hint: Hint, box: Box, scale: float, tile: Tile) -> Box:
    left, top, width, height = (value * scale for value in box)
    rows, cols = tile.raster.shape[:2]
    if width <= 0 or height <= 0 or left >= cols or top >= rows or left + width <= 0 or top + height <= 0:
        raise _senseless(hint, f"the rectangle holds nothing of {tile.name}, which has {cols} x {rows} px")
    return left, top, width, height


def _senseless(hint: Hint, why: str) -> BadSettings:
    key = next(key for key, kind in KINDS.items() if kind is type(hint))
    return BadSettings(f"the hint {key} {to_text(hint)!r}", expected=why, attempt=f"{key} like {form_of(key)}")
