"""I check the dust step on a small page of ink: what is taken, what is excepted, and where the record says it lies."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from finds_table import table
from ink_pages import INK, PAPER, blank, capsule, seen, stroke

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.core.record import Record
from stitchbed.page.clean.context import CleanContext, desk_of
from stitchbed.page.clean.dusting import KEEP_MM, covered_by, dust, excepted, touched
from stitchbed.page.clean.pictures import Album
from stitchbed.page.clean.plan import CleanPlan
from stitchbed.page.clean.steps import framed_desk, paper, tone
from stitchbed.page.dust.classify import LEARNED_MM, DustSettings, believed
from stitchbed.page.page import page_of_array
from stitchbed.page.sheet.border import BorderSettings
from stitchbed.page.sheet.lamp import lamp_only
from stitchbed.page.sheet.tone import ToneSettings, lightness
from stitchbed.page.sheet.white import PaperSettings

DPI = 300
SIDE = (30.0, 24.0)  # mm
SPECKS = [(22.0, 5.0), (25.0, 18.0), (5.0, 20.0)]  # mm from the top left
TINT = np.array([1.0, 0.96, 0.9], np.float32)


@pytest.fixture(scope="module")
def desk() -> CleanContext:
    """A page with strokes of solid ink and three gray specks on bare paper."""
    sheet = blank(*SIDE, DPI)
    for n in range(5):
        stroke(sheet, [(4 + 3 * n, 4), (6 + 3 * n, 14)], 0.6)
    light = PAPER + (INK - PAPER) * sheet.ink
    for x, y in SPECKS:
        place, cover = capsule(sheet, (x, y), (x + 0.1, y), 0.25)
        light[place] += cover * (0.4 - light[place])
    codes = seen(light[..., None] * TINT, DPI, np.random.default_rng(1), dtype="uint16")
    return desk_of(page_of_array(codes, DPI), Path("nowhere.tif"), Album(None, Path("nowhere.tif")), 1)


@pytest.fixture(scope="module")
def begun(desk: CleanContext) -> tuple[CleanContext, CleanPlan]:
    """The desk under a frame that cuts nothing off, and the plan that only frames."""
    frame = framed_desk(desk, BorderSettings(crop=False, straighten=False), Record("border"))
    return desk.on(frame, PaperSettings())


def test_the_desk_knows_its_page(desk: CleanContext, begun: tuple[CleanContext, CleanPlan]) -> None:
    page = desk.page
    assert desk.area == page.box and desk.boxes == ()
    high, wide = desk.view.shape[:2]
    assert (high * desk.factor, wide * desk.factor) == pytest.approx((page.height, page.width), abs=desk.factor)
    framed, plan = begun
    assert framed.area == page.box and len(framed.boxes) > 0
    assert plan.medium.name == "ink" and not plan.medium.asked and plan.traits.found and not plan.even
    assert plan.white.mean / plan.white.mean[0] == pytest.approx(TINT, abs=0.01)
    told, other = desk.on(plan.frame, PaperSettings(), "pencil")
    assert told.boxes == framed.boxes and other.medium.name == "pencil" and other.medium.asked
    assert np.array_equal(other.white.grid, lamp_only(plan.white).grid)  # washes stay: the lamp alone is evened
    assert not np.array_equal(other.white.grid, plan.white.grid)


def test_a_frame_that_cuts_nothing_says_so(desk: CleanContext) -> None:
    record = Record("border")
    frame = framed_desk(desk, BorderSettings(crop=False, straighten=False), record)
    assert (frame.height, frame.width) == (desk.page.height, desk.page.width) and not frame.resampled
    assert record.numbers["width_mm"] == pytest.approx(SIDE[0], abs=0.1) and record.numbers["skew_deg"] == 0
    assert record.warnings == []
    framed_desk(desk, BorderSettings(), record)  # no lid shows: nothing is cut off, and that is said
    assert "no edge of the sheet was found on: top, right, bottom, left" in record.warnings[0]


def test_paper_and_tone_tell_what_they_set(begun: tuple[CleanContext, CleanPlan]) -> None:
    framed, plan = begun
    record = Record("paper")
    even = paper(framed, plan, PaperSettings(), record)
    assert even.even and record.warnings == []
    assert record.numbers["paper_lightness"] == pytest.approx(lightness(PAPER * 0.965), abs=0.7)
    assert record.numbers["unevenness_after"] <= record.numbers["unevenness_before"] + 1e-6
    # a light that was never there: dividing by it would make even paper uneven, so it stays
    slope = np.linspace(0.9, 1.1, plan.white.grid.shape[1], dtype=np.float32)[None, :, None] * PAPER
    wrong = replace(plan.white, grid=slope * np.ones_like(plan.white.grid), cells=np.full_like(plan.white.cells, PAPER))
    record = Record("paper")
    assert not paper(framed, replace(plan, white=wrong), PaperSettings(), record).even
    assert record.numbers["unevenness_after"] == record.numbers["unevenness_before"] == 0
    assert str(record.numbers["words"]).endswith("left as it is")
    record = Record("tone")
    after = tone(framed, even, ToneSettings(), record)
    assert after.tone is not None and record.numbers["ink_found"]
    assert record.numbers["ink_lightness"] == pytest.approx(lightness(INK), abs=3)
    assert record.numbers["black_point_lightness"] < record.numbers["white_point_lightness"]


def test_specks_are_taken_and_listed_where_they_lie(begun: tuple[CleanContext, CleanPlan]) -> None:
    framed, plan = begun
    record = Record("dust")
    after = dust(framed, plan, DustSettings(), record)
    assert after.dust is not None and after.dust.count == record.numbers["dust"] == len(SPECKS)
    told = sorted((one["x_mm"], one["y_mm"]) for one in record.numbers["taken_places"])
    true = sorted((x + 0.05, y) for x, y in SPECKS)
    assert np.abs(np.array(told) - true).max() < 0.2
    sizes = [one["size_mm"] for one in record.numbers["taken_places"]]
    assert sizes == sorted(sizes, reverse=True)
    area = SIDE[0] * SIDE[1] / 100
    assert record.numbers["dust_per_cm2"] == pytest.approx(len(SPECKS) / area, rel=0.02)
    assert record.numbers["seen_by_two_pieces"] is None and record.numbers["excepted"] == 0


def test_no_longer_marks_are_looked_at_than_were_learned_from(begun: tuple[CleanContext, CleanPlan]) -> None:
    framed, plan = begun
    usual, long = Record("dust"), Record("dust")
    dust(framed, plan, DustSettings(), usual)
    dust(framed, plan, DustSettings(largest=2.5), long)
    assert long.numbers == usual.numbers
    (words,) = set(long.warnings) - set(usual.warnings)
    assert words.startswith(
        "of one scan of ink, marks longer than 0.6 mm were left, but for hairs, though dust up to 2.5 mm"
    )


def test_longer_dust_is_believed_where_more_tells_of_it() -> None:
    wish = DustSettings(largest=2.5)
    assert believed(wish, "ink").largest == LEARNED_MM
    assert believed(replace(wish, strength="normal"), "ink").largest == LEARNED_MM
    assert believed(replace(wish, strength="eager"), "ink") == replace(wish, strength="eager")
    assert believed(replace(wish, second=Path("other.tif")), "ink").largest == 2.5
    assert believed(wish, "pencil") == wish
    assert believed(DustSettings(largest=0.3), "ink").largest == 0.3


def test_what_is_excepted_stays(begun: tuple[CleanContext, CleanPlan]) -> None:
    framed, plan = begun
    record = Record("dust")
    keep = DustSettings(keep=((22.4, 5.0),), spare=((24.0, 17.0, 3.0, 3.0),))
    after = dust(framed, plan, keep, record)
    assert after.dust is not None and after.dust.count == 1
    assert record.numbers["excepted"] >= 2
    (left,) = record.numbers["taken_places"]
    assert (left["x_mm"], left["y_mm"]) == pytest.approx((5.05, 20.0), abs=0.2)
    everywhere = replace(keep, spare=((0.0, 0.0, *SIDE),))
    assert dust(framed, plan, everywhere, Record("dust")).dust is None


def test_exceptions_are_discs_and_rectangles() -> None:
    places = np.array(
        [[5.0, 5.0], [5.0 + KEEP_MM, 5.0], [5.01 + KEEP_MM, 5.0], [10.0, 10.0], [14.0, 12.0], [14.1, 12.0]]
    )
    settings = DustSettings(keep=((5.0, 5.0),), spare=((10.0, 10.0, 4.0, 2.0),))
    assert excepted(places, settings).tolist() == [True, True, False, True, True, False]
    assert not excepted(places, DustSettings()).any()
    assert len(excepted(np.zeros((0, 2)), settings)) == 0


def test_a_gray_in_a_speck_goes_with_it() -> None:
    finds = replace(
        table({}, {}, {}),
        owner=np.array([0, 0, 1, 1, 2, 2], np.int32),
        rows=np.array([4, 4, 4, 5, 7, 8], np.int32),
        cols=np.array([4, 5, 5, 5, 0, 5], np.int32),
    )
    assert touched(finds, np.array([True, False, False])).tolist() == [True, True, False]
    assert touched(finds, np.array([False, False, True])).tolist() == [False, False, True]
    assert touched(finds, np.zeros(3, bool)).tolist() == [False, False, False]
    assert touched(table(), np.zeros(0, bool)).tolist() == []


def test_a_find_is_covered_by_chosen_ones_where_most_of_its_pixels_are_theirs() -> None:
    finds = replace(
        table({}, {}, {}),
        owner=np.array([0, 0, 1, 1, 1, 2, 2], np.int32),
        rows=np.array([4, 4, 4, 4, 5, 4, 9], np.int32),
        cols=np.array([4, 5, 4, 5, 5, 5, 9], np.int32),
    )
    assert covered_by(finds, np.array([True, False, False])).tolist() == [True, True, False]
    assert covered_by(finds, np.zeros(3, bool)).tolist() == [False, False, False]


def test_a_coarse_page_is_told(begun: tuple[CleanContext, CleanPlan]) -> None:
    framed, plan = begun
    coarse = replace(framed, page=replace(framed.page, dpi=150.0))
    record = Record("dust")
    dust(coarse, plan, DustSettings(), record)
    assert any("at 150 dpi most dust is no larger than a pixel" in words for words in record.warnings)
    assert MM_PER_INCH / 150 > 0.15


def test_ink_that_shows_through_chalk_is_no_dust() -> None:
    toned, through = 0.45, SPECKS[1]
    sheet = blank(*SIDE, DPI)
    for n in range(5):
        stroke(sheet, [(4 + 3 * n, 4), (6 + 3 * n, 14)], 0.6)
    light = toned + (INK - toned) * sheet.ink
    chalk, cover = capsule(sheet, (23.5, 18), (26.5, 18), 3)
    light[chalk] += cover * (0.65 - light[chalk])
    for x, y in SPECKS:
        place, cover = capsule(sheet, (x, y), (x + 0.1, y), 0.25)
        light[place] += cover * (0.2 - light[place])
    codes = seen(light[..., None] * TINT, DPI, np.random.default_rng(1), dtype="uint16")
    desk = desk_of(page_of_array(codes, DPI), Path("nowhere.tif"), Album(None, Path("nowhere.tif")), 1)
    frame = framed_desk(desk, BorderSettings(crop=False, straighten=False), Record("border"))
    framed, plan = desk.on(frame, PaperSettings(), "ink")
    record, eager = Record("dust"), Record("dust")
    dust(framed, plan, DustSettings(), record)
    told = {(round(one["x_mm"]), round(one["y_mm"])) for one in record.numbers["taken_places"]}
    assert told == {(round(x), round(y)) for x, y in SPECKS if (x, y) != through}
    dust(framed, plan, DustSettings(strength="eager"), eager)
    assert any(np.hypot(one["x_mm"] - 25, one["y_mm"] - 18) < 0.3 for one in record.numbers["doubtful_places"])
    assert eager.numbers["dust"] > record.numbers["dust"]
