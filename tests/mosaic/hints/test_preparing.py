"""I check what hints make of pieces before anything looks at them, and the hints written for a set that falls apart."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from laid_pieces import pieces_at

from stitchbed.core.errors import BadSettings, MixedTiles
from stitchbed.imaging.transforms import moved
from stitchbed.matching.similarity_links import NoLink
from stitchbed.mosaic.hints.hints import Hints, hints_of
from stitchbed.mosaic.hints.kinds import Apart, Beside, LeaveOut, Mirrored, Near, PieceDpi, SamePoint
from stitchbed.mosaic.hints.preparing import demand_even_dpi, flip_of, flipped_names, taking_part, with_said_dpi
from stitchbed.mosaic.hints.proposing import hint_lines
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.reading.base.tile import Raster, Tile

TILES = [
    Tile(name, Path(name), "", Raster((400, 500, 3), "uint8", 8, None, None, True))
    for name in ("x/a.tif", "b.tif", "c.tif")
]


def test_a_flip_swaps_left_and_right_and_is_its_own_way_back() -> None:
    flip = flip_of(TILES[0])
    assert moved(flip, np.array([(0.0, 7.0), (499, 7), (249.5, 399)])).tolist() == [[499, 7], [0, 7], [249.5, 399]]
    assert np.array_equal(flip @ flip, np.eye(3))


def test_pieces_left_out_go_with_the_hints_that_name_them() -> None:
    assert taking_part(TILES, Hints(near=(Near("a.tif", (1, 2)),))) == (TILES, Hints(near=(Near("a.tif", (1, 2)),)), [])
    hints = Hints(
        leave_out=(LeaveOut("a.tif"),), near=(Near("x/a.tif", (1, 2)), Near("b.tif", (3, 4))),
        apart=(Apart("b.tif", "a.tif"), Apart("b.tif", "c.tif")),
    )  # fmt: skip
    kept, left, words = taking_part(TILES, hints)
    assert kept == TILES[1:]
    assert left == Hints(near=(Near("b.tif", (3, 4)),), apart=(Apart("b.tif", "c.tif"),))
    assert words[0] == "left out as a hint says: x/a.tif"
    assert words[1] == "hints of pieces left out: near x/a.tif 1,2, apart b.tif a.tif"
    alone = taking_part(TILES, Hints(leave_out=(LeaveOut("c.tif"),)))
    assert alone == (TILES[:2], Hints(), ["left out as a hint says: c.tif"])
    two = taking_part(TILES, Hints(leave_out=(LeaveOut("a.tif"), LeaveOut("c.tif"))))
    assert two == (TILES[1:2], Hints(), ["left out as a hint says: x/a.tif, c.tif"])


def test_not_all_pieces_may_be_left_out_and_none_that_is_not_there() -> None:
    with pytest.raises(BadSettings, match="leave out every piece"):
        taking_part(TILES, Hints(leave_out=tuple(LeaveOut(tile.name) for tile in TILES)))
    with pytest.raises(BadSettings, match=r"d\.tif"):
        taking_part(TILES, Hints(leave_out=(LeaveOut("d.tif"),)))


def test_mirrored_pieces_go_by_their_full_names() -> None:
    assert flipped_names(TILES, Hints(mirrored=(Mirrored("a.tif"), Mirrored("c.tif")))) == {"x/a.tif", "c.tif"}
    assert flipped_names(TILES, Hints()) == frozenset()


def test_said_dpi_counts_and_turns_millimeters_into_px() -> None:
    point = SamePoint("a.tif", (10, 5), "b.tif", (2, 1), "mm")
    hints = Hints(piece_dpi=(PieceDpi("a.tif", 254),), same_point=(point,))
    dpi, settled = with_said_dpi(TILES, np.array([300.0, 508.0, 600.0]), hints)
    assert dpi.tolist() == [254, 508, 600]
    (one,) = settled.same_point
    assert (one.a, one.b, one.unit) == ("x/a.tif", "b.tif", "px")
    # from the corner of the first pixel, whose middle is 0
    assert one.a_at == pytest.approx((99.5, 49.5)) and one.b_at == pytest.approx((39.5, 19.5))


def test_files_that_say_two_resolutions_are_refused_unless_a_person_says_theirs() -> None:
    def saying(dpi: tuple[float, float] | None) -> list[Tile]:
        return [replace(TILES[0], raster=replace(TILES[0].raster, dpi=dpi)), *TILES[1:]]

    for fine in (None, (300.0, 300.0), (300.0, 301.0)):
        demand_even_dpi(saying(fine), Hints())
    with pytest.raises(MixedTiles, match=r"x/a\.tif \(600 across, 1200 down\) dpi"):
        demand_even_dpi(saying((600.0, 1200.0)), Hints())
    demand_even_dpi(saying((600.0, 1200.0)), Hints(piece_dpi=(PieceDpi("a.tif", 600),)))


NAMES = ("a", "b", "c", "d", "e")
PIECES = pieces_at(dict.fromkeys(NAMES, (10, 10)))  # 80 mm wide


def island(*names: str) -> Layout:
    """Pieces that hang together."""
    return Layout(names[0], dict.fromkeys(names, np.eye(3)), (), ())


def pairs(lines: list[str]) -> list[tuple[str, str]]:
    """(piece, the one it lies beside) of the second line, which must be right as it stands."""
    hints = hints_of(tomllib.loads(lines[1]))
    assert all((one.side, one.by_mm) == ("right", 64.0) for one in hints.beside)  # .8 of the width
    return [(one.piece, one.of) for one in hints.beside]


def test_a_set_that_hangs_together_needs_no_hints() -> None:
    assert hint_lines([island(*NAMES)], [], PIECES) == []


def test_lines_name_the_pair_that_came_nearest_to_a_link() -> None:
    tried = [NoLink("a", "d", "", 9, 0.2), NoLink("e", "b", "", 9, 0.4), NoLink("a", "b", "", 9, 0.9)]
    lines = hint_lines([island("a", "b", "c"), island("d", "e")], tried, PIECES)
    assert lines[0] == 'same_point = [{ a = "b", a_at = [X, Y], b = "e", b_at = [X, Y] }]'
    assert pairs(lines) == [("e", "b")]
    assert Beside("e", "right", "b", 64.0) in hints_of(tomllib.loads(lines[1])).beside


def test_where_nothing_came_near_neighbors_by_name_are_taken() -> None:
    tried = [NoLink("a", "e", "", 9, 0.0)]
    assert pairs(hint_lines([island("a", "b"), island("d", "e"), island("c")], tried, PIECES)) == [
        ("d", "b"),
        ("c", "b"),
    ]
    many = pieces_at(dict.fromkeys("abcdefghi", (10, 10)))
    islands = [island(name) for name in "abcdefghi"]
    assert len(pairs(hint_lines(islands, [], many))) == 6
