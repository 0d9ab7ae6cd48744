"""I check what is told of each hint: how far pieces moved, by shifts done by hand, and how neighbors agree."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from laid_pieces import pieces_at, shift

from stitchbed.core.arrays import Array
from stitchbed.mosaic.hints.effects import _lost, contradicted, effect_rows, row_words, without_place
from stitchbed.mosaic.hints.following import Told
from stitchbed.mosaic.hints.hints import Hints
from stitchbed.mosaic.hints.kinds import Grid, Mirrored, Near, NeverShow, PieceDpi, SamePoint
from stitchbed.mosaic.linking.pose_graph import Layout

PLACES = {"a": (10, 10), "b": (130, 12), "c": (11, 100), "d": (131, 102)}
FOUR = pieces_at(PLACES)
NEAR = Near("d", (100, 76))


def laid(**changed: Array | None) -> list[Layout]:
    """One island with the pieces where they lie, but for some; None: it hangs by nothing."""
    where: dict[str, Array | None] = {name: shift(*at) for name, at in PLACES.items()}
    where |= changed
    main = {name: place for name, place in where.items() if place is not None}
    alone = [Layout(name, {name: np.eye(3)}, (), ()) for name, place in where.items() if place is None]
    return [Layout(min(main), main, (), ()), *alone]


def row(told: Told, before: list[Layout], after: list[Layout]) -> dict[str, Any]:
    """The row of one hint."""
    (one,) = effect_rows([told], before, after, FOUR)
    return one


def test_how_far_a_piece_moved_against_the_others() -> None:
    told = row(Told(NEAR, True, "followed"), laid(d=shift(134, 98)), laid())
    assert (told["kind"], told["text"], told["followed"], told["words"]) == ("near", "d 100,76", True, "followed")
    assert told["moved_px"] == {"d": 5.0}  # 3 and 4
    # the whole sheet turned with it is no move
    turned = np.array([[0, -1, 400], [1, 0, 20], [0, 0, 1.0]])
    after = laid(**{name: turned @ shift(*at) for name, at in PLACES.items()})
    assert row(Told(NEAR, True, ""), laid(), after)["moved_px"] == {"d": 0.0}


def test_a_corner_moves_farthest_when_a_piece_is_turned() -> None:
    turn = np.array([[0.6, -0.8, 0], [0.8, 0.6, 0], [0, 0, 1.0]])  # about its own first pixel
    told = row(Told(NEAR, True, ""), laid(), laid(d=shift(*PLACES["d"]) @ turn))
    far = np.hypot(159, 119) * np.hypot(0.4, 0.8)
    assert told["moved_px"] == {"d": pytest.approx(far, abs=0.06)}


def test_pieces_of_one_hint_move_against_those_it_does_not_name() -> None:
    points = SamePoint("c", (1, 1), "d", (2, 2))
    both = {"c": shift(21, 100), "d": shift(141, 102)}
    assert row(Told(points, True, ""), laid(), laid(**both))["moved_px"] == {"c": 10.0, "d": 10.0}
    only = (
        [Layout("c", {"c": np.eye(3), "d": shift(120, 2)}, (), ())],
        [Layout("c", {"c": np.eye(3), "d": shift(120, 9)}, (), ())],
    )
    assert row(Told(points, True, ""), *only)["moved_px"] == {"c": 7.0, "d": 7.0}  # where there is nobody else


def test_a_piece_that_had_no_place_is_told_as_such() -> None:
    told = row(Told(NEAR, True, ""), laid(d=None), laid())
    assert told["moved_px"] == {"d": None}
    assert [(one["before"], one["after"] > 0.8) for one in told["neighbors"]] == [(None, True)] * 3


def test_neighbors_agree_where_a_piece_lies_rightly_and_the_most_changed_come_first() -> None:
    told = row(Told(NEAR, True, "x"), laid(d=shift(131, 122)), laid())
    assert {(one["a"], one["b"]) for one in told["neighbors"]} == {("d", "a"), ("d", "b"), ("d", "c")}
    assert all(one["after"] > 0.9 > 0.6 > (one["before"] or 0) for one in told["neighbors"])
    changes = [one["after"] - (one["before"] or 0) for one in told["neighbors"]]
    assert changes == sorted(changes, reverse=True)
    assert not told["against"]


def test_a_neighbor_that_agrees_no_more_speaks_against_a_hint_that_was_followed() -> None:
    away = laid(d=shift(131, 122))
    assert row(Told(NEAR, True, ""), laid(), away)["against"]
    assert not row(Told(NEAR, False, ""), laid(), away)["against"]
    assert row(Told(NEAR, False, "", True), laid(), laid())["against"]


@pytest.mark.parametrize(
    ("before", "after", "lost"),
    [(0.61, 0.29, True), (0.61, 0.31, False), (0.59, 0.0, False), (0.9, None, True), (None, 0.1, False)],
)
def test_what_is_lost_is_agreement_there_was(before: float | None, after: float | None, lost: bool) -> None:
    assert _lost({"before": before, "after": after}) is lost


def test_a_grid_and_pieces_that_are_not_there_move_nothing() -> None:
    for hint in (Grid(2, ("a", "b", "c", "d")), Near("e", (1, 1))):
        told = row(Told(hint, True, ""), laid(), laid(d=shift(0, 0)))
        assert told["moved_px"] == {} and told["neighbors"] == []


def test_hints_on_pieces_themselves_have_rows_too() -> None:
    hints = Hints(
        mirrored=(Mirrored("a"),), piece_dpi=(PieceDpi("b", 300),), never_show=(NeverShow("c", (0, 0, 5, 5)),)
    )
    rows = without_place(hints)
    assert [(one["kind"], one["text"], one["words"]) for one in rows] == [
        ("mirrored", "a", "followed: flipped left to right"),
        ("piece_dpi", "b 300", "followed: taken"),
        ("never_show", "c 0,0,5,5", "followed: not used anywhere"),
    ]
    assert all(one["followed"] and not one["against"] for one in rows)
    assert without_place(Hints(near=(NEAR,))) == []


def test_a_row_as_a_sentence() -> None:
    told = {
        "kind": "same_point", "text": "c 1,1 d 2,2", "words": "followed", "against": True,
        "moved_px": {"c": 0.5, "d": 12.6, "e": None},
        "neighbors": [
            {"a": "d", "b": "c", "before": None, "after": 0.934},
            {"a": "c", "b": "d", "before": None, "after": 0.934},
            {"a": "d", "b": "b", "before": 0.5, "after": 0.5},
            {"a": "d", "b": "a", "before": 0.71, "after": None},
        ],
    }  # fmt: skip
    words = (
        "same point c 1,1 d 2,2: followed; d moved by 13 px; e found no place before; "
        "agreement of d with c no overlap before, 0.93 now; agreement of d with a 0.71 before, no overlap now"
    )
    assert row_words(told) == words
    assert contradicted([told, {**told, "against": False}]) == [words]
