"""I make the pieces what a person said they are, before anything looks at them: left out, flipped, of another dpi.

In: tiles, hints. Out: the tiles that take part, their dpi, and which are to be looked at flipped.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.errors import BadSettings, MixedTiles
from stitchbed.mosaic.hints.hints import Hints, every, named, settled_names, without_hints
from stitchbed.mosaic.hints.kinds import pieces_of
from stitchbed.mosaic.hints.writing import key_of, to_text
from stitchbed.reading.base.tile import Tile


def flip_of(tile: Tile) -> Array:
    """3x3 from stored px to those of the flipped picture."""
    return np.array([[-1.0, 0, tile.raster.shape[1] - 1], [0, 1, 0], [0, 0, 1]])


def taking_part(tiles: Sequence[Tile], hints: Hints) -> tuple[list[Tile], Hints, list[str]]:
    """The tiles not left out, hints on those, and words.

    Raises
    ------
    BadSettings : a piece that is not there; none is left.
    """
    out = [named(one.piece, tiles, one).name for one in hints.leave_out]
    if not out:
        return list(tiles), hints, []
    kept = [tile for tile in tiles if tile.name not in out]
    if not kept:
        raise BadSettings(
            "hints that leave out every piece", expected="a piece that takes part", attempt="fewer of them"
        )
    idle = [one for one in every(hints) if any(named(name, tiles, one).name in out for name in pieces_of(one))]
    useless = [one for one in idle if one not in hints.leave_out]
    words = [f"left out as a hint says: {', '.join(out)}"]
    if useless:
        words.append(f"hints of pieces left out: {', '.join(f'{key_of(one)} {to_text(one)}' for one in useless)}")
    return kept, without_hints(hints, idle), words


def flipped_names(tiles: Sequence[Tile], hints: Hints) -> frozenset[str]:
    """Names of tiles said to be mirrored."""
    return frozenset(named(one.piece, tiles, one).name for one in hints.mirrored)


def demand_even_dpi(tiles: Sequence[Tile], hints: Hints) -> None:
    """Refuse files that say another resolution across than down, unless a person says what their pieces have.

    Raises
    ------
    MixedTiles : some do.
    """
    said = {named(one.piece, tiles, one).name for one in hints.piece_dpi}
    asked = [(tile.name, tile.raster.dpi) for tile in tiles if tile.raster.uneven and tile.name not in said]
    found = [f"{name} ({dpi[0]:.0f} across, {dpi[1]:.0f} down)" for name, dpi in asked if dpi]
    if found:
        raise MixedTiles(
            f"the files say another resolution across than down: {', '.join(found)} dpi",
            expected="one resolution both ways: the pixels of a master are square",
            attempt="scan these again with one resolution both ways; where only the words of the file are wrong, --dpi "
            "says it for all pieces",
        )


def with_said_dpi(tiles: Sequence[Tile], dpi: Array, hints: Hints) -> tuple[Array, Hints]:
    """(T,) dpi with what was said of single pieces, and the hints with full names and px."""
    said = {named(one.piece, tiles, one).name: one.dpi for one in hints.piece_dpi}
    told = np.array([said.get(tile.name, own) for tile, own in zip(tiles, dpi, strict=True)])
    by_name = {tile.name: float(own) for tile, own in zip(tiles, told, strict=True)}
    return told, settled_names(hints, tiles, by_name)
