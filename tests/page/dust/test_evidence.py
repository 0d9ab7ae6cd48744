"""I check the odds of dust by sums done by hand, and which marks count as company.

The weights are a logistic regression's (Cox 1958): odds are a constant and one term for each thing seen. The terms here
are written out once more from what each says it measures.
"""

from __future__ import annotations

from dataclasses import replace
from math import log, sqrt

import numpy as np
import pytest
from finds_table import table

from stitchbed.page.dust.candidates import Scale
from stitchbed.page.dust.evidence import COARSE, FINE, Weights, lone, odds
from stitchbed.page.dust.finds import GRAY

AT_300, AT_600 = Scale(300 / 25.4, 0.5), Scale(600 / 25.4, 0.5)
PEN = 0.12  # mm; with it widths count as they are
GRAY_GRAIN = {"width": 0.1, "dark": 0.5, "gain": 20.0, "shape": 0.9, "extent": 0.2, "peak": 0.4, "bare": 0.9}


def alone_at(scale: Scale, **said: float) -> float:
    """Odds of a gray grain with no black mark near, or another find."""
    return float(odds(table({**GRAY_GRAIN, **said}), scale, PEN)[0])


def by_hand(weights: Weights, **said: float) -> float:
    """The sum of the terms of such a grain: nobody near, and the nearest as far as counts."""
    it = {**GRAY_GRAIN, "kin": 0.0, **said}
    width, gain = log(it["width"] / 0.1), log(1 + it["gain"])
    terms = {
        "constant": 1, "width": width, "width2": width * width, "company": 0, "nearest": log(10), "peak": it["peak"],
        "kin": it["kin"], "gain": gain, "gain_width": gain * width, "gain_pale": gain * (1 - it["dark"]), "single": 0,
        "slender": log(it["extent"] / it["width"]), "sharp": max(0, it["shape"] - 1), "black": 0,
    }  # fmt: skip
    return sum(getattr(weights, name) * value for name, value in terms.items())


@pytest.mark.parametrize(
    "said", [{}, {"width": 0.15}, {"kin": 0.7}, {"peak": 0.9, "gain": 12.0}, {"dark": 0.7, "extent": 0.4}]
)
def test_the_sum_of_terms_at_both_resolutions_and_between(said: dict[str, float]) -> None:
    coarse, fine = by_hand(COARSE, **said), by_hand(FINE, **said)
    assert alone_at(AT_300, **said) == pytest.approx(coarse, abs=1e-4)
    assert alone_at(AT_600, **said) == pytest.approx(fine, abs=1e-4)
    assert alone_at(Scale(300 * sqrt(2) / 25.4, 0.5), **said) == pytest.approx((coarse + fine) / 2, abs=1e-4)
    assert alone_at(Scale(200 / 25.4, 0.5), **said) == pytest.approx(coarse, abs=1e-4)
    assert alone_at(Scale(1200 / 25.4, 0.5), **said) == pytest.approx(fine, abs=1e-4)


@pytest.mark.parametrize(
    ("said", "term", "by"),
    [
        ({"bare": 0.986}, "single", 1.0), ({"bare": 0.984}, "single", 0.0),
        ({"shape": 1.2}, "sharp", 0.2), ({"shape": 2.0}, "sharp", 0.5),
        ({"kin": 1.0}, "kin", 1.0), ({"kin": 3.0}, "kin", 1.0),
        ({"peak": 1.0}, "peak", 0.6), ({"peak": 1.3}, "peak", 0.6),
    ],
)  # fmt: skip
def test_each_thing_seen_counts_up_to_its_bound(said: dict[str, float], term: str, by: float) -> None:
    # thin marks are no company to themselves, whatever their shape
    thin = {"width": 0.04, "extent": 0.04}
    for weights, scale in ((COARSE, AT_300), (FINE, AT_600)):
        more = alone_at(scale, **thin, **said) - alone_at(scale, **thin)
        company = 0.0 if "shape" not in said else alone_at(scale, **thin, shape=1.0) - alone_at(scale, **thin)
        assert more - company == pytest.approx(getattr(weights, term) * by, abs=1e-4)


def test_gain_counts_up_to_its_bound() -> None:
    assert alone_at(AT_300, gain=60.0) == alone_at(AT_300, gain=900.0) > alone_at(AT_300, gain=50.0)
    assert alone_at(AT_300, gain=9.0) == pytest.approx(by_hand(COARSE, gain=9.0), abs=1e-4)


def test_widths_count_by_the_pen() -> None:
    finds = table({**GRAY_GRAIN, "width": 0.15, "extent": 0.3})
    with_pen = float(odds(finds, AT_300, 0.18)[0])  # 1.5 times the usual: .15 counts as .1
    assert with_pen == pytest.approx(by_hand(COARSE, width=0.1, extent=0.2), abs=1e-4)


def test_black_marks_near_are_company() -> None:
    k = AT_300.px_per_mm
    dots = [{"row": 5 * k, "col": col * k} for col in (5, 6, 9.5, 30)]

    def grain(row: float, col: float) -> float:
        finds = table({**GRAY_GRAIN, "row": row * k, "col": col * k}, *dots)
        return float(odds(finds, AT_300, PEN)[0]) - by_hand(COARSE)

    nobody = COARSE.nearest * log(10)
    assert grain(5, 3.5) == pytest.approx(COARSE.company * log(3) + COARSE.nearest * log(1.5) - nobody, abs=1e-4)
    assert grain(7, 6) == pytest.approx(COARSE.company * log(3) + COARSE.nearest * log(2) - nobody, abs=1e-4)
    assert grain(5, 5.05) == pytest.approx(COARSE.company * log(3) + COARSE.nearest * log(0.1) - nobody, abs=1e-4)
    assert grain(5, 20) == pytest.approx(0, abs=1e-4)  # the nearest is 10 mm away
    assert grain(5, 26) == pytest.approx(COARSE.nearest * log(4) - nobody, abs=1e-4)


def test_a_black_mark_is_in_its_own_company_but_not_nearest_to_itself() -> None:
    k = AT_300.px_per_mm
    apart = odds(table({"row": 5 * k, "col": 5 * k}, {"row": 5 * k, "col": 25 * k}), AT_300, PEN)
    near = odds(table({"row": 5 * k, "col": 5 * k}, {"row": 5 * k, "col": 7 * k}), AT_300, PEN)
    more = COARSE.company * (log(3) - log(2)) + COARSE.nearest * (log(2) - log(10))
    assert np.allclose(near - apart, more, atol=1e-4)


@pytest.mark.parametrize(
    ("said", "counts"),
    [
        ({}, True),
        ({"width": 0.044}, False),
        ({"width": 0.044, "shape": 0.98}, True),  # round and sharp as a pen's
        ({"dark": 0.79, "gain": 8.1}, True),
        ({"dark": 0.79, "gain": 8.1, "shape": 0.9}, False),
        ({"dark": 0.81, "gain": 8.1, "shape": 0.9}, True),
        ({"dark": 0.79, "gain": 7.9, "shape": 0.9}, True),
        ({"kind": GRAY}, False), ({"extent": 0.51}, False), ({"hue": 0.36}, False), ({"alone": 0.49}, False),
    ],
)  # fmt: skip
def test_which_marks_may_be_ink(said: dict[str, float], counts: bool) -> None:
    mark = {"shape": 0.9, **said} if said.get("width") == 0.044 else said
    finds = table({**GRAY_GRAIN, "row": 12.0}, mark)
    away = table({**GRAY_GRAIN, "row": 12.0}, {**mark, "row": 500.0})
    assert (odds(finds, AT_300, PEN)[0] != odds(away, AT_300, PEN)[0]) == counts


def test_black_is_what_no_gray_fits_better() -> None:
    thin = {"kind": GRAY, "gain": 0.0}
    black, gray = (float(odds(table({**thin, "dark": dark}), AT_300, PEN)[0]) for dark in (0.99, 0.98))
    assert black - gray == pytest.approx(COARSE.black, abs=1e-4)


@pytest.mark.parametrize(
    ("said", "is_lone"),
    [
        ({}, True), ({"extent": 0.5}, True), ({"extent": 0.51}, False), ({"hue": 0.34}, True), ({"hue": 0.36}, False),
        ({"alone": 0.51}, True), ({"alone": 0.5}, False), ({"kind": GRAY}, False),
    ],
)  # fmt: skip
def test_what_is_lone(said: dict[str, float], is_lone: bool) -> None:
    assert lone(table(said), AT_300).tolist() == [is_lone]
    assert lone(table(said), replace(AT_300, largest=0.1)).tolist() == [False]
