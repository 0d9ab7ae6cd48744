"""I check which hints are followed and which refused, and what links come of it, on pieces cut by whole pixels.

Four of them lie two and two, upright: a and b above, c and d below.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from laid_pieces import PER_MM, SIZE, link, pieces_at, shift, true_link

from stitchbed.imaging.transforms import moved
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.hints.following import Followed, Told, follow, given_back, sheet_of
from stitchbed.mosaic.hints.hints import Hints
from stitchbed.mosaic.hints.kinds import Apart, Beside, Grid, Hold, Near, SamePoint, Together, Turn
from stitchbed.mosaic.hints.motions import middle_of
from stitchbed.mosaic.linking.link_graph import corners

PLACES = {"a": (10, 10), "b": (130, 12), "c": (11, 100), "d": (131, 102)}
FOUR = pieces_at(PLACES)
AB, AC, BD, CD = (true_link(PLACES, *pair) for pair in ("ab", "ac", "bd", "cd"))
RING = (AB, AC, BD, CD)
WHERE_D = (100.2, 75.8)  # mm of its middle on the sheet of the others: (131 - 10 + 79.5) / 2, (102 - 10 + 59.5) / 2


def only(state: Followed) -> Told:
    """What became of the only hint."""
    (told,) = state.told
    return told


def has(state: Followed, *links: Link) -> bool:
    """Whether those and no other links are laid out."""
    return len(state.links) == len(links) and all(any(one is other for other in state.links) for one in links)


def fresh(state: Followed, known: Sequence[Link]) -> list[Link]:
    """Links that were not there before."""
    return [one for one in state.links if not any(one is other for other in known)]


def off(item: Link) -> float:
    """px by which the corners of a piece lie wrongly by a link."""
    truth = shift(*np.subtract(PLACES[item.a], PLACES[item.b]))
    return float(np.hypot(*(moved(item.b_from_a, corners(SIZE)) - moved(truth, corners(SIZE))).T).max())


def test_without_hints_links_stay() -> None:
    assert follow(Hints(), RING, FOUR) == Followed(RING)


def test_two_said_to_be_apart_are_not_linked() -> None:
    state = follow(Hints(apart=(Apart("b", "a"),)), (AB, CD), FOUR)
    assert has(state, CD) and state.cut == (AB,)
    assert only(state) == Told(Apart("b", "a"), True, "followed: the link between them is not used")
    state = follow(Hints(apart=(Apart("a", "d"),)), (AB, CD), FOUR)
    assert has(state, AB, CD) and only(state).words == "nothing to change, no link was found" and only(state).followed


def test_two_that_all_others_lay_on_each_other_are_not_apart() -> None:
    state = follow(Hints(apart=(Apart("a", "b"),)), RING, FOUR)
    assert has(state, *RING)
    told = only(state)
    assert not told.followed and told.against and "they show the same there" in told.words
    # laid on each other wrongly they may well be apart
    wrong = link("b", "d", shift(-10, -75))
    state = follow(Hints(apart=(Apart("a", "b"),)), (AB, AC, CD, wrong), FOUR)
    assert has(state, AC, CD, wrong) and only(state).followed


def test_links_of_what_was_apart_can_be_given_back() -> None:
    hint, other = Apart("a", "b"), Turn("c", 0)
    state = Followed((CD,), (Told(hint, True, "followed"), Told(other, True, "followed")), (AB,))
    back = given_back(state, [hint])
    assert back.links == (CD, AB) and back.cut == ()
    assert back.told[0] == Told(other, True, "followed")
    assert (back.told[1].hint, back.told[1].followed, back.told[1].against) == (hint, False, True)


def test_held_pieces_keep_their_places_against_each_other() -> None:
    recorded = {"a": shift(5, 5), "b": shift(100, 9)}
    held = pieces_at(PLACES, recorded=recorded)
    state = follow(Hints(hold=(Hold("a"), Hold("b"))), RING, held)
    (new,) = fresh(state, RING)
    assert not any(one is AB for one in state.links) and len(state.links) == 4
    assert (new.a, new.b, new.said) == ("a", "b", True) and np.allclose(new.b_from_a, shift(-95, -4))
    assert np.allclose(moved(new.b_from_a, new.xy_a), new.xy_b)
    assert [one.words for one in state.told] == ["followed: keeps the place it was given among those held"] * 2


def test_places_said_of_held_pieces_are_those_of_their_middles() -> None:
    holds = (Hold("a", (40, 30)), Hold("b", (100, 30), 90))
    (new,) = fresh(follow(Hints(hold=holds), (), FOUR), ())
    # 60 mm to the right of the first's middle lies the second's, turned: what is up in it lies to the right
    middle = corners(SIZE).mean(0)
    assert np.allclose(moved(new.b_from_a, middle[None] + (60 * PER_MM, 0)), middle)
    assert np.allclose(moved(new.b_from_a, middle[None] + (60 * PER_MM + 10, 0)), middle - (0, 10))


def test_one_held_piece_moves_the_others_to_it() -> None:
    for hold in (Hold("a"), Hold("a", (40, 30))):
        state = follow(Hints(hold=(hold,)), RING, FOUR)
        assert has(state, *RING) and only(state).words == "followed: the others are moved to it"


def test_points_said_to_be_the_same_replace_any_link() -> None:
    wrong = link("a", "b", shift(-100, 20))
    right = SamePoint("b", (20, 48), "a", (140, 50))  # b before a: the pair is the same
    state = follow(Hints(same_point=(right, SamePoint("a", (150, 100), "b", (30, 98)))), (wrong, CD), FOUR)
    (new,) = fresh(state, (wrong, CD))
    assert len(state.links) == 2 and new.said and (new.a, new.b) == ("a", "b") and off(new) < 0.5
    assert len(state.told) == 2 and all(one.followed and not one.against for one in state.told)
    assert all(re.match(r"followed: the pictures agree to (0\.9|1\.0)", one.words) for one in state.told)


def test_points_that_contradict_the_pictures_are_followed_and_told() -> None:
    points = (SamePoint("a", (140, 50), "b", (20, 75)), SamePoint("a", (150, 100), "b", (30, 125)))
    state = follow(Hints(same_point=points), RING, FOUR)
    assert off(fresh(state, RING)[0]) > 25
    assert all(one.followed and one.against for one in state.told)
    assert "although the pictures contradict it" in state.told[0].words


def test_over_bare_paper_points_are_all_there_is() -> None:
    bare = pieces_at({"a": (265, 10), "b": (360, 12)})
    state = follow(Hints(same_point=(SamePoint("a", (125, 50), "b", (30, 48)),)), (), bare)
    assert only(state).words.startswith("followed: hardly anything is drawn") and not only(state).against


def test_the_turn_of_one_point_is_what_is_known_of_the_pair() -> None:
    upside = pieces_at({name: PLACES[name] for name in "ab"}, turned="b")
    truth = np.array([[-1, 0, 159 - (10 - 130)], [0, -1, 119 - (10 - 12)], [0, 0, 1.0]])
    at = tuple(moved(truth, np.array([[140.0, 50.0]]))[0])
    point = SamePoint("a", (140, 50), "b", at)
    for hints, links in (
        (Hints(same_point=(point,)), ()),  # nothing: upright and by quarters
        (Hints(same_point=(point,), turn=(Turn("b", 180),)), ()),
        (Hints(same_point=(point,)), (link("a", "b", shift(3, 3) @ truth),)),
    ):
        new = next(one for one in follow(hints, links, upside).links if one.said)
        assert np.allclose(moved(new.b_from_a, corners(SIZE)), moved(truth, corners(SIZE)), atol=1.0)
    upright = Hints(same_point=(point,), turn=(Turn("b", 0), Turn("a", 0)))
    new = next(one for one in follow(upright, (), upside).links if one.said)
    assert new.b_from_a[0, 0] > 0.9


def test_two_said_to_overlap_are_looked_at_closer() -> None:
    hint = Hints(together=(Together("b", "a"),))
    known = follow(hint, RING, FOUR)
    assert has(known, *RING) and only(known).words == "nothing to change: a link between them is known"
    asked: list[tuple[str, str]] = []

    def closer(a: str, b: str) -> Link | None:
        asked.append((a, b))
        return AB if len(asked) == 1 else None

    looked = replace(FOUR, closer=closer)
    found = follow(hint, (CD,), looked)
    assert has(found, CD, AB) and only(found).words == "followed: they agree to 0.90" and asked == [("b", "a")]
    refused = follow(hint, (CD,), looked)
    assert has(refused, CD) and not only(refused).followed and only(refused).against


@pytest.mark.parametrize(
    "hint", [Near("d", WHERE_D), Near("d", (105, 80), 0.0), Beside("d", "right", "c", 60, 5.0), Turn("d", 15)]
)
def test_what_the_pictures_say_too_changes_nothing(hint: Near | Beside | Turn) -> None:
    key = {Near: "near", Beside: "beside", Turn: "turn"}[type(hint)]
    state = follow(Hints(**{key: (hint,)}), RING, FOUR)
    assert has(state, *RING)
    assert only(state) == Told(hint, True, "nothing to change: the pictures say the same")


@pytest.mark.parametrize(
    "hint",
    [
        Near("d", (103, 74)),
        Near("d", (103, 74), 0.0, 5.0),
        Beside("d", "right", "c", 62, within_mm=5.0),
        Beside("d", "below", "b", 42, 0.0, 6.0),
    ],
)
def test_a_loose_piece_is_found_where_it_was_said_to_lie(hint: Near | Beside) -> None:
    key = "near" if isinstance(hint, Near) else "beside"
    state = follow(Hints(**{key: (hint,)}), (AB, AC), FOUR)
    (new,) = fresh(state, (AB, AC))
    assert new.b == "d" and off(new) < 1.0 and new.probability > 0.9
    told = only(state)
    assert told.followed and not told.against and told.words.startswith("followed: the pictures agree to 0.")


@pytest.mark.parametrize("hint", [Beside("a", "above", "c", 45, 0.0, 4.0), Beside("a", "left", "b", 60, 0.0, 4.0)])
def test_sides_are_those_of_the_sheet(hint: Beside) -> None:
    state = follow(Hints(beside=(hint,)), (BD, CD), FOUR)
    (new,) = fresh(state, (BD, CD))
    assert new.b == "a" and off(new) < 1.0


def test_elsewhere_a_loose_piece_is_not_taken() -> None:
    state = follow(Hints(near=(Near("d", (60, 40), 0.0, 4.0),)), (AB, AC), FOUR)
    assert has(state, AB, AC)
    assert only(state) == Told(Near("d", (60, 40), 0.0, 4.0), False, only(state).words, True)
    assert only(state).words == "refused: no place there at which the pictures agree"


def test_a_piece_laid_wrongly_goes_where_the_pictures_agree_better() -> None:
    wrong = link("b", "d", shift(5, -80), probability=0.8)  # 6 px to the right, 10 too low
    state = follow(Hints(near=(Near("d", WHERE_D, 0.0, 3.0),)), (AB, AC, wrong), FOUR)
    (new,) = fresh(state, (AB, AC, wrong))
    assert not any(one is wrong for one in state.links) and off(new) < 1.0 and only(state).followed
    said = replace(wrong, said=True)
    state = follow(Hints(near=(Near("d", WHERE_D, 0.0, 3.0),)), (AB, AC, said), FOUR)
    assert has(state, AB, AC, said)
    assert "or a place said to be held, say otherwise" in only(state).words and only(state).against


def test_a_piece_laid_rightly_stays_whatever_is_said() -> None:
    state = follow(Hints(near=(Near("d", (40, 30), 0.0, 4.0),)), RING, FOUR)
    assert has(state, *RING) and only(state).against and not only(state).followed
    assert only(state).words.startswith("refused: ")
    state = follow(Hints(beside=(Beside("d", "above", "c", 60.0, 0.0, 4.0),)), RING, FOUR)
    assert has(state, *RING) and not only(state).followed


def test_where_nothing_is_drawn_a_place_is_taken_from_who_says_so_but_not_against_the_pictures() -> None:
    places = {"a": (200, 10), "b": (265, 12), "e": (390, 15)}
    bare = pieces_at(places)
    ab = true_link(places, "a", "b")
    hint = Beside("e", "right", "b", 63.0, 0.0, 4.0)
    state = follow(Hints(beside=(hint,)), (ab,), bare)
    (new,) = fresh(state, (ab,))
    assert new.weak and new.loose_mm == 4.0 and only(state).followed
    assert only(state).words == "followed: nothing is drawn there to contradict it"
    # b fits a; that nothing contradicts it beside e is no reason to move it
    ae = link("a", "e", shift(-200, 130))
    state = follow(Hints(beside=(Beside("b", "left", "e", 70.0, 0.0, 4.0),)), (ab, ae), bare)
    assert (
        has(state, ab, ae) and only(state).words == "refused: nothing is drawn there, and elsewhere the pictures agree"
    )


def test_a_lone_piece_can_be_nowhere() -> None:
    alone = pieces_at({"a": (20, 20)})
    state = follow(Hints(near=(Near("a", (300, 300)),)), (), alone)
    assert only(state).words == "refused: there is no other piece" and only(state).against


@pytest.mark.parametrize(
    ("degrees", "turned", "fits"),
    [(180, True, True), (165, True, True), (90, True, False), (0, True, False), (0, False, True)],
)
def test_a_turn_chooses_among_what_a_closer_look_finds(degrees: float, turned: bool, fits: bool) -> None:
    upside = np.array([[-1, 0, 159 + 120], [0, -1, 119 + 2], [0, 0, 1.0]])  # of d after c
    found = link("d", "c", np.linalg.inv(upside)) if turned else CD
    pieces = pieces_at(PLACES, turned="d" if turned else "", closer=lambda a, b: found if a == "c" else None)
    state = follow(Hints(turn=(Turn("d", degrees),)), (AB, AC), pieces)
    told = only(state)
    assert told.followed is fits
    if fits:
        (new,) = fresh(state, (AB, AC))
        assert (new.a, new.b) == ("c", "d") and np.allclose(moved(new.b_from_a, new.xy_a), new.xy_b)
    else:
        assert has(state, AB, AC) and told.words == "refused: no place there at which the pictures agree"


GRID = Hints(grid=(Grid(2, ("a", "b", "c", "d")),))


def test_a_grid_that_the_pictures_say_too_changes_nothing() -> None:
    state = follow(GRID, RING, FOUR)
    assert has(state, *RING) and only(state).words == "nothing to change: the pictures say the same"


def test_a_loose_piece_is_looked_for_at_its_place_in_the_grid() -> None:
    state = follow(GRID, (AB, AC), FOUR)
    (new,) = fresh(state, (AB, AC))
    assert new.b == "d" and new.a in "bc" and off(new) < 1.0
    assert only(state) == Told(GRID.grid[0], True, "followed: d found at their places in it")
    # with two pieces alone the step to the next row is a usual one
    state = follow(Hints(grid=(Grid(2, ("a", "b", "c")),)), (AB,), FOUR)
    (new,) = fresh(state, (AB,))
    assert new.b == "c" and off(new) < 1.0


def test_doubtful_links_across_a_grid_are_not_used_and_sure_ones_overrule_it() -> None:
    row = Hints(grid=(Grid(4, ("a", "b", "d", "c")),))  # a row of four, in the order of the ring
    sure, weak = AC, replace(AC, probability=0.8)
    chain = (AB, BD, CD)
    state = follow(row, (*chain, weak), FOUR)
    assert has(state, *chain)
    assert only(state).words == "followed; links across it not used: a - c" and only(state).followed
    for doubtful in (replace(AC, weak=True), replace(AC, ambiguous=True)):
        assert has(follow(row, (*chain, doubtful), FOUR), *chain)
    for kept in (sure, replace(weak, said=True)):
        state = follow(row, (*chain, kept), FOUR)
        assert has(state, *chain, kept) and not only(state).followed and only(state).against
        assert only(state).words.startswith("overruled where the pictures are sure of other neighbors: a - c")


def test_links_of_pieces_beside_a_grid_stay() -> None:
    doubtful = replace(CD, probability=0.5)
    state = follow(Hints(grid=(Grid(2, ("a", "b")),)), (AB, AC, BD, doubtful), FOUR)
    assert has(state, AB, AC, BD, doubtful)


def test_an_island_stands_upright_at_its_top_left_corner() -> None:
    (layout,) = FOUR.laid(RING)
    sheet = sheet_of(layout, FOUR)
    assert sheet.px_per_mm == pytest.approx(PER_MM)
    middles = {name: middle_of(name, sheet) for name in PLACES}
    assert all(middles[name] == pytest.approx((np.array(PLACES[name]) - 10 + (79.5, 59.5)) / PER_MM) for name in PLACES)
    turned = np.array([[0, -1, 50], [1, 0, 70], [0, 0, 1.0]])
    askew = replace(layout, sheet_from_tile={name: turned @ place for name, place in layout.sheet_from_tile.items()})
    again = sheet_of(askew, FOUR)
    assert all(middle_of(name, again) == pytest.approx(middles[name], abs=0.3) for name in PLACES)


def test_hints_are_followed_in_a_fixed_order() -> None:
    hints = Hints(
        apart=(Apart("a", "d"),), together=(Together("a", "b"),), hold=(Hold("a"),), near=(Near("d", WHERE_D),),
        turn=(Turn("d", 0),), beside=(Beside("d", "right", "c", 60),), grid=GRID.grid,
    )  # fmt: skip
    kinds = [type(one.hint) for one in follow(hints, RING, FOUR).told]
    assert kinds == [Hold, Together, Near, Beside, Turn, Grid, Apart]
