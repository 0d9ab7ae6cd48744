"""I check to which piece a fault that pairs show is given, on evidence made by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_evidence import DPI, REDUCTION, ROWS, course, evidence, look

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.inspection.checks.head import without_head
from stitchbed.inspection.checks.jumps import jumps_of_either
from stitchbed.inspection.checks.pairs import of_either, pair_findings, stretches_of_either, uneven
from stitchbed.inspection.differences import Difference, Sight, Stripes
from stitchbed.inspection.findings import Finding
from stitchbed.inspection.fineness import SMEAR_CELLS
from stitchbed.inspection.overlaps import Comparison
from stitchbed.inspection.patches import Course
from stitchbed.inspection.specks import LEAST_DUST

CM2 = 1 / (REDUCTION / DPI * 2.54) ** 2  # view px in a square centimeter
CLEAN = Sight(None, 0, 40, 10 * CM2, 0)


def judged(count: int, *courses: Course) -> list[tuple[int, Finding]]:
    """What is said of `count` pieces once the head has its share."""
    return pair_findings(evidence(count, courses=without_head(courses, [look()] * count, [DPI] * count)))


def only(found: list[tuple[int, Finding]]) -> tuple[int, Finding]:
    """The one finding there is."""
    assert len(found) == 1, found
    return found[0]


# --- stretch


@pytest.mark.parametrize(("size", "word"), [(0.01, "long"), (-0.008, "short")])
def test_a_stretch_is_given_to_the_piece_that_has_it(size: float, word: str) -> None:
    courses = (course(0, 1, along=size), course(1, 2, along=-size), course(0, 2))
    index, finding = only(pair_findings(evidence(3, courses=courses)))
    assert (index, finding.fault, finding.level) == (1, "stretched", "redo")
    assert finding.numbers["percent"] == pytest.approx(100 * size, abs=0.02)
    assert f"{100 * abs(size):.1f} % too {word} along the travel" in finding.why


def test_a_pair_alone_does_not_tell_which_of_the_two_is_stretched() -> None:
    pair = evidence(2, courses=(course(0, 1, 0.0, 0.011),))
    assert pair_findings(pair) == []
    (finding,) = stretches_of_either(pair)
    assert (finding.fault, finding.level, finding.numbers) == ("stretched", "redo", {"percent": 1.1})
    assert finding.why == "0 or 1: one of the two is 1.1 % too long or too short along the travel of the head"
    assert stretches_of_either(evidence(2, courses=(course(0, 1, 0.011, 0.011),))) == []  # another scale
    assert stretches_of_either(evidence(3, courses=(course(0, 1, 0.0, 0.011), course(1, 2)))) == []  # a third tells
    strip = {"ways": (np.inf, 10 / MM_PER_INCH * DPI), "spans": ((0.8 * ROWS, ROWS), (0.0, 0.2 * ROWS))}
    below = evidence(3, courses=(course(0, 1, 0.0, 0.011), course(1, 2, **strip)))  # over so short a way it does not
    assert pair_findings(below) == [] and len(stretches_of_either(below)) == 1


def test_what_short_overlaps_differ_by_is_no_vote_against_what_long_ones_show() -> None:
    """The first of three side by side is short; from the rows above all three seem otherwise, by a head over 30 mm."""
    strip = {"ways": (np.inf, 30 / MM_PER_INCH * DPI), "spans": ((0.8 * ROWS, ROWS), (0.0, 0.2 * ROWS))}
    row = {"ways": (np.inf, 150 / MM_PER_INCH * DPI)}
    above = [course(k, k + 1, **row) for k in (0, 1)]
    over = [course(k, k + 3, along=size, **strip) for k, size in enumerate((-0.0044, 0.0062, 0.0081))]
    beside = course(3, 4, along=0.0099, **row), course(4, 5, along=-0.0011, **row)
    index, finding = only(judged(6, *above, *over, *beside))
    assert (index, finding.fault) == (3, "stretched")


def test_a_short_overlap_that_errs_makes_no_piece_stretched() -> None:
    """Two rows of three, held together by one overlap of 7 mm alone, of which the head makes 1.3 %."""
    mm = DPI / MM_PER_INCH
    row, below = (60 * mm, 100 * mm), (80 * mm, 7 * mm)
    pairs = (0, 1, 0.01), (1, 2, 0.0), (3, 4, 0.0), (4, 5, 0.0)
    courses = (*(course(a, b, along=size, ways=row) for a, b, size in pairs), course(2, 5, along=-0.0134, ways=below))
    index, finding = only(pair_findings(evidence(6, courses=courses)))
    assert (index, finding.fault) == (0, "stretched")


def test_a_course_gone_wrong_is_outvoted() -> None:
    true = {2: 0.012}
    courses = [course(a, b, true.get(b, 0) - true.get(a, 0)) for a in range(5) for b in range(a + 1, 5)]
    courses[0] = course(0, 1, across=0.2)
    index, finding = only(pair_findings(evidence(5, courses=tuple(courses))))
    assert index == 2 and finding.numbers["percent"] == pytest.approx(1.2, abs=0.02)
    assert "across the travel" in finding.why


def test_neighbors_of_a_stretched_piece_are_not_stretched_themselves() -> None:
    """What holds the rows of a 3 x 3 grid to each other is short, and a head that goes unevenly moves it."""
    strip = (np.inf, 35 / MM_PER_INCH * DPI)
    size = [0.01 if k == 4 else 0.0 for k in range(9)]
    beside = [course(k, k + 1, along=size[k + 1] - size[k]) for k in (0, 1, 3, 4, 6, 7)]
    below = [course(k, k + 3, along=size[k + 3] - size[k] - 0.006, ways=strip) for k in range(6)]
    index, finding = only(pair_findings(evidence(9, courses=tuple(beside + below))))
    assert (index, finding.fault) == (4, "stretched")


def test_what_all_rows_of_a_set_show_of_the_rows_below_is_the_heads() -> None:
    """The head goes 1.2 % too fast at its end: each row ends so beside the next one's beginning, whoever lies there."""
    end, beginning = (0.8 * ROWS, ROWS), (0.0, 0.2 * ROWS)
    head = {"spans": (end, beginning), "ways": (np.inf, 60 / MM_PER_INCH * DPI)}
    for slipped in ({}, {4: 0.01}):
        size = [slipped.get(k, 0.0) for k in range(9)]
        beside = [course(k, k + 1, along=size[k + 1] - size[k]) for k in (0, 1, 3, 4, 6, 7)]
        below = [course(k, k + 3, along=size[k + 3] - size[k] - 0.012, **head) for k in range(6)]
        turned = replace(below[2], a=5, b=2, stretch=-below[2].stretch, spans=(beginning, end))
        found = judged(9, *beside, *below[:2], turned, *below[3:])
        assert [(index, finding.fault) for index, finding in found] == [(k, "stretched") for k in slipped]
    few = [course(a, b, along=0.01 * ((b == 1) - (a == 1))) for a, b in ((0, 1), (1, 2), (3, 4), (4, 5))]
    over = [course(a, b, along=0.009 - 0.01 * (a == 1), **head) for a, b in ((0, 3), (1, 3), (1, 4), (1, 5), (2, 5))]
    assert only(judged(6, *few, *over))[0] == 1  # though most of those pairs are its own
    column = (course(0, 1, along=0.01, spans=(end, beginning)), course(1, 2, along=-0.01, spans=(end, beginning)))
    assert only(judged(3, *column))[0] == 1  # the head does the same to both
    assert (
        len(stretches_of_either(evidence(2, courses=without_head(column[:1], [look()] * 2, [DPI] * 2)))) == 1
    )  # one pair tells nothing of all


def test_a_head_that_one_short_overlap_alone_shows_is_no_stretch() -> None:
    """Of a row below another only one pair tells sizes along the travel, and over 25 mm: a head may be 2 % off."""
    spans = (0.8 * ROWS, ROWS), (0.0, 0.2 * ROWS)
    below = course(0, 1, along=0.02, spans=spans, ways=(np.inf, 25 / MM_PER_INCH * DPI))
    wide = np.inf, 250 / MM_PER_INCH * DPI
    beside = course(1, 2, ways=wide), course(2, 3, ways=wide)
    assert judged(4, below, *beside) == []
    assert only(judged(4, replace(below, ways=(np.inf, 100 / MM_PER_INCH * DPI)), *beside))[0] == 0
    other = replace(below, a=4, b=2)  # a second one tells what is the head's
    assert judged(5, below, other, *beside) == []
    aside = replace(other, stretch=np.array([0.0, -0.004]))  # rows some mm aside, where the head goes otherwise
    assert judged(5, below, aside, *beside) == []


def test_what_a_head_does_to_a_scan_turned_by_half_is_no_stretch() -> None:
    """Over 135 mm a head that waves by .25 mm may make .8 %; one that goes evenly does not."""
    rows = np.linspace(0.05, 0.95, 19) * ROWS
    way, still = 135 / MM_PER_INCH * DPI, np.zeros_like(rows)
    wave = 0.25 / MM_PER_INCH * DPI * np.cos(2 * np.pi * rows / ROWS)
    pair = course(0, 1, along=0.008, ways=(np.inf, way))
    alike = replace(pair, slips=np.column_stack([rows, rows + 0.02 * ROWS, wave]))
    turned = replace(pair, slips=np.column_stack([rows, ROWS - rows, wave]))
    even = replace(pair, slips=np.column_stack([rows, ROWS - rows, still]))
    for told in (alike, even):
        assert len(stretches_of_either(evidence(2, courses=(told,)))) == 1
    assert stretches_of_either(evidence(2, courses=(turned,))) == []
    worse = replace(turned, stretch=np.array([0.0, 0.012]))
    assert len(stretches_of_either(evidence(2, courses=(worse,)))) == 1


def test_another_scale_both_ways_and_what_is_not_known_are_no_stretch() -> None:
    same = (course(0, 1, 0.01, 0.01), course(1, 2, -0.01, -0.01))
    assert pair_findings(evidence(3, courses=same)) == []
    unknown = (course(0, 1, np.nan, np.nan), course(1, 2, np.nan, np.nan))
    assert pair_findings(evidence(3, courses=unknown)) == []
    other_dpi = tuple(course(0, k, -0.5, -0.48 if k > 1 else np.nan) for k in (1, 2, 3))
    assert judged(4, *other_dpi, course(1, 2), course(2, 3)) == []
    little = (course(0, 1, 0.0, 0.0015), course(1, 2, 0.0, -0.0015))  # paper between two scans
    assert pair_findings(evidence(3, courses=little)) == []
    # a head that goes unevenly, or a lifted edge, may take much of every overlap that is short along the travel
    for way, told in ((20, 0), (200, 1)):
        px = (np.inf, way / MM_PER_INCH * DPI)
        short = (course(0, 1, along=0.01, ways=px), course(1, 2, along=-0.01, ways=px))
        assert len(pair_findings(evidence(3, courses=short))) == told
    unlike = (course(0, 2, along=0.01, ways=(np.inf, 250)), course(1, 3, along=0.001, ways=(np.inf, 250)))
    beside = tuple(course(a, b, ways=(np.inf, 5000)) for a, b in ((0, 1), (2, 3)))
    assert pair_findings(evidence(4, courses=unlike + beside)) == []


# --- jumps


def test_a_jump_is_given_to_the_piece_in_which_both_neighbors_see_it() -> None:
    courses = (course(0, 1, jumps=((900, 1500, 4.2),)), course(1, 2, jumps=((1510, 700, -4.0),)))
    index, finding = only(pair_findings(evidence(3, courses=courses)))
    assert (index, finding.fault) == (1, "jump")
    assert finding.numbers == {"row": 1500, "px": 4}


def test_a_pair_alone_does_not_tell_whose_jump_it_is() -> None:
    seen = course(0, 1, jumps=((900, 1500, 7.0),))
    assert pair_findings(evidence(2, courses=(seen,))) == []
    (finding,) = jumps_of_either(evidence(2, courses=(seen,)))
    assert (finding.fault, finding.level, finding.numbers) == ("jump", "redo", {"px": 7})
    assert finding.why.startswith("0 or 1: one of the two jumps by 7 px, at row 900 of the first or row 1500")
    assert jumps_of_either(evidence(3, courses=(seen, course(1, 2)))) == []  # a third piece tells


def test_a_step_of_a_third_of_a_mm_may_be_the_head_s_in_a_pair_alone_but_at_one_row_it_is_a_jump() -> None:
    step = 0.34 / MM_PER_INCH * DPI
    assert jumps_of_either(evidence(2, courses=(course(0, 1, jumps=((900, 1500, step),)),))) == []
    assert len(jumps_of_either(evidence(2, courses=(course(0, 1, jumps=((900, 920, step),)),)))) == 1


@pytest.mark.parametrize(("apart", "told"), [(5, [0]), (41, [])])
def test_a_tenth_of_a_mm_between_rows_some_mm_apart_may_be_a_wave_of_the_head(apart: int, told: list[int]) -> None:
    seen = course(0, 1, jumps=((900, 900 + apart, 0.11 / MM_PER_INCH * DPI),))
    assert [index for index, _ in pair_findings(evidence(3, courses=(seen, course(1, 2))))] == told


def test_a_neighbor_that_reaches_over_the_row_and_sees_no_jump_speaks_against_it() -> None:
    seen, silent = course(0, 1, jumps=((900, 1500, 4.0),)), course(1, 2)
    assert [index for index, _ in pair_findings(evidence(3, courses=(seen, silent)))] == [0]
    short = replace(silent, spans=((0, 1000), (0, 1000)))  # it ends above the row: nobody else can tell
    assert pair_findings(evidence(3, courses=(seen, short))) == []


def test_a_pair_whose_patches_lie_as_much_apart_at_a_row_does_not_speak_against_its_jump() -> None:
    """No jump was told of the first pair, as few patches are scattered."""
    seen = course(1, 2, jumps=((1500, 700, -6.0),))
    rows = np.linspace(100, 2900, 57)
    for slip, told in ((5.0, [1]), (1.0, [2])):
        slips = np.column_stack([rows - 600, rows, np.where(rows > 1500, slip, 0.0)])
        beside = replace(course(0, 1), slips=slips)
        assert [index for index, _ in pair_findings(evidence(3, courses=(beside, seen)))] == told


def test_a_pair_of_few_patches_far_from_a_jump_says_nothing_of_it() -> None:
    """What is drawn ends 1000 rows before the jump and goes on 900 after it: a wave of the head would hide it."""
    seen = course(1, 2, jumps=((1500, 700, -6.0),))
    rows = np.concatenate([np.linspace(100, 500, 20), np.linspace(2400, 2900, 20)])
    sparse = replace(course(0, 1), slips=np.column_stack([rows - 60, rows, np.where(rows > 1500, 2.0, 0.0)]))
    few = evidence(3, courses=(sparse, seen))
    assert pair_findings(few) == [] and len(jumps_of_either(few)) == 1


def test_a_jump_that_most_of_a_piece_s_neighbors_deny_is_not_given_to_it() -> None:
    seen = course(0, 1, jumps=((900, 1500, 4.0),))
    silent = (course(0, 2), course(0, 3), course(1, 3))  # one of three sees it in 0, one of two in 1
    assert pair_findings(evidence(4, courses=(seen, *silent))) == []


@pytest.mark.parametrize(("others", "told"), [(4.0, []), (-4.0, [1]), (0.0, [1])])
def test_a_step_that_other_pairs_show_between_the_same_rows_is_the_head_s(others: float, told: list[int]) -> None:
    """Two columns of two pieces: the head slips at one place of the bed in every scan, or one of them does."""
    rows = np.linspace(0.7 * ROWS, 0.98 * ROWS, 40)

    def below(a: int, b: int, px: float) -> Course:
        slips = np.column_stack([rows, rows - 0.68 * ROWS, np.where(rows > 0.84 * ROWS, px, 0.0)])
        jumps = ((0.84 * ROWS, 0.16 * ROWS, px),) if px == 5.0 else ()
        return course(a, b, spans=((0.7 * ROWS, 0.98 * ROWS), (0.02 * ROWS, 0.3 * ROWS)), slips=slips, jumps=jumps)

    beside = course(2, 3, spans=((0.0, 0.5 * ROWS), (0.0, 0.5 * ROWS)))
    seen = evidence(4, courses=(below(0, 1, 5.0), below(2, 3, others), course(0, 2), beside))
    assert [index for index, _ in pair_findings(seen)] == told


def test_a_step_the_head_may_make_at_rows_far_from_each_other_is_no_jump() -> None:
    """Nobody else reaches the row at the beginning of the lower piece; 3 px are .25 mm."""
    assert DPI == 300
    spans = (0.7 * ROWS, ROWS), (0.0, 0.3 * ROWS)
    for px, told in ((3.0, []), (6.0, [1])):
        below = course(0, 1, spans=spans, jumps=((0.9 * ROWS, 0.2 * ROWS, px),))
        beside = course(1, 2, spans=((0.5 * ROWS, ROWS), (0.4 * ROWS, 0.9 * ROWS))), course(0, 3)
        assert [index for index, _ in pair_findings(evidence(4, courses=(below, *beside)))] == told
        for other, told_there in ((0.2, [1]), (0.8, told)):  # seen at like rows it is one; or turned by half
            jumps = ((other * ROWS, 0.2 * ROWS, px),)
            level = replace(below, spans=((0.0, ROWS), (0.0, 0.9 * ROWS)), jumps=jumps)
            assert [index for index, _ in pair_findings(evidence(4, courses=(level, *beside)))] == told_there


# --- what one shows alone


def seen_alone(a: int, b: int, own_a: Sight = CLEAN, own_b: Sight = CLEAN) -> Difference:
    """What each of a pair shows alone."""
    return Difference(a, b, own_a, own_b)


@pytest.mark.parametrize(("along", "fault"), [("rows", "banding"), ("columns", "moire"), ("", "moire")])
def test_stripes_have_a_name_a_depth_and_a_period_in_mm(along: str, fault: str) -> None:
    weak, strong = (replace(CLEAN, stripes=Stripes(levels, 15.0, along)) for levels in (2.0, 3.5))
    pairs = (seen_alone(0, 1, own_b=weak), seen_alone(1, 2, own_a=strong))
    index, finding = only(pair_findings(evidence(3, differences=pairs)))
    assert (index, finding.fault) == (1, fault)
    assert finding.numbers == {"levels": 3.5, "period_mm": round(15 * REDUCTION / DPI * 25.4, 2)}  # 2.54 mm


def test_stripes_that_half_the_neighbors_show_are_nobody_s() -> None:
    striped = replace(CLEAN, stripes=Stripes(3.0, 15.0, "rows"))
    pairs = (seen_alone(0, 1, own_b=striped), seen_alone(1, 2))
    assert pair_findings(evidence(3, differences=pairs)) == []


def test_what_no_pair_shows_surely_or_at_another_period_confirms_no_stripes() -> None:
    sure, same, other, across = (
        replace(CLEAN, stripes=Stripes(3.0, period, along, sure, step))
        for period, along, sure, step in (
            (44.5, "rows", True, 1 / 979),
            (46.2, "rows", False, 1 / 231),
            (30.0, "rows", False, 1 / 231),
            (46.2, "columns", False, 1 / 231),
        )
    )
    for first, second, told in ((sure, same, [1]), (same, same, []), (sure, other, []), (sure, across, [])):
        pairs = (seen_alone(0, 1, own_b=first), seen_alone(1, 2, own_a=second))
        assert [index for index, _ in pair_findings(evidence(3, differences=pairs))] == told


def test_bands_that_pairs_give_to_either_belong_to_the_piece_that_all_these_pairs_have_in_common() -> None:
    band = replace(CLEAN, stripes=Stripes(3.0, 36.0, "rows", True, 1 / 900))
    about = replace(CLEAN, stripes=Stripes(2.0, 37.0, "rows", False, 1 / 900))
    bare = tuple(seen_alone(*pair) for pair in ((0, 2), (2, 3), (0, 3)))
    around = (seen_alone(0, 1, band), seen_alone(1, 2, own_b=about), seen_alone(1, 3, about, about), *bare)
    for more, told in (
        ((seen_alone(1, 4), seen_alone(3, 4)), [1]),
        ((seen_alone(3, 4, own_b=about),), []),
        ((seen_alone(1, 4), seen_alone(1, 5), seen_alone(1, 6)), []),
    ):
        found = pair_findings(evidence(7, differences=(*around, *more)))
        assert [(k, one.fault) for k, one in found] == [(index, "banding") for index in told]


def test_a_piece_that_leans_one_way_beside_most_neighbors_was_shaken() -> None:
    def shown(*leanings: float | None) -> tuple[Difference, ...]:
        return tuple(replace(seen_alone(k, k + 1), leaning=value) for k, value in enumerate(leanings))

    for seen, told in (
        (shown(0.8, -0.8), [1]),
        (shown(0.8, -0.1), [0]),
        (shown(0.1, -0.1), []),
        (shown(0.8, None), []),
        (shown(0.1, 0.9, -0.9, 0.1), [2]),
    ):
        found = pair_findings(evidence(len(seen) + 1, differences=seen))
        assert [(index, finding.fault) for index, finding in found] == [(index, "shaken") for index in told]
    (either,) = of_either(evidence(3, differences=shown(0.8, None)))
    assert either.fault == "shaken" and "one of the two" in either.why
    striped = replace(CLEAN, stripes=Stripes(3.0, 15.0, "", sure=False))
    assert pair_findings(evidence(2, differences=(replace(seen_alone(0, 1, striped), leaning=0.9),))) == []
    lost = evidence(2, differences=shown(0.8))  # beside steps of few tones a good one leans
    assert of_either(lost) and not of_either(lost, unlike={1}) and pair_findings(lost, unlike={1}) == []
    # rows that lie aside tell also where nothing leans, or a screen hides it
    rows = (replace(seen_alone(0, 1, striped), jagged=0.5), replace(seen_alone(1, 2), leaning=0.0, jagged=0.3))
    assert [(k, one.fault) for k, one in pair_findings(evidence(3, differences=rows))] == [(1, "shaken")]
    courses = tuple(Course(k, k + 1, np.array([0.0, 0.006]), (), ((0, 9), (0, 9))) for k in (0, 1))
    found = pair_findings(evidence(3, differences=rows, courses=courses))
    assert "shaken" not in {one.fault for _, one in found}


def test_dust_is_counted_per_square_centimeter() -> None:
    dusty = replace(CLEAN, specks=30)
    pairs = (seen_alone(0, 1, own_b=dusty), seen_alone(1, 2, own_a=dusty))
    index, finding = only(pair_findings(evidence(3, differences=pairs)))
    assert (index, finding.fault) == (1, "dust")
    assert finding.numbers == {"specks": 60, "per_cm2": 3.0}


@pytest.mark.parametrize(
    ("own", "other"),
    [
        (replace(CLEAN, specks=LEAST_DUST - 1), CLEAN),  # too few
        (replace(CLEAN, specks=20, area=50 * CM2), CLEAN),  # a cleaned glass leaves as much
        (replace(CLEAN, specks=7, all_specks=13), CLEAN),  # no more than chance brings together
        (replace(CLEAN, specks=20, all_specks=400), replace(CLEAN, specks=12, all_specks=400)),  # the other has it too
        (replace(CLEAN, specks=20), replace(CLEAN, specks=20)),
    ],
)
def test_little_dust_and_dust_that_both_show_is_none(own: Sight, other: Sight) -> None:
    assert pair_findings(evidence(2, differences=(seen_alone(0, 1, own, other),))) == []


def test_a_few_specks_on_the_little_calm_paper_that_a_washed_sheet_shows_are_dust() -> None:
    little = replace(CLEAN, area=0.4 * CM2)
    dusty = [replace(little, specks=count, all_specks=22) for count in (3, 3)]
    pairs = (seen_alone(0, 1, little, dusty[0]), seen_alone(1, 2, dusty[1], little))
    index, finding = only(pair_findings(evidence(3, differences=pairs)))
    assert (index, finding.fault, finding.numbers["specks"]) == (1, "dust", 6)


def test_what_one_blurred_neighbor_does_not_show_is_no_dust() -> None:
    grain = replace(CLEAN, specks=30)
    beside = tuple(seen_alone(k, 4, own_a=grain) for k in range(4))
    others = (seen_alone(0, 1), seen_alone(1, 3), seen_alone(3, 2), seen_alone(2, 0))
    assert pair_findings(evidence(5, differences=beside + others)) == []


def test_a_wave_that_most_pieces_show_is_a_screen_and_no_moire_of_one_beside_a_soft_piece() -> None:
    bare = np.random.default_rng(2).normal(200, 1, (120, 120)).astype(np.float32)
    screened = bare + 8 * np.sin(2 * np.pi * 0.15 * np.arange(120, dtype=np.float32))
    seen = Stripes(6.0, 1 / 0.15, "", wave=(0.0, 0.15))
    pairs = (seen_alone(0, 1, own_a=replace(CLEAN, stripes=seen)),)
    for others, faults in (((bare, screened, screened), []), ((bare, bare, bare), ["moire"])):
        looks = tuple(replace(look(), gray=np.rint(view).astype(np.uint8)) for view in (screened, *others))
        told = pair_findings(replace(evidence(4, differences=pairs, courses=(course(0, 1),)), looks=looks))
        assert [finding.fault for _, finding in told] == faults


def test_a_smear_is_a_patch_of_cells_soft_beside_a_clean_neighbor() -> None:
    soft = replace(CLEAN, smeared=SMEAR_CELLS)
    index, finding = only(pair_findings(evidence(2, differences=(seen_alone(0, 1, own_b=soft),))))
    assert (index, finding.fault, finding.numbers) == (1, "smear", {"cells": SMEAR_CELLS})
    few = replace(CLEAN, smeared=SMEAR_CELLS - 1)
    assert pair_findings(evidence(2, differences=(seen_alone(0, 1, own_b=few),))) == []
    for beside in ({"unlike": {0}}, {"blurred": {0}}):
        assert pair_findings(evidence(2, differences=(seen_alone(0, 1, own_b=soft),)), **beside) == []
    for area, told in ((10 * CM2, []), (50 * CM2, ["smear"])):  # beside dust; beside as many specks on far more paper
        grainy = replace(CLEAN, specks=8, area=area)
        found = pair_findings(evidence(2, differences=(seen_alone(0, 1, grainy, soft),)))
        assert [finding.fault for _, finding in found] == told


def test_light_of_a_piece_that_disagrees_is_told_by_the_middle_of_its_pairs() -> None:
    pairs = [Comparison(a, b, np.zeros(3), (), (), 0.2, 50.0, d) for a, b, d in ((0, 1, 0.1), (1, 2, 0.3), (1, 3, 0.2))]
    finding = uneven(evidence(4, comparisons=(*pairs, Comparison(1, 4, None, (), (), 0.2, 50.0, 0.0))), 1)
    assert finding.numbers == {"spread": 0.2}
    assert "20 % from place to place" in finding.why
