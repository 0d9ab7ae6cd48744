"""I check what is measured of long thin marks by strokes of known width, and which of them are told from a pen's."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from finds_table import table

from stitchbed.core.arrays import Floats
from stitchbed.imaging.box import Box
from stitchbed.page.dust.candidates import Scale
from stitchbed.page.dust.classify import LIMITS, DustSettings, judged
from stitchbed.page.dust.fibers import STROKE, Thin, pens_are_wider, shown_whole, thin_marks
from stitchbed.page.dust.finds import FIBER, Finds, closed
from stitchbed.page.ink import InkTraits, softened

PX, BLUR, FINER = 12.0, 0.7, 8  # px per mm, px of one sd, samples to the pixel
SIDE = 90
BOW = [(1.5 + t, 3 + 0.9 * np.sin(1.7 * t)) for t in np.linspace(0, 2, 30)]  # mm
FIBER_ROW = {
    "kind": FIBER, "length": 1.6, "widest": 0.045, "broad": 0.05, "gap": 0.6, "straight": 0.85, "turn": 0.3,
    "width": 0.04,
}  # fmt: skip
CAREFUL = LIMITS["careful"].fiber


def drawn(*strokes: tuple[list[tuple[float, float]], float, float]) -> Floats:
    """(SIDE, SIDE) ink of strokes: their points mm, width mm, darkness."""
    ink = np.zeros((SIDE, SIDE), np.float32)
    for points, width, dark in strokes:
        fine = np.zeros((SIDE * FINER, SIDE * FINER), np.uint8)
        at = np.rint((np.array(points) * PX + 0.5) * FINER).astype(np.int32)
        cv2.polylines(fine, [at.reshape(-1, 1, 2)], False, 1, round(width * PX * FINER))
        share = cv2.resize(fine.astype(np.float32), (SIDE, SIDE), interpolation=cv2.INTER_AREA)
        ink = np.maximum(ink, dark * share)
    return np.asarray(cv2.GaussianBlur(ink, (0, 0), BLUR), np.float32)


def looked_at(ink: Floats) -> Thin:
    return thin_marks(ink, softened(ink, PX), 0.03, px_per_mm=PX, blur=BLUR, core=Box(0, 0, SIDE, SIDE))


def measured(ink: Floats) -> list[dict[str, float]]:
    return [dict(zip(STROKE, row.tolist(), strict=True)) for row in looked_at(ink).strokes]


@pytest.mark.parametrize(("width", "dark"), [(0.08, 0.5), (0.1, 1.0)])
def test_a_bent_line_has_the_ink_across_it_that_was_drawn(width: float, dark: float) -> None:
    (it,) = measured(drawn((BOW, width, dark)))
    solid = round(width * PX * FINER) / PX / FINER * dark
    assert it["width"] == pytest.approx(solid, rel=0.12)
    assert it["widest"] == pytest.approx(solid, rel=0.2)
    true = float(np.hypot(*np.diff(np.array(BOW), axis=0).T).sum())
    assert it["length"] == pytest.approx(true, rel=0.15)
    assert it["gap"] == pytest.approx(0.6) and it["straight"] < 0.95


def test_a_broad_pale_line_is_broader_than_a_narrow_dark_one() -> None:
    ruled = [(1.5, 3.0), (4.0, 4.0)]
    (pencil,), (hair,) = measured(drawn((ruled, 0.3, 0.15))), measured(drawn((ruled, 0.05, 0.9)))
    assert pencil["width"] == pytest.approx(hair["width"], rel=0.15)
    assert pencil["broad"] > 0.2 > 0.1 > hair["broad"]
    assert hair["turn"] == pytest.approx(np.arctan2(1.0, 2.5), abs=0.03) and hair["straight"] > 0.95


def test_dots_that_the_blur_joins_are_no_line() -> None:
    dots = [([(2.0 + n * 0.3, 3.0), (2.01 + n * 0.3, 3.0)], 0.1, 0.7) for n in range(4)]
    assert len(measured(drawn(*dots))) == 0
    assert len(measured(drawn(([(2.0, 3.0), (2.73, 3.0)], 0.1, 0.7)))) == 1


def test_the_gap_is_that_to_the_nearest_mark() -> None:
    thin = looked_at(drawn((BOW, 0.05, 0.8), ([(1.0, 4.5), (6.0, 4.5)], 0.4, 1.0)))
    (row,) = thin.strokes  # the other one is too long
    assert 0.15 < row[STROKE.index("gap")] < 0.5
    assert set(np.unique(thin.labels)) == {0, 1}


def told(*rows: dict[str, float], limits: str = "careful", px: float = PX) -> list[bool]:
    return pens_are_wider(table(*rows), px, LIMITS[limits].fiber, 0.12).tolist()


@pytest.mark.parametrize(
    "other",
    [
        {"widest": 0.09}, {"broad": 0.2}, {"gap": 0.2}, {"length": 0.5}, {"kin": 1.0}, {"hue": 0.5},
        {"straight": 0.99, "widest": 0.06}, {"widest": 0.005}, {"kind": 0},
    ],
)  # fmt: skip
def test_what_a_pen_may_have_drawn_stays(other: dict[str, float]) -> None:
    assert told(FIBER_ROW) == [True]
    assert told({**FIBER_ROW, **other}) == [False]


def test_a_thin_straight_one_goes_where_it_is_thinner_than_a_gray_pen() -> None:
    assert told({**FIBER_ROW, "straight": 1.0, "widest": 0.03}) == [True]


def test_at_600_dpi_what_is_as_black_as_ink_may_be_a_fine_pen_s() -> None:
    """A line of .05 mm, of which .04 mm are ink; a hair of twice the breadth and no more ink."""
    assert told(FIBER_ROW, px=2 * PX) == [False]
    assert told({**FIBER_ROW, "broad": 0.09}, px=2 * PX) == [True]
    assert told(FIBER_ROW, px=2 * PX, limits="eager") == [True]


def test_strokes_in_company_stay() -> None:
    beside = {**FIBER_ROW, "row": 1.0 * PX}
    assert told(FIBER_ROW, beside) == [False, False]
    across = {**beside, "turn": FIBER_ROW["turn"] + 1.5}
    assert told(FIBER_ROW, across) == [True, True]
    some_way_off = [{**FIBER_ROW, "row": n * 2.2 * PX} for n in range(3)]
    assert told(*some_way_off) == [False] * 3
    assert told(*some_way_off[:2]) == [True] * 2
    unlike = [{"turn": np.pi / 4 * (n % 4), "width": (0.02, 0.04)[n // 4 % 2]} for n in range(24)]
    turned = [{**FIBER_ROW, **one, "row": n * 0.9 * PX} for n, one in enumerate(unlike)]
    assert all(told(*turned[:12]))
    assert not any(told(*turned)[8:16])  # more of them than dust: a texture


def test_lone_strokes_of_a_page_with_a_gray_pen_stay() -> None:
    far = {**FIBER_ROW, "row": 900.0 * PX}
    hatching = [{**FIBER_ROW, "row": n * 0.8 * PX} for n in range(4)]
    assert told(far, *hatching) == [False] * 5
    assert told(far, *hatching, limits="eager") == [True, *[False] * 4]


def test_a_mark_that_runs_out_of_the_page_is_not_seen_whole() -> None:
    finds = replace(table(FIBER_ROW, {**FIBER_ROW, "row": 50 * PX}), rows=np.array([0, 600]), cols=np.array([300, 300]))
    whole = shown_whole(finds, Box(0, 0, 1000, 1000))
    assert whole.stroke[:, STROKE.index("gap")].tolist() == [0, pytest.approx(0.6)]
    assert pens_are_wider(whole, PX, CAREFUL, 0.12).tolist() == [False, True]


def test_the_largest_dust_asked_for_bounds_fibers_only_where_it_is_less_than_usual() -> None:
    finds: Finds = table(FIBER_ROW)
    traits, scale = InkTraits(0.03, True, BLUR, 0.01, 0.0), Scale(PX, 0.6)
    assert judged(finds, traits, scale, DustSettings()).tolist() == [True]
    assert judged(finds, traits, scale, DustSettings(largest=0.4)).tolist() == [False]
    assert judged(finds, traits, scale, DustSettings(smallest_dot=0.05)).tolist() == [False]
    assert judged(finds, traits, scale, DustSettings(), medium="pencil").tolist() == [False]


@pytest.mark.parametrize("ring", [True, False])
def test_a_small_ring_is_drawn_however_thin_it_is(ring: bool) -> None:
    """As bubbles are; an arc as long may be lint."""
    turn = np.linspace(0, 2 * np.pi * (1 if ring else 0.7), 200)
    rows, cols = (np.rint(7 * part(turn)).astype(np.int32) + 20 for part in (np.sin, np.cos))
    find = replace(table({}), rows=rows, cols=cols, owner=np.zeros(len(rows), np.int32))
    assert closed(find, np.array([True])).tolist() == [ring]
    assert closed(find, np.array([False])).tolist() == [False]
