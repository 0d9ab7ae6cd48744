"""I check that every hint can be written as words and as an entry of a job file, and is read again as it was."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from stitchbed.core.errors import BadSettings
from stitchbed.mosaic.hints.hints import Hints, every, hints_of, named, settled_names, table_of, with_hint
from stitchbed.mosaic.hints.kinds import (
    KINDS,
    Apart,
    Beside,
    Distance,
    Grid,
    Hint,
    Hold,
    LeaveOut,
    Mirrored,
    Near,
    NeverShow,
    PieceDpi,
    SamePoint,
    Show,
    Together,
    Turn,
)
from stitchbed.mosaic.hints.writing import form_of, from_table, from_text, key_of, line_of, to_table, to_text
from stitchbed.reading.base.tile import Raster, Tile

EXAMPLES: list[tuple[str, Hint]] = [
    ("left.tif 1200,340.25 right.tif 88,351", SamePoint("left.tif", (1200, 340.25), "right.tif", (88, 351))),
    (
        "'my left.tif' 12.5,3mm b.tif 8,35mm within_mm=2",
        SamePoint("my left.tif", (12.5, 3), "b.tif", (8, 35), "mm", 2.0),
    ),
    ("a.tif 320,140 turn=90", Near("a.tif", (320, 140), 90.0)),
    ("a.tif 320,140 of=b.tif", Near("a.tif", (320, 140), of="b.tif")),
    ("a.tif right b.tif 150 within_mm=5", Beside("a.tif", "right", "b.tif", 150, None, 5.0)),
    ("3 a.tif b.tif c.tif", Grid(3, ("a.tif", "b.tif", "c.tif"))),
    ("3", Grid(3)),
    ("a.tif b.tif", Apart("a.tif", "b.tif")),
    ("a.tif b.tif", Together("a.tif", "b.tif")),
    ("a.tif", Hold("a.tif")),
    ("a.tif at=10,20 turn=-1.5", Hold("a.tif", (10, 20), -1.5)),
    ("a.tif 180", Turn("a.tif", 180)),
    ("a.tif", Mirrored("a.tif")),
    ("a.tif 600", PieceDpi("a.tif", 600)),
    ("a.tif", LeaveOut("a.tif")),
    ("a.tif 10,10 60,10 60,60", Show("a.tif", ((10, 10), (60, 10), (60, 60)))),
    ("a.tif 10,20,300,400", NeverShow("a.tif", (10, 20, 300, 400))),
    ("a.tif 1,2,30,40mm", NeverShow("a.tif", (1, 2, 30, 40), "mm")),
    ("a.tif 10,10 b.tif 80,20 400", Distance("a.tif", (10, 10), "b.tif", (80, 20), 400)),
]
TILES = [
    Tile(name, Path(name), "", Raster((400, 500, 3), "uint8", 8, None, None, True))
    for name in ("one/a.tif", "two/a.tif", "b.tif", "c c.tif")
]


@pytest.mark.parametrize(("text", "hint"), EXAMPLES)
def test_words_and_tables_hold_the_same(text: str, hint: Hint) -> None:
    assert from_text(key_of(hint), text) == hint
    assert from_text(key_of(hint), to_text(hint)) == hint
    assert from_table(key_of(hint), to_table(hint)) == hint
    assert from_table(key_of(hint), text) == hint
    assert hints_of(tomllib.loads(line_of(hint))) == with_hint(Hints(), hint)


def test_every_kind_is_among_the_examples_and_among_the_hints() -> None:
    assert {key_of(hint) for _, hint in EXAMPLES} == set(KINDS) == set(Hints.__dataclass_fields__)
    whole = Hints()
    for _, hint in EXAMPLES:
        whole = with_hint(whole, hint)
    assert sorted(map(repr, every(whole))) == sorted(repr(hint) for _, hint in EXAMPLES)
    assert hints_of(table_of(whole)) == whole


@pytest.mark.parametrize(
    ("key", "text"),
    [
        ("same_point", "a.tif 12 b.tif 3,4"),
        ("same_point", "a.tif 1,2 b.tif"),
        ("same_point", "a.tif 1,2 b.tif 3,4 more"),
        ("beside", "a.tif northeast b.tif 20"),
        ("piece_dpi", "a.tif 0"),
        ("piece_dpi", "a.tif nan"),
        ("turn", "a.tif much"),
        ("grid", "2.5"),
        ("apart", "'a.tif b.tif"),
    ],
)
def test_what_cannot_be_read_is_told_with_how_to_write_it(key: str, text: str) -> None:
    with pytest.raises(ValueError, match=r"write it like|is expected"):
        from_text(key, text)


def test_a_table_with_a_word_of_its_own_is_refused() -> None:
    with pytest.raises(ValueError, match="no part of it"):
        from_table("apart", {"a": "a.tif", "b": "b.tif", "c": 1})
    with pytest.raises(ValueError, match="without b"):
        from_table("apart", {"a": "a.tif"})
    with pytest.raises(ValueError, match="'near'"):
        hints_of({"nea": []})
    assert "PIECE" in form_of("show")


def test_pieces_are_found_by_as_much_of_their_name_as_is_clear() -> None:
    hint = Apart("b", "c c")
    assert [named(name, TILES, hint).name for name in ("b.tif", "b", "c c", "one/a.tif")] == [
        "b.tif", "b.tif", "c c.tif", "one/a.tif",
    ]  # fmt: skip
    with pytest.raises(BadSettings, match="not among the pieces"):
        named("a.tif", TILES, hint)


def test_points_come_out_in_px_and_inside() -> None:
    dpi = dict.fromkeys([tile.name for tile in TILES], 254.0)
    said = Hints(same_point=(SamePoint("b", (10, 10), "c c", (20, 30), "mm"),), grid=(Grid(2),))
    settled = settled_names(said, TILES, dpi)
    assert settled.same_point[0] == SamePoint("b.tif", (99.5, 99.5), "c c.tif", (199.5, 299.5), "px")
    assert settled.grid[0].order == tuple(tile.name for tile in TILES)
    for wrong in (
        Hints(same_point=(SamePoint("b", (10, 500), "c c", (20, 30)),)),
        Hints(apart=(Apart("b", "b.tif"),)),
        Hints(show=(Show("b", ((1, 1), (2, 2))),)),
        Hints(never_show=(NeverShow("b", (600, 0, 10, 10)),)),
    ):
        with pytest.raises(BadSettings):
            settled_names(wrong, TILES, dpi)
