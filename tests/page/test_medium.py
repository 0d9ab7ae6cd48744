"""I check that ink, pencil and paint are told apart, and the shares they are told from, on marks of known size."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.page.medium import MOST_TONES, Medium, doubt_words, medium_of

K = 12.0  # px per mm, 305 dpi
SIDE = 480  # px


def paper() -> np.ndarray:
    """(SIDE, SIDE, 3) light relative to paper."""
    return np.ones((SIDE, SIDE, 3), np.float32)


def strokes(light: float, width_mm: float) -> np.ndarray:
    """Paper with slanted strokes, edges as soft as a scanner makes them."""
    sheet = paper()
    for at in range(-SIDE, SIDE, 60):
        cv2.line(sheet, (at, 0), (at + SIDE, SIDE), (light,) * 3, round(width_mm * K), cv2.LINE_AA)
    return cv2.GaussianBlur(sheet, (0, 0), 0.7)


def patch(color: tuple[float, float, float], *, half: int = SIDE // 2) -> np.ndarray:
    """Paper with a rectangle of one color."""
    sheet = paper()
    sheet[40 : 40 + half, 40 : SIDE - 40] = color
    return sheet


@pytest.mark.parametrize("width_mm", [0.3, 0.6, 2.0])
def test_dark_strokes_with_sharp_edges_are_ink(width_mm: float) -> None:
    found = medium_of([strokes(0.04, width_mm)], K)
    assert found.name == "ink" and found.tones < MOST_TONES and not found.asked
    assert found.colored < 0.01


def test_gray_strokes_no_broader_than_a_point_are_pencil() -> None:
    found = medium_of([strokes(0.85, 0.5)], K)
    assert found.name == "pencil"
    assert found.tones > 0.9 and found.areas < 0.05 and found.colored < 0.01


def test_a_gray_wash_is_paint_by_its_breadth() -> None:
    found = medium_of([patch((0.7, 0.7, 0.7))], K)
    assert found.name == "paint" and found.colored == 0
    assert found.tones > 0.9 and found.areas > 0.9 * found.tones


def test_colored_strokes_are_paint_by_their_color() -> None:
    gray = strokes(0.85, 0.5)
    tinted = gray.copy()
    tinted[..., 2] = 1 - (1 - gray[..., 2]) * 0.05
    found = medium_of([tinted], K)
    assert found.name == "paint" and found.areas < 0.5 * found.tones and found.colored > 0.5


def test_shares_are_of_all_that_is_drawn_in_all_samples() -> None:
    one, two = patch((0.7, 0.7, 0.7)), patch((0.9, 0.6, 0.6), half=SIDE // 4)
    found = medium_of([one, two], K)
    assert found.colored == pytest.approx(1 / 3, abs=0.02)  # half the area of the other
    assert medium_of([one, two, paper()], K) == found


def test_what_shows_little_is_ink_and_a_wish_is_kept_with_what_was_measured() -> None:
    assert medium_of([paper()], K).name == "ink"
    assert medium_of([], K).name == "ink"
    told = medium_of([patch((0.7, 0.7, 0.7))], K, "ink")
    assert told.name == "ink" and told.asked and told.tones > 0.9


def grainy(dark: float) -> np.ndarray:
    """Dark strokes that catch on the tooth of rough paper: grains with sharp edges, from pale to `dark` of missing."""
    tooth = cv2.GaussianBlur(np.random.default_rng(5).standard_normal((SIDE, SIDE)), (0, 0), 1.5)
    pressed = np.linspace(0.2, 1, SIDE)[None, :] * (tooth > 0)
    sheet = paper() - np.float32(dark) * pressed[..., None].astype(np.float32) * (strokes(0, 2.0) < 0.5)
    return np.asarray(cv2.GaussianBlur(sheet, (0, 0), 0.5), np.float32)


def test_a_dark_pencil_on_rough_paper_is_no_ink_though_its_grain_is_sharp() -> None:
    found = medium_of([grainy(0.9)], K)
    assert found.name == "pencil" and found.pale > 0.15


def test_specks_of_gray_dust_make_no_ink_page_pale() -> None:
    sheet = strokes(0.04, 0.3)
    clear = medium_of([sheet], K)
    for row, col in np.random.default_rng(2).integers(4, SIDE - 10, (300, 2)):
        if sheet[row - 3 : row + 9, col - 3 : col + 9].min() > 0.9:
            sheet[row : row + 5, col : col + 5] = 0.6
    dusty = medium_of([sheet], K)
    assert dusty.name == "ink" and dusty.pale < clear.pale + 0.01


def test_gray_fibers_make_no_drawing_in_dots_pale() -> None:
    sheet = paper()
    for row in range(10, SIDE - 10, 12):
        for col in range(10, SIDE - 10, 12):
            cv2.circle(sheet, (col, row), 2, (0.05,) * 3, -1, cv2.LINE_AA)
    dots = medium_of([sheet], K)
    for at, light in zip(range(40, SIDE - 60, 60), np.linspace(0.2, 0.8, 7), strict=True):
        cv2.line(sheet, (at, at + 4), (at + 30, at + 20), (float(light),) * 3, 1, cv2.LINE_AA)
    found = medium_of([cv2.GaussianBlur(sheet, (0, 0), 0.7)], K)
    assert dots.name == found.name == "ink" and found.pale == 0


def hairs(sheet: np.ndarray, rows: range, cols: range, light: float) -> np.ndarray:
    """The sheet with gray hairs 1.5 mm long."""
    for row in rows:
        for col in cols:
            cv2.line(sheet, (col, row), (col + 18, row + 6), (light,) * 3, 1, cv2.LINE_AA)
    return cv2.GaussianBlur(sheet, (0, 0), 0.7)


def test_hairs_far_from_each_other_make_no_outline_in_ink_a_pencil_page() -> None:
    outline = paper()
    cv2.circle(outline, (SIDE // 2, SIDE // 2), 60, (0.04,) * 3, 5, cv2.LINE_AA)
    far = medium_of([hairs(outline.copy(), range(10, SIDE, 80), range(20, 130, 60), 0.6)], K)
    near = medium_of([hairs(outline.copy(), range(10, 130, 8), range(10, 40, 24), 0.6)], K)
    assert far.name == "ink" and far.pale < 0.01 and far.tones < 0.01
    assert near.name == "pencil" and near.pale > 0.15


def graphite(dark: float) -> np.ndarray:
    """Sharp lines of one width whose darkness goes with the tooth of smooth paper, nowhere down to bare paper."""
    tooth = cv2.GaussianBlur(np.random.default_rng(6).standard_normal((SIDE, SIDE)), (0, 0), 0.7)
    light = 10 ** (-dark * np.clip(0.8 + 0.45 * tooth / tooth.std(), 0.35, 1.3))
    sheet = np.where(strokes(0, 0.4) < 0.5, light[..., None].astype(np.float32), paper())
    return np.asarray(cv2.GaussianBlur(sheet, (0, 0), 0.5), np.float32)


@pytest.mark.parametrize("dark", [0.6, 0.9, 1.3])
def test_lines_of_dark_graphite_are_no_ink_for_they_are_uneven(dark: float) -> None:
    found = medium_of([graphite(dark)], K)
    assert found.name == "pencil" and found.uneven > 0.05 and found.tones < 0.03


def test_two_inks_are_each_even() -> None:
    sheet = strokes(0.04, 0.4)
    sheet[SIDE // 2 :][sheet[SIDE // 2 :].mean(axis=2) < 0.5] = (0.5, 0.1, 0.12)
    found = medium_of([cv2.GaussianBlur(sheet, (0, 0), 0.6)], K)
    assert found.name == "ink" and found.uneven < 0.02


def mottled(sd: float) -> np.ndarray:
    """Strokes of dark ink whose middles go up and down by `sd` of the paper's light."""
    tooth = cv2.GaussianBlur(np.random.default_rng(8).standard_normal((SIDE, SIDE)), (0, 0), 1.2)
    light = 0.2 + sd * tooth / tooth.std()
    sheet = np.where(strokes(0, 0.6) < 0.5, light[..., None].astype(np.float32), paper())
    return np.asarray(cv2.GaussianBlur(sheet, (0, 0), 0.5), np.float32)


def test_near_the_limits_a_page_says_what_else_it_may_be() -> None:
    found = [medium_of([mottled(sd)], K) for sd in (0.005, 0.026, 0.045, 0.12)]
    assert [(one.name, one.other) for one in found] == [
        ("ink", ""), ("ink", "pencil"), ("pencil", "ink"), ("pencil", ""),
    ]  # fmt: skip
    assert doubt_words(found[0]) == doubt_words(found[3]) == []
    assert all("but may be" in doubt_words(one)[0] for one in found[1:3])
    assert "--medium pencil if it is pencil" in doubt_words(found[1])[0]


def test_what_the_user_said_is_in_no_doubt() -> None:
    told = medium_of([mottled(0.026)], K, "ink")
    assert told.asked and told.other == "" and doubt_words(told) == []


def test_paint_that_is_hardly_colored_may_be_pencil() -> None:
    words = doubt_words(Medium("paint", 0.5, 0.1, 0.11, 0.3, other="pencil"))
    assert words[0].startswith("the page was taken for paint, but may be pencil")
    tinted = strokes(0.85, 0.5)
    tinted[..., 2] = 1 - (1 - tinted[..., 2]) * 0.15
    assert medium_of([tinted], K).other in ("", "pencil")
