"""I check that a piece is shown in a polygon wherever it sees, and that nothing else of a plan changes.

The sheet is 40 x 20 cells of 10 px at 254 dpi: a cell is a millimeter. Two pieces side by side share the middle.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from small_plans import NAMES, NO_MARKS, lift_of, plan_of, spare_of

from stitchbed.mosaic.compositing.dust_by_overlap import Candidates
from stitchbed.mosaic.compositing.plan import Plan, Spot
from stitchbed.mosaic.hints import showing
from stitchbed.mosaic.hints.hints import Hints
from stitchbed.mosaic.hints.kinds import Show
from stitchbed.mosaic.hints.showing import Shown, shown_as_said


def box(left: float, top: float, right: float, bottom: float) -> tuple[tuple[float, float], ...]:
    """A rectangle, mm; its corners are a fraction beside the middles of cells."""
    return ((left, top), (right, top), (right, bottom), (left, bottom))


def shown(
    *said: Show, plan: Plan | None = None, spare: Shown | None = None, dust: bool = False
) -> tuple[Any, Any, Any]:
    """What comes of hints."""
    settings = SimpleNamespace(find_dust=dust, specks="as they are")
    context = SimpleNamespace(hints=Hints(show=said), settings=settings, shelf=None, tiles=())
    return shown_as_said(context, plan or plan_of(), spare or spare_of())  # type: ignore[arg-type]


def cells(*boxes: tuple[slice, slice, int]) -> np.ndarray:
    """The labels with rectangles of other owners."""
    labels = plan_of().seams.labels.copy()
    for rows, cols, owner in boxes:
        labels[rows, cols] = owner
    return labels


def test_without_hints_the_plan_is_the_same() -> None:
    plan = plan_of()
    assert shown(plan=plan) == (plan, [], [])


def test_a_piece_is_shown_within_its_polygon_and_nowhere_else() -> None:
    before = plan_of()
    plan, rows, words = shown(Show("b.tif", box(16.1, 4.1, 18.9, 8.9)), plan=before)
    assert np.array_equal(plan.seams.labels, cells((slice(4, 9), slice(16, 19), 1)))
    assert plan.seams.labels.dtype == np.uint16 and plan.seams.cell == 10
    (row,) = rows
    assert (row["kind"], row["followed"], row["against"]) == ("show", True, False)
    assert row["words"] == "0.1 of 0.1 sq cm are taken from it now"  # 15 cells of a square mm
    assert row["text"].startswith("b.tif 16.1,4.1 ") and words == []
    assert plan.places is before.places and plan.canvas is before.canvas and plan.spots == ()
    assert all(one is other for one, other in zip(plan.levels, before.levels, strict=True))


def test_a_polygon_is_no_rectangle() -> None:
    plan, _, _ = shown(Show("b.tif", ((16, 2), (20.2, 2), (16, 6.2))))
    changed = plan.seams.labels != plan_of().seams.labels
    # middles of cells (row + .5, col + .5) no further than 4.2 cells from the corner, both ways together
    wanted = [(row, col) for row in range(2, 6) for col in range(16, 20) if (col - 15.5) + (row - 1.5) < 4.2]
    assert {tuple(cell) for cell in np.argwhere(changed)} == set(wanted)


def test_what_is_shown_already_is_no_change() -> None:
    plan, rows, words = shown(Show("b.tif", box(22.1, 4.1, 31.9, 8.9)))
    assert np.array_equal(plan.seams.labels, plan_of().seams.labels) and words == []
    assert rows[0]["followed"] and rows[0]["words"] == "0.0 of 0.5 sq cm are taken from it now"
    mixed = shown(Show("b.tif", box(15.1, 4.1, 24.9, 13.9)), plan=plan_of())[1]
    assert mixed[0]["words"] == "0.5 of 1.0 sq cm are taken from it now"


def test_where_a_piece_does_not_see_nothing_changes() -> None:
    plan, rows, words = shown(Show("b.tif", box(2.1, 2.1, 8.9, 8.9)))
    assert np.array_equal(plan.seams.labels, plan_of().seams.labels)
    assert not rows[0]["followed"] and rows[0]["against"]
    assert len(words) == 1 and words[0].endswith("the piece sees nothing of this place; nothing was changed")
    # it sees whole cells from the 16th column on: the 14th is its rim, and the 15th too near to it
    plan, rows, words = shown(Show("b.tif", box(11.1, 2.1, 18.9, 6.9)))
    assert np.array_equal(plan.seams.labels, cells((slice(2, 7), slice(15, 19), 1)))
    assert rows[0]["followed"] and words[0].endswith("sees 50 % of this place; the rest stays as it was")


def test_barred_parts_of_a_piece_are_not_shown() -> None:
    plan = plan_of()
    barred = replace(plan.places[1], barred=((30.0, 0.0, 20.0, 200.0),))  # columns 17 and 18 of the sheet
    made, _, words = shown(
        Show("b.tif", box(16.1, 4.1, 19.9, 8.9)), plan=replace(plan, places=(plan.places[0], barred))
    )
    assert np.array_equal(made.seams.labels, cells((slice(4, 9), slice(16, 17), 1), (slice(4, 9), slice(19, 20), 1)))
    assert words[0].endswith("sees 50 % of this place; the rest stays as it was")


def test_a_piece_that_was_not_placed_is_told() -> None:
    plan, rows, words = shown(Show("c.tif", box(1, 1, 5, 5)))
    assert words == [f"show {rows[0]['text']}: the piece was not placed"] and not rows[0]["followed"]
    assert rows[0]["words"] == "0.0 of 0.0 sq cm are taken from it now"
    assert np.array_equal(plan.seams.labels, plan_of().seams.labels)


def test_the_later_of_two_hints_wins_where_they_meet() -> None:
    first, second = Show("b.tif", box(16.1, 4.1, 19.9, 8.9)), Show("a.tif", box(18.1, 4.1, 22.9, 8.9))
    plan, rows, _ = shown(first, second)
    assert np.array_equal(plan.seams.labels, cells((slice(4, 9), slice(16, 18), 1), (slice(4, 9), slice(18, 23), 0)))
    assert [row["words"][:3] for row in rows] == ["0.2", "0.2"]  # 20 cells, and 10 taken back with 15 more


def test_light_lost_by_lift_is_given_back_where_it_is_shown_now() -> None:
    lifts = (lift_of(NAMES[0]), lift_of(NAMES[1], *[(row, col) for row in (1, 2, 3) for col in range(5)]))
    spare = spare_of(lifts=lifts)
    before = plan_of()
    plan, _, _ = shown(Show("b.tif", box(16.1, 4.1, 19.9, 5.9)), plan=before, spare=spare)
    assert plan.levels[0] is before.levels[0]
    shading = plan.levels[1].shading
    # the lifted cells, 20 to 80 px down, are .1 darker: log(1 / .9) is given back in their midst, softly
    assert shading.max() == pytest.approx(-np.log(0.9), rel=0.15) and abs(shading[-1]).max() < 1e-3
    elsewhere, _, _ = shown(Show("b.tif", box(16.1, 14.1, 19.9, 18.9)), plan=before, spare=spare)
    assert elsewhere.levels[1] is before.levels[1]


def test_specks_on_the_place_give_way_to_those_of_the_piece_shown_now(monkeypatch: pytest.MonkeyPatch) -> None:
    here, away = Spot(175.0, 55.0, 3.0, 0, 1), Spot(195.0, 55.0, 3.0, 0, 1)
    marks = Candidates(
        np.array([(35.0, 55.0), (55.0, 55.0), (25.0, 190.0)]), np.array([1.0, 2, 3]), np.array([9.0, 8, 7])
    )
    asked: list[Any] = []
    new = Spot(1.0, 2.0, 3.0, 1, 0)

    def find_spots(places: Any, found: Any, lifts: Any, canvas: Any, **more: Any) -> list[Spot]:
        asked.append((found, more["seams"], more["settings"]))
        return [new]

    monkeypatch.setattr(showing, "find_spots", find_spots)
    said = Show("b.tif", box(16.1, 4.1, 18.9, 8.9))
    plan, _, _ = shown(said, plan=plan_of(spots=(here, away)), spare=spare_of(NO_MARKS, marks), dust=True)
    assert plan.spots == (away, new)
    ((found, seams, settings),) = asked
    assert len(found[0].xy) == 0 and settings == "as they are" and np.array_equal(seams.labels, plan.seams.labels)
    # of its marks only the one that lies on a cell it is shown on now: 140 + 35 px, column 17
    assert found[1].xy.tolist() == [[35.0, 55.0]]
    assert (found[1].radius.tolist(), found[1].contrast.tolist()) == ([1.0], [9.0])
    plain, _, _ = shown(said, plan=plan_of(spots=(here, away)), spare=spare_of(NO_MARKS, marks))
    assert plain.spots == (away,) and len(asked) == 1
    # the first piece right of the middle, where columns have larger numbers than any row
    mark = Candidates(np.array([(225.0, 55.0)]), np.array([1.0]), np.array([9.0]))
    shown(Show("a.tif", box(21.1, 4.1, 24.9, 8.9)), spare=spare_of(mark, NO_MARKS), dust=True)
    assert asked[1][0][0].xy.tolist() == [[225.0, 55.0]]
