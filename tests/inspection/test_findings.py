"""I check what is taken as usual in a set, and that a verdict is as bad as its worst finding."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from made_evidence import evidence

from stitchbed.inspection.checks.pieces import _profile
from stitchbed.inspection.findings import Finding, believed_dpi, declared_dpi, usual_dpi, usual_profile, worst
from stitchbed.reading.base.tile import Raster, Tile


def tile(dpi: tuple[float, float] | None, icc: bytes | None = None) -> Tile:
    """A piece that says this of itself."""
    return Tile("a.tif", Path("a.tif"), "", Raster((9, 9, 3), "uint8", 8, icc, dpi, True))


def test_dpi_that_most_say_is_the_usual_and_stands_in_where_none_is_said() -> None:
    tiles = [tile((200, 100)), tile(None), tile((299.6, 300.2)), tile((300, 300))]
    assert [declared_dpi(one) for one in tiles] == pytest.approx([150, None, 299.9, 300])
    assert usual_dpi(tiles) == 300.0
    assert believed_dpi(tiles) == pytest.approx([150, 300, 299.9, 300])


def test_a_set_that_says_no_dpi_is_at_least_of_one() -> None:
    tiles = [tile(None), tile(None)]
    assert usual_dpi(tiles) is None
    assert len(set(believed_dpi(tiles))) == 1


def test_the_profile_of_most_is_usual_none_counting_too() -> None:
    assert usual_profile([tile(None, b"x"), tile(None, b"y"), tile(None, b"x")]) == b"x"
    assert usual_profile([tile(None), tile(None), tile(None, b"x")]) is None


def test_a_gray_piece_without_the_profile_of_colored_ones_is_told_as_a_join_refuses_it() -> None:
    seen = evidence(3)
    gray, *colored = seen.tiles
    tinted = [replace(one, raster=replace(one.raster, shape=(*one.raster.shape[:2], 3), icc=b"x")) for one in colored]
    told = {one.fault: one.level for one in _profile(replace(seen, tiles=(gray, *tinted)), gray)}
    assert told == {"profile": "redo", "other channels": "usable"}


@pytest.mark.parametrize(
    ("levels", "verdict"),
    [((), "good"), (("note",), "good"), (("note", "usable"), "usable"), (("redo", "note", "usable"), "redo")],
)
def test_a_verdict_is_that_of_the_worst_finding(levels: tuple[str, ...], verdict: str) -> None:
    assert worst([Finding("any", level, "", "") for level in levels]) == verdict
