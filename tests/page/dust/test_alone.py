"""I check that ends of strokes and small bent strokes far from all are not taken for dust that lies alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from finds_table import table
from ink_pages import blank, seen, stroke

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.page.dust import sweep as sweeping
from stitchbed.page.dust.candidates import Scale
from stitchbed.page.dust.classify import LIMITS, DustSettings, asked, judged
from stitchbed.page.dust.surroundings import odds_among
from stitchbed.page.ground import Ground
from stitchbed.page.ink import InkTraits
from stitchbed.page.page import page_of_array
from stitchbed.page.sheet.white import PaperSettings, survey

INK = InkTraits(0.05, True, 0.8, 0.01, 0.0, 0.01)
AT_300, AT_600 = (Scale(dpi / MM_PER_INCH, 0.6) for dpi in (300, 600))
GRAIN = {"size": 0.13, "peak": 0.3, "shape": 0.75, "dark": 0.45, "gain": 12.0, "width": 0.1, "bare": 0.99}
RAGGED = {"top": 0.4, "long": 0.006, "short": 0.003, "compact": 0.6, "tail": 0.9, "fourth": 0.7, "uneven": 0.4}


def test_ink_that_touches_a_mark_is_seen_and_its_own_is_not() -> None:
    codes = np.full((80, 80, 3), 255, np.uint8)
    codes[40, 20:24] = 120  # of this the right half is the find
    codes[60, 30:32] = 0  # all of this is another
    page = page_of_array(codes, 300)
    ground = Ground(page, survey(page, page.box, PaperSettings()))
    places = {"row": 40.0, "col": 22.5, "extent": 0.2}, {"row": 60.0, "col": 30.5, "extent": 0.2}
    pixels = np.array([[0, 40, 22], [0, 40, 23], [1, 60, 30], [1, 60, 31]], np.int32).T
    finds = replace(table(*places), owner=pixels[0], rows=pixels[1], cols=pixels[2])
    traits = replace(INK, black=0.0)
    beside = sweeping.weighed(ground, finds, np.ones(2, bool), traits, AT_300).beside
    gray = ((120 / 255 + 0.055) / 1.055) ** 2.4
    assert beside == pytest.approx([1 - gray, 0], abs=0.01)


def test_a_gray_mark_against_a_stroke_is_left_but_for_who_is_less_particular() -> None:
    row = {"row": 300.0, "col": 300.0, **GRAIN, **RAGGED}
    for strength, taken in (("careful", False), ("normal", False), ("eager", True)):
        settings = DustSettings(strength)
        assert judged(table(row), INK, AT_300, settings).tolist() == [True]
        assert judged(table({**row, "beside": 0.5}), INK, AT_300, settings).tolist() == [taken]


def test_a_mark_with_a_black_middle_is_a_small_star_and_stays() -> None:
    row = {"row": 300.0, "col": 300.0, **GRAIN, **RAGGED}
    for rise, taken in ((0.0, True), (0.2, False)):
        mark = {**row, "peak": row["dark"] + rise}
        assert judged(table(mark), INK, AT_300, DustSettings()).tolist() == [taken]
    assert judged(table({**row, "peak": 0.65, "gain": 2.0}), INK, AT_300, DustSettings("normal")).tolist() == [True]
    assert judged(table({**row, "peak": 0.97, "dark": 0.95}), INK, AT_300, DustSettings("normal")).tolist() == [False]


def test_a_pale_flake_with_a_mottled_middle_goes_at_600_dpi_and_a_star_stays() -> None:
    row = {"row": 300.0, "col": 300.0, **GRAIN, **RAGGED, "dark": 0.35}
    for peak, taken in ((0.5, True), (0.65, True), (0.75, False), (0.9, False)):
        mark = table({**row, "peak": peak})
        assert odds_among(mark, AT_600, DustSettings().smallest_dot)[0] > LIMITS["careful"].odds
        assert judged(mark, INK, AT_600, DustSettings()).tolist() == [taken]
    # a coarse scan evens the mottle out: there a middle that is seen is drawn
    assert judged(table({**row, "peak": 0.5}), INK, AT_300, DustSettings()).tolist() == [False]


def test_a_bit_of_a_stroke_that_goes_on_as_pale_stays() -> None:
    row = {"row": 300.0, "col": 300.0, **GRAIN, **RAGGED}
    assert judged(table({**row, "beside": 0.1}), INK, AT_300, DustSettings()).tolist() == [True]
    assert judged(table({**row, "beside": 0.2}), INK, AT_300, DustSettings()).tolist() == [False]


def test_small_birds_far_from_all_stay_at_600_dpi() -> None:
    sheet = blank(30, 30, 600)
    stroke(sheet, [(2, 25), (28, 25)], 0.4)
    places = [(6, 5), (15, 8), (24, 4), (10, 14), (20, 16)]
    for n, (x, y) in enumerate(places):
        reach = 0.2 + 0.03 * n
        stroke(sheet, [(x - reach, y - 0.5 * reach), (x, y), (x + reach, y - 0.55 * reach)], 0.11)
    stroke(sheet, [(5, 20), (5.1, 20)], 0.03)  # too thin for any pen
    codes = seen((0.86 * (1 - sheet.ink) + 0.03 * sheet.ink), 600, np.random.default_rng(3))
    page = page_of_array(codes, 600)
    ground, scale = Ground(page, survey(page, page.box, PaperSettings())), Scale(600 / MM_PER_INCH, 0.6)
    traits = sweeping.ink_of(ground, [page.box], 1)
    finds = sweeping.sweep(ground, page.box, traits, scale)
    dust = judged(sweeping.weighed(ground, finds, asked(finds, scale), traits, scale), traits, scale, DustSettings())
    at = np.stack([finds.col, finds.row], axis=1)[dust] / scale.px_per_mm
    near = [int((np.hypot(*(at - place).T) < 0.5).sum()) for place in places]
    assert near == [0] * len(places)
    assert (np.hypot(*(at - (5.05, 20)).T) < 0.3).any()
