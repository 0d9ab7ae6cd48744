"""I check where a view counts as table beyond doubt, and that works that come out askew are doubted."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from flat_photos import fit_of, photo, scaled

from stitchbed.core.errors import BadSettings
from stitchbed.photos.geometry.output_frame import Facing
from stitchbed.photos.geometry.plane_pose import PlaneFit, on_frame, photo_from_plane, placed
from stitchbed.photos.geometry.print_size import print_size
from stitchbed.photos.plane import named_size, survey
from stitchbed.photos.plane.doubts import ends_elsewhere, print_notes
from stitchbed.photos.plane.named_size import of_size
from stitchbed.photos.plane.solution import SQUARE_DEG, Solution, askew_deg, squarer
from stitchbed.photos.sides.edge_points import Side
from stitchbed.photos.sides.edge_shape import EdgeShape
from stitchbed.photos.sides.lines import SIDES, Line, corners_of, sides_through
from stitchbed.photos.survey import work_edges
from stitchbed.photos.survey.card_paper import Papers, overlapped, round_cards, sure_table
from stitchbed.photos.survey.measured_sides import ENDS_OF, softer
from stitchbed.photos.survey.plane_types import Asked, Found, plane_survey_of
from stitchbed.photos.survey.side_doubts import left_out_reasons, side_reasons
from stitchbed.photos.survey.work_edges import (
    SidesFound,
    _between_ends,
    _rectangles,
    _with_margins,
    sides_by_cards,
    work_corners,
)

VIEW = Facing(0.0, 0.0, 0.0, 600.0, 500.0)
DENSITY = 1.0  # px/mm
PLACES = {1: (40.0, 40.0), 2: (460.0, 40.0), 3: (460.0, 390.0), 4: (40.0, 390.0)}  # of corner cards' top left corners
WORK = np.array([[140.0, 120.0], [450.0, 120.0], [450.0, 380.0], [140.0, 380.0]])


def laid(*numbers: int) -> PlaneFit:
    """A photo of 600 x 500 mm with these corner cards; what is unsure counts as nothing."""
    fit = fit_of([photo(np.zeros((500, 600, 3), np.uint8))], [scaled(1.0)])
    params = on_frame(replace(fit, params=np.zeros_like(fit.params)), np.eye(3)).params
    return replace(fit, params=params, poses={f"corner {n}": np.array([*PLACES[n], 0.0]) for n in numbers})


@pytest.mark.parametrize("missing", [1, 2, 3, 4])
def test_three_cards_leave_the_work_at_the_fourth_corner_no_table(missing: int) -> None:
    """Beyond the triangle of three cards lies half of the work; once it counted as table."""
    nothing = np.zeros((500, 600), bool)
    three = [n for n in PLACES if n != missing]
    for numbers in (three, list(PLACES)):
        table = sure_table(nothing, nothing, laid(*numbers), Papers(), (VIEW, DENSITY))
        assert not table[120:380, 140:450].any()
        left, top = ({n in numbers for n in pair} == {True} for pair in ((1, 4), (1, 2)))
        right, bottom = ({n in numbers for n in pair} == {True} for pair in ((2, 3), (3, 4)))
        assert table[:30, 100:500].all() == top and table[-20:, 100:500].all() == bottom
        assert table[100:400, :30].all() == left and table[100:400, -20:].all() == right


@pytest.mark.parametrize(("missing", "box"), [(1, (-5, -5)), (2, (40, -5)), (3, (40, 40)), (4, (-5, 40))])
def test_a_work_may_reach_out_at_the_corner_whose_card_is_missing(missing: int, box: tuple[float, float]) -> None:
    """A margin of 13 mm beside a card laid above the work counted as table: 14 mm cut off the work."""
    whole = round_cards(laid(*PLACES), 0.0)
    three = round_cards(laid(*(n for n in PLACES if n != missing)), 0.0)
    assert (whole.x, whole.y) == (40.0, 40.0)
    assert (three.x, three.y) == pytest.approx(box)
    assert (three.width - whole.width, three.height - whole.height) == pytest.approx((45.0, 45.0))
    two = round_cards(laid(1, 3), 0.0)
    assert (two.width, two.height) == (whole.width, whole.height)


@pytest.mark.parametrize("read", [(1, 2, 3, 4), (1, 2, 4)])
def test_a_work_that_reaches_out_between_its_cards_is_found(read: tuple[int, ...]) -> None:
    """Cards at mid-height of its sides leave two of its corners out of what they bound, which then counts as table.

    Where one of the four was not read, nothing bounds the work there, and that it may end elsewhere is told.
    """
    fine, low, high = 3, np.array([170, 120]), np.array([560, 480])
    small = np.full((640, 760, 3), 90, np.uint8)
    small[low[1] : high[1], low[0] : high[0]] = 215
    cv2.ellipse(small, (300, 420), (80, 50), 0, 0, 360, (150, 110, 140), cv2.FILLED)
    places = ((200, 30), (580, 160), (580, 270), (60, 260))
    for x, y in places:
        small[y : y + 74, x : x + 96] = 235
    picture = cv2.GaussianBlur(cv2.resize(small, None, fx=fine, fy=fine, interpolation=cv2.INTER_NEAREST), (0, 0), 0.8)
    grain = np.random.default_rng(4).normal(0, 2, (*picture.shape[:2], 1))
    scene = [photo(np.clip(picture + grain, 0, 255).astype(np.uint8))]
    fit = fit_of(scene, [scaled(fine)])
    params = on_frame(replace(fit, params=np.zeros_like(fit.params)), np.eye(3)).params
    poses = {f"corner {n}": np.array([*at, 0.0], float) for n, at in enumerate(places, 1) if n in read}
    fit = replace(fit, params=params, poses=poses)
    found = sides_by_cards(scene, fit, None)
    assert found.lines is not None and bool(found.doubtful) == (len(read) < 4)
    corners = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    assert work_corners(fit, found, found.lines) == pytest.approx(corners, abs=0.3)


@pytest.mark.parametrize(
    ("numbers", "photos", "looks"), [((1,), 1, 1), ((1, 3), 1, 2), ((1, 3), 2, 1), ((1, 2, 3), 1, 2)]
)
def test_what_was_not_found_round_cards_is_sought_once_more(
    numbers: tuple[int, ...], photos: int, looks: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not beside a single card, nor where several photos show parts: there the work may go on beyond any such view."""
    views: list[Facing] = []

    def nothing(*how: Any, named: object, rim_only: bool = False, **_: object) -> SidesFound:
        assert rim_only == bool(views) and named is size
        views.append(how[3])
        return SidesFound({}, None, how[3], Papers())

    monkeypatch.setattr(work_edges, "_sides_in", nothing)
    monkeypatch.setattr(work_edges, "papers_of", lambda *_: Papers())
    scene = [photo(np.zeros((500, 600, 3), np.uint8))] * photos
    fit = fit_of(scene, [scaled(1.0)] * photos)
    for size in (None, (300.0, 200.0, 0.01)):  # of one that is named, too
        views.clear()
        sides_by_cards(scene, replace(fit, poses=laid(*numbers).poses, params=laid(1).params), None, named=size)
        assert len(views) == looks


def solved(corners: np.ndarray) -> Solution:
    found = SidesFound({}, None, VIEW, Papers())
    fit = laid(1, 2, 3)
    return Solution(print_size((160.0, 160.0)), fit, found, corners, (), (), lambda *_: fit)


def test_a_work_that_comes_out_askew_is_doubted() -> None:
    picture = [photo(np.zeros((500, 600, 3), np.uint8))]
    assert askew_deg(picture, solved(WORK)) == 0
    assert askew_deg(picture, solved(placed(np.array([5.0, 3.0, 0.2]), WORK))) == 0  # turned is not askew
    lower = WORK.copy()
    lower[0, 1] += 10  # mm over 310: 1.85 degrees
    assert askew_deg(picture, solved(lower)) == pytest.approx(1.85, abs=0.01)
    hardly = WORK.copy()
    hardly[0, 1] += 310 * np.tan(np.deg2rad(0.9 * SQUARE_DEG))
    assert askew_deg(picture, solved(hardly)) == 0


def squared(
    numbers: tuple[int, ...], names: tuple[str, ...] = SIDES, *, askew: float = 0.0, doubtful: tuple[str, ...] = ()
) -> bool:
    """Whether opposite sides of a work beside these cards count as alike long."""
    fit, asked = laid(*numbers), []
    ends = photo_from_plane(fit, 0, WORK)
    sides = {name: Side(name, ends[list(ENDS_OF[name])], 0.1, 1.0) for name in names}

    def solve(*how: object) -> PlaneFit:
        asked.append(how[-1])
        return fit

    found = SidesFound({0: sides}, sides_through(WORK), VIEW, Papers(), doubtful)
    squarer(replace(solved(WORK), fit=fit, found=found, askew_deg=askew, solve=solve))
    return asked == [True]


def test_sides_count_as_alike_long_where_a_card_alone_tells_less() -> None:
    """Four cards tell how long they are; a side that is askew, doubtful or not measured may not be the work's."""
    assert squared((1,)) and squared((1, 2)) and not squared((1, 2, 3))
    assert not squared((1,), SIDES[:3])
    assert not squared((1,), askew=0.9)
    assert not squared((1,), doubtful=SIDES)


def test_a_size_that_the_first_rectangle_has_not_is_looked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lines of a patterned table offer rectangles too; the work's is the one of the size that was named."""
    scene, looked = [photo(np.zeros((500, 600, 3), np.uint8))], []
    found = SidesFound({}, sides_through(WORK), VIEW, Papers())
    right = replace(solved(WORK), found=found)
    wrong = replace(right, corners=WORK.mean(0) + 0.7 * (WORK - WORK.mean(0)))
    nothing = replace(wrong, found=SidesFound({}, None, VIEW, Papers()))

    def again(*how: object, named: tuple[float, ...] | None = None) -> Solution:
        looked.append(named and named[:2])
        return right if named is not None and named[0] == 310 else nothing

    monkeypatch.setattr(named_size, "solved_by_cards", again)
    asked = Asked(size_mm=(310.0, 260.0))
    for first in (wrong, nothing):
        assert of_size(scene, (), asked, first).corners is right.corners
        assert (310.0, 260.0) in looked
    looked.clear()
    of_size(scene, (), asked, right)
    assert looked == [None]  # as the print is known better now
    with pytest.raises(BadSettings, match="measures 217"):
        of_size(scene, (), Asked(size_mm=(400.0, 260.0)), wrong)
    assert of_size(scene, (), Asked(size_mm=(400.0, 260.0)), nothing) is nothing


@pytest.mark.parametrize("doubtful", [(), SIDES])
def test_a_size_for_which_another_rectangle_is_passed_over_is_doubted(
    monkeypatch: pytest.MonkeyPatch, doubtful: tuple[str, ...]
) -> None:
    """A wrong size may be about that of the picture in its margin; a doubtful rectangle speaks against that one only,
    and against none that was sought among all lines."""
    scene = [photo(np.zeros((500, 600, 3), np.uint8))]
    within = WORK.mean(0) + 0.9 * (WORK - WORK.mean(0))
    whole = replace(solved(WORK), found=SidesFound({}, sides_through(WORK), VIEW, Papers(), doubtful, other=within))
    inner = replace(solved(within), found=SidesFound({}, sides_through(within), VIEW, Papers()))
    found = replace(inner.found, other=WORK, widened=True)
    assert "outer one was taken" in " ".join(ends_elsewhere(scene, replace(inner, found=found), Asked()))
    inner = replace(inner, found=found)  # here it is the inner one
    assert ends_elsewhere(scene, inner, Asked(sides="inner")) == []
    for sides, told in (("inner", True), ("auto", not doubtful)):

        def again(*how: Any, sides: str = sides, named: object = None) -> Solution:
            return inner if how[2].sides == sides and (named is not None or sides == "inner") else whole

        monkeypatch.setattr(named_size, "solved_by_cards", again)
        taken = of_size(scene, (), Asked(size_mm=(279.0, 234.0)), whole)
        said = ends_elsewhere(scene, taken, Asked())
        reasons = [one for one in said if "was taken for --size" in one]
        assert len(reasons) == told and (not told or not any("outer one" in one for one in said))
        assert all("measures 279 x 234 mm" in one and "the one of 310 x 260 mm" in one for one in reasons)
    kept = of_size(scene, (), Asked(size_mm=(310.0, 260.0)), whole)
    assert not any("was taken for --size" in one for one in ends_elsewhere(scene, kept, Asked()))


def test_a_print_that_the_size_alone_tells_of_is_told_where_it_is_off() -> None:
    """A size that is wrong in both directions alike looks like a print that was fitted to the page."""
    assert print_notes(Asked(size_mm=(310.0, 260.0)), 1.008) == []
    (note,) = print_notes(Asked(size_mm=(310.0, 260.0)), 0.93)
    assert "printed at 93.0 %" in note and "read 148.8 mm" in note
    assert print_notes(Asked(size_mm=(310.0, 260.0), printed_mm=(148.8, None)), 1.0) == []


def test_a_size_that_nothing_was_found_to_measure_by_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Else a result by the cards alone seemed to have the size that was given."""
    scene = [photo(np.zeros((500, 600, 3), np.uint8))]
    nothing = solved(WORK)
    whole = replace(nothing, found=SidesFound({}, sides_through(WORK), VIEW, Papers()))
    asked = Asked(size_mm=(310.0, 260.0))
    monkeypatch.setattr(survey, "_cards_in_any", lambda *_: ((("card",),), []))
    for first, used in ((nothing, False), (whole, True)):
        for module in (survey, named_size):
            monkeypatch.setattr(module, "solved_by_cards", lambda *_, first=first, **__: replace(first))
        notes = survey.survey_plane(scene, asked).warnings
        assert [("--size 310x260mm was not used" in note) for note in notes].count(True) == (not used)
        assert any("the print was not measured" in note for note in notes) == (not used)


def test_a_card_that_the_work_reaches_over_is_told() -> None:
    """Card 1 ends at 136, 114 mm: a raised face is seen over it, what lies beside it is not."""
    assert overlapped(laid(1, 2, 3, 4), WORK) == {}
    raised = WORK.copy()
    raised[0], raised[1, 1], raised[3, 0] = (130, 100), 100, 130
    assert overlapped(laid(1, 2, 3, 4), raised) == {"corner 1": pytest.approx(6, abs=0.1)}


def test_a_work_that_reaches_far_over_a_card_may_end_elsewhere() -> None:
    """By 6 mm a raised face may; by 24 mm a ruler that lies along a side may have been taken for part of the work."""
    scene = [photo(np.zeros((500, 600, 3), np.uint8))]
    for mm, told in ((10.0, False), (30.0, True)):
        corners = WORK - mm * np.array([[1, 1], [0, 1], [0, 0], [1, 0]])
        taken = replace(solved(corners), found=SidesFound({}, sides_through(corners), VIEW, Papers()))
        assert [("24 mm over the card corner 1" in reason) for reason in ends_elsewhere(scene, taken, Asked())] == [
            True
        ] * told


def test_the_side_face_of_a_raised_work_is_told() -> None:
    picture = np.full((500, 600, 3), 60, np.uint8)
    picture[120:380, 140:450] = 190
    picture[160:300, 200:400] = 120
    flat, scene = laid(1, 2, 3, 4), [photo(picture)]
    assert side_reasons(scene, flat, Papers(), WORK) == []
    picture[120:380, 140:149] = 130
    (reason,) = side_reasons([photo(picture)], flat, Papers(), WORK)
    assert "9 mm within its left side" in reason


def test_a_side_in_a_sharp_shadow_lies_at_either_end_of_it() -> None:
    """What is 8 mm wide beside the work may be its shadow, or a band of it."""
    sides = {name: Side(name, np.zeros((2, 2)), 0.1, 1.0) for name in ("right", "left")}
    lines = sides_through(WORK)
    outer = {"right": Line(lines["right"].angle, lines["right"].offset + 8)}
    found = SidesFound({0: sides}, lines, VIEW, Papers(), left_out=outer)
    each = _between_ends(found, laid(1, 2, 3, 4))[0]
    assert each["left"].other_xy is None and each["right"].other_xy is not None
    assert each["right"].other_xy == pytest.approx(np.array([[458.0, 120], [458, 380]]), abs=0.6)
    assert "beyond its right and its top side" in left_out_reasons(["right", "top"])[0]
    assert left_out_reasons({}) == []


def test_a_doubtful_rectangle_that_reaches_far_over_a_card_is_none() -> None:
    """Where too little table is sure to tell what lies on it, all there is are straight edges."""
    view = np.full((500, 600, 3), 120, np.uint8)
    view[100:400, 120:480] = 225
    nothing, table = np.zeros(view.shape[:2], bool), np.zeros(view.shape[:2], bool)
    table[5:15, 5:15] = True
    outline, beside = next(_rectangles(view, nothing, table, lambda _: 0.0))
    assert outline is None
    assert corners_of(beside)[0] == pytest.approx([119.5, 99.5], abs=1)
    assert list(_rectangles(view, nothing, table, lambda _: 25.0)) == []


def test_a_side_taken_at_the_picture_goes_on_to_where_its_margin_ends() -> None:
    """A dark picture in a pale margin of 20 px, on gray; its left side was taken where the picture begins."""
    view = np.full((500, 600, 3), 120, np.uint8)
    view[100:400, 120:480] = 225
    view[120:380, 140:460] = 50
    whole = np.array([[119.5, 99.5], [479.5, 99.5], [479.5, 399.5], [119.5, 399.5]])
    nothing = np.zeros(view.shape[:2], bool)
    for away, left in ((20, whole), (0, whole)):
        taken = sides_through(left + away * np.array([[1, 0], [0, 0], [0, 0], [1, 0]]))
        assert corners_of(_with_margins(taken, view, nothing, DENSITY)) == pytest.approx(whole, abs=2.0)


def test_why_a_work_may_end_elsewhere_is_one_note_and_a_fact_of_its_own() -> None:
    scene = [photo(np.zeros((500, 600, 3), np.uint8))]
    for ends in ((), ("a corner is 3 degrees off square", "another edge runs within it")):
        found = Found(((),), {}, WORK, True, ends=ends)
        plane = plane_survey_of(scene, laid(1, 2, 3, 4), found, Asked(), ["a card is bent"])
        assert plane.ends_doubtful == bool(ends)
        assert plane.warnings[-1] == "a card is bent" and len(plane.warnings) == 1 + bool(ends)
        assert all(reason in plane.warnings[0] for reason in ends)


def test_a_shadow_ends_far_softer_than_anything_cut() -> None:
    def side(width: float) -> Side:
        return Side("left", np.zeros((2, 2)), 0.1, 1.0, shape=EdgeShape(width, 0.0, 0.0))

    cut = {0: {"left": side(1.1), "top": side(0.9)}, 1: {"left": side(1.0)}}
    assert softer(cut, {0: {"left": side(3.0)}}, "left")
    assert not softer(cut, {0: {"left": side(1.8)}}, "left")  # as a band's, or as that of a sharp shadow
    assert not softer(cut, {0: {"left": side(3.0)}, 1: {"left": side(1.5)}}, "left")
    assert not softer(cut, {0: {"top": side(3.0)}}, "left")
