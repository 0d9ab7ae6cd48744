"""I check the motions made of what a person said, on pieces cut from one drawing by whole pixels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from laid_pieces import DPI, EVIDENCE, PER_MM, SIZE, detail_at, shift

from stitchbed.core.arrays import Array
from stitchbed.imaging.transforms import moved, scale_of, turn_of
from stitchbed.matching.overlap_evidence import Detail, compare, probability
from stitchbed.mosaic.hints.kinds import SamePoint
from stitchbed.mosaic.hints.motions import (
    Sheet,
    bare_place,
    by_place,
    by_points,
    middle_of,
    place_at,
    thin,
    turn_between,
    turn_on,
    turned_by,
)
from stitchbed.mosaic.linking.link_graph import corners

PLACES = {"a": (10, 15), "b": (110, 30), "c": (120, 125)}
BARE = {"a": (265, 15), "b": (350, 20)}  # the drawing ends within a; b holds nothing


def details(places: dict[str, tuple[int, int]], a: str, b: str) -> tuple[Detail, Detail]:
    """What both show."""
    return detail_at(*places[a]), detail_at(*places[b])


def said(xy_a: tuple[float, float], xy_b: tuple[float, float], within_mm: float = 0.5) -> SamePoint:
    """One point said of a and b."""
    return SamePoint("a", xy_a, "b", xy_b, within_mm=within_mm)


def off(motion: Array, truth: Array) -> float:
    """px by which corners of a piece lie wrongly at most."""
    return float(np.hypot(*(moved(motion, corners(SIZE)) - moved(truth, corners(SIZE))).T).max())


TRUTH = shift(-100, -15)  # b_from_a


def test_points_that_are_right_give_the_motion_and_are_believed() -> None:
    both = (said((125, 30), (25, 15)), said((150, 110), (50, 95)))
    found = by_points(both, details(PLACES, "a", "b"), 1.0, PER_MM, turns=(0.0,), evidence=EVIDENCE)
    assert off(found.link.b_from_a, TRUTH) < 0.3
    assert (found.link.said, found.link.probability, found.link.loose_mm, found.bare) == (True, 1.0, 0.0, False)
    assert found.seen.score > 0.9 and found.link.agreement == found.seen.score
    assert found.link.sigma == 0.5 * PER_MM / 2
    assert np.array_equal(found.link.xy_a, [(125, 30), (150, 110)])


@pytest.mark.parametrize("turns", [(0.0,), (0.0, 90.0, 180.0, 270.0)])
def test_one_point_and_the_pictures_give_the_turn(turns: tuple[float, ...]) -> None:
    point = said((140, 50), (42, 33), 1.0)
    found = by_points([point], details(PLACES, "a", "b"), 1.0, PER_MM, turns=turns, evidence=EVIDENCE)
    assert off(found.link.b_from_a, TRUTH) < 1.0  # the pictures mend the millimeter by which the point was missed


def test_a_piece_that_lay_upside_down_is_turned_about_its_point() -> None:
    pair = detail_at(*PLACES["a"]), detail_at(*PLACES["b"], half_turn=True)
    truth = np.array([[-1, 0, 159 + 100], [0, -1, 119 + 15], [0, 0, 1]])
    point = said((140, 50), tuple(moved(truth, np.array([[140.0, 50.0]]))[0]))
    found = by_points([point], pair, 1.0, PER_MM, turns=(0.0, 90.0, 180.0, 270.0), evidence=EVIDENCE)
    assert off(found.link.b_from_a, truth) < 1.0


def test_points_are_followed_against_the_pictures() -> None:
    both = (said((125, 30), (25, 45)), said((150, 110), (50, 125)))  # 15 mm off
    found = by_points(both, details(PLACES, "a", "b"), 1.0, PER_MM, turns=(0.0,), evidence=EVIDENCE)
    assert off(found.link.b_from_a, shift(-100, 15)) < 1e-6
    assert found.link.said and found.seen.score < 0.5 and not found.bare


def test_the_scale_is_that_of_the_dpi_unless_points_clearly_say_otherwise() -> None:
    pair = details(BARE, "a", "b")
    for factor, scale in ((1.004, 1.0), (1.1, 1.1)):  # of 150 px .6 more is said within .5 mm, 15 are not
        both = [said((5, 5), (5, 5)), said((155, 5), (5 + 150 * factor, 5))]
        found = by_points(both, pair, 1.0, PER_MM, turns=(0.0,), evidence=EVIDENCE)
        assert scale_of(found.link.b_from_a) == pytest.approx(scale)
        assert moved(found.link.b_from_a, np.array([[80.0, 5]]))[0] == pytest.approx((5 + 75 * factor, 5))
    half = by_points([said((10, 10), (5, 5))], pair, 0.5, PER_MM, turns=(90.0,), evidence=EVIDENCE)
    assert (scale_of(half.link.b_from_a), turn_of(half.link.b_from_a)) == pytest.approx((0.5, np.pi / 2))


def test_over_bare_paper_the_place_is_as_said_and_loose() -> None:
    pair = details(BARE, "a", "b")
    one = by_points([said((100, 30), (15, 25), 0.8)], pair, 1.0, PER_MM, turns=(0.0,), evidence=EVIDENCE)
    assert one.bare and one.link.said and off(one.link.b_from_a, shift(-85, -5)) < 1e-6
    # within, and what a degree moves the far end of 60 x 80 mm by
    assert one.link.loose_mm == pytest.approx(0.8 + 100 * np.sin(np.radians(1)), abs=0.01)
    two = [said((100, 30), (15, 25), 0.8), said((150, 100), (65, 95), 0.3)]
    assert by_points(two, pair, 1.0, PER_MM, turns=(0.0,), evidence=EVIDENCE).link.loose_mm == 0.8


def laid(places: dict[str, tuple[int, int]], *names: str, upright: Array | None = None) -> Sheet:
    """Some of the pieces laid out in px of the drawing; what all of them show."""
    found = {name: shift(*places[name]) for name in names}
    shown = {name: detail_at(*at) for name, at in places.items()}
    dpi = dict.fromkeys(places, DPI)
    return Sheet(found, dict.fromkeys(places, SIZE), shown, dpi, PER_MM, np.eye(3) if upright is None else upright)


def test_a_piece_is_found_near_where_it_was_said_to_lie() -> None:
    sheet = laid(PLACES, "a", "c")
    found = by_place("b", shift(116, 25), sheet, 6.0, evidence=EVIDENCE)  # 4 mm off
    assert {one.link.a for one in found} == {"a", "c"} and all(one.link.b == "b" for one in found)
    assert [one.link.probability for one in found] == sorted((one.link.probability for one in found), reverse=True)
    for one in found:
        truth = shift(*np.subtract(PLACES[one.link.a], PLACES["b"]))
        assert off(one.link.b_from_a, truth) < 1.0
        assert one.link.probability > 0.99 and one.link.agreement > 0.8 and not one.link.said
        assert np.allclose(moved(one.link.b_from_a, one.link.xy_a), one.link.xy_b)


def test_elsewhere_it_is_not_believed_or_not_found() -> None:
    for there in (shift(165, 30), shift(30, 90)):
        found = by_place("b", there, laid(PLACES, "a"), 4.0, evidence=EVIDENCE)
        assert all(one.link.probability < 0.5 for one in found)
        # and what was found lies where it was looked for
        for one in found:
            middle = np.linalg.inv(one.link.b_from_a) @ [79.5, 59.5, 1]
            said_there = there[:2, 2] - PLACES["a"] + (79.5, 59.5)
            assert np.hypot(*(middle[:2] - said_there)) < 1.2 * 4.0 * PER_MM
    assert by_place("b", shift(10 + 160 + 25, 30), laid(PLACES, "a"), 4.0, evidence=EVIDENCE) == []  # 12 mm beside
    assert by_place("b", shift(110, 30), laid(PLACES, "b"), 4.0, evidence=EVIDENCE) == []


def test_being_where_it_was_said_speaks_for_a_place() -> None:
    (found,) = by_place("b", shift(110, 30), laid(PLACES, "a"), 4.0, evidence=EVIDENCE)
    chance = probability(found.seen, EVIDENCE)
    assert found.link.probability == pytest.approx(1 / (1 + (1 / chance - 1) * np.exp(-1.5)))


def test_a_narrow_strip_is_looked_at_with_thinner_rims() -> None:
    assert (thin(EVIDENCE).rim_mm, thin(EVIDENCE).cell_mm) == (0.6, 4.0)
    assert replace(thin(EVIDENCE), rim_mm=EVIDENCE.rim_mm, cell_mm=EVIDENCE.cell_mm) == EVIDENCE
    places = {"a": (10, 15), "b": (10 + 160 - 10, 15)}  # 5 mm shared: nothing is left without two rims of 2.5
    found = by_place("b", shift(160, 15), laid(places, "a"), 3.0, evidence=EVIDENCE)
    assert [one.link.loose_mm for one in found] == [2.0]
    assert off(found[0].link.b_from_a, shift(-150, 0)) < 2


def test_a_bare_place_is_as_said_and_weak() -> None:
    found = bare_place("b", shift(350, 20), laid(BARE, "a"), 5.0, EVIDENCE)
    assert found is not None and found.bare and np.allclose(found.link.b_from_a, shift(-85, -5))
    assert (found.link.weak, found.link.loose_mm, found.link.probability) == (True, 5.0, 0.9)
    assert found.link.sigma == 5.0 * PER_MM / 2
    assert np.allclose(found.link.xy_b, corners(SIZE)) and np.allclose(found.link.xy_a, corners(SIZE) + (85, 5))
    assert bare_place("b", shift(110, 30), laid(PLACES, "a"), 5.0, EVIDENCE) is None  # there is drawing
    assert bare_place("b", shift(450, 20), laid(BARE, "a"), 5.0, EVIDENCE) is None  # nobody is there
    assert compare(shift(-85, -5), details(BARE, "a", "b"), EVIDENCE).strong < 1


UPRIGHT = turned_by(-30.0, 1.0) + np.array([[0, 0, 40], [0, 0, 90], [0, 0, 0]])


@given(st.floats(-180, 180), st.floats(0, 300), st.floats(0, 300))
@settings(max_examples=15, deadline=None)
def test_a_place_said_is_read_again_as_it_was(degrees: float, x: float, y: float) -> None:
    fine = Sheet({}, {"p": (101, 51)}, {}, {"p": 2 * DPI}, PER_MM, UPRIGHT)
    there = place_at(np.array([x, y]), degrees, fine, "p")
    sheet = replace(fine, places={"p": there})
    assert middle_of("p", sheet) == pytest.approx((x, y), abs=1e-9)
    assert turn_between(turn_on("p", sheet), degrees) < 1e-9
    assert scale_of(there) == pytest.approx(0.5)  # of a piece with twice the dpi


def test_turns_by_hand() -> None:
    assert moved(turned_by(90.0, 2.0), np.array([[1.0, 0.0]]))[0] == pytest.approx((0, 2))  # right goes down
    cases = [(0, 0, 0), (350, 10, 20), (10, 350, 20), (-90, 270, 0), (0, 180, 180), (45, -120, 165), (725, 0, 5)]
    for one, two, apart in cases:
        assert turn_between(one, two) == pytest.approx(apart)
