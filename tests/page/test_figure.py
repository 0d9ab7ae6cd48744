"""I check how a painting is cut out of its paper, on a page whose every field is known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.imaging.box import Box
from stitchbed.page.figure import Figure, cut_out, faintest, figure_of, missing

DPI = 254.0  # 10 px a mm
SIZE = (600, 800)
PALE, LINE = (250, 247, 244), (20, 20, 30)  # a wash of 4 % and a pen's line
WASHED, HIGHLIGHT, CLOSED, OPEN, BESIDE = (200, 130), (200, 200), (200, 470), (450, 470), (40, 40)  # row, col


def drawn() -> np.ndarray:
    """(600, 800, 3) codes on noisy white: a pale disc with a white spot, a closed ring, one open by .8 mm."""
    page = np.full((*SIZE, 3), 255, np.uint8)
    cv2.circle(page, (160, 200), 110, PALE, -1, cv2.LINE_AA)
    cv2.circle(page, HIGHLIGHT[::-1], 14, (255, 255, 255), -1, cv2.LINE_AA)
    cv2.circle(page, CLOSED[::-1], 80, LINE, 5, cv2.LINE_AA)
    cv2.ellipse(page, OPEN[::-1], (80, 80), 0, 0, 354, LINE, 5, cv2.LINE_AA)
    noise = np.random.default_rng(1).normal(0, 0.8, page.shape)
    return np.clip(np.rint(page + noise), 0, 255).astype(np.uint8)


@pytest.fixture(scope="module")
def page() -> np.ndarray:
    return drawn()


def cut(page: np.ndarray, *, holes: tuple[tuple[float, float], ...] = ()) -> tuple[Figure, np.ndarray]:
    """The figure, and the whole page cut out."""
    figure = figure_of(lambda box: page[box.slices], SIZE, DPI, holes=holes)
    return figure, cut_out(lambda box: page[box.slices], figure, Box(0, 0, *SIZE))


def test_a_pale_wash_stays_whole_and_paper_closed_in_by_lines_goes(page: np.ndarray) -> None:
    figure, made = cut(page)
    alpha = made[..., 3]
    assert [alpha[at] for at in (WASHED, HIGHLIGHT, CLOSED, OPEN, BESIDE)] == [255, 255, 0, 0, 0]
    disc = np.hypot(*(np.indices(SIZE) - np.array([200, 160])[:, None, None])) < 100
    assert (alpha[disc] == 255).all() and np.array_equal(made[disc][:, :3], page[disc])
    assert figure.share == pytest.approx((np.pi * 110**2 + 2 * 2 * np.pi * 80 * 5) / np.prod(SIZE), rel=0.25)


def test_a_line_s_soft_rim_carries_no_paper(page: np.ndarray) -> None:
    """Laid on black, what was cut out shows no lighter rim: its color is the line's own (Porter & Duff 1984)."""
    made = cut(page)[1].astype(float)
    over = made[..., :3] * made[..., 3:] / 255
    ring = np.abs(np.hypot(*(np.indices(SIZE) - np.array(CLOSED)[:, None, None])) - 80) < 6
    assert over[ring].max() < 60
    assert np.percentile(made[ring][:, 3], 60) == 255


def test_white_letters_in_a_black_mass_stay_all_alike() -> None:
    """Common practice, no source: lettering and stars are left out of the ink, not cut out of the picture."""
    sky = np.full((*SIZE, 3), 255, np.uint8)
    sky[60:540, 60:740] = 12
    for row, scale in ((200, 3), (330, 4), (480, 5)):
        cv2.putText(sky, "NHAR", (90, row), cv2.FONT_HERSHEY_SIMPLEX, scale, (255, 255, 255), 4 * scale)
    letters = cv2.erode(sky[..., 0], np.ones((9, 9), np.uint8)) == 255
    letters[:60] = letters[540:] = letters[:, :60] = letters[:, 740:] = False
    assert letters.sum() > 5000
    assert (cut(sky)[1][letters][:, 3] == 255).all()


def test_paper_goes_where_it_is_asked(page: np.ndarray) -> None:
    spot = (HIGHLIGHT[1] / 10, HIGHLIGHT[0] / 10)
    assert cut(page, holes=(spot,))[1][HIGHLIGHT][3] == 0


def test_boxes_are_parts_of_the_whole(page: np.ndarray) -> None:
    figure, made = cut(page)
    box = Box(137, 91, 200, 333)
    assert np.array_equal(cut_out(lambda part: page[part.slices], figure, box), made[box.slices])


def test_without_bare_paper_at_the_edge_all_stays() -> None:
    gray = np.full((*SIZE, 1), 200, np.uint8)
    figure = figure_of(lambda box: gray[box.slices], SIZE, DPI)
    assert figure.share == 1
    assert (cut_out(lambda box: gray[box.slices], figure, Box(0, 0, 50, 60)) == [200, 255]).all()


def test_what_is_missing_and_what_is_faint() -> None:
    codes = np.array([[[255, 204, 230]]], np.uint8)
    assert missing(codes) == pytest.approx(0.2)
    assert missing(codes.astype(np.uint16) * 257) == pytest.approx(0.2)
    assert faintest(np.full((9, 9), 0.5, np.float32)) == faintest(np.zeros((9, 9), np.float32)) == 0.012
    noise = np.abs(np.random.default_rng(0).normal(0.02, 0.004, (200, 200))).astype(np.float32)
    assert faintest(noise) == pytest.approx(0.02 + 4 * 0.004, abs=0.001)


def test_an_edge_hardly_darker_than_the_paper_is_told(page: np.ndarray) -> None:
    assert cut(page)[0].unsure < 0.05
    disc = np.hypot(*(np.indices(SIZE) - np.array([200, 160])[:, None, None])) < 110
    noise = np.random.default_rng(2).normal(0, 0.8, page.shape)
    for depth, unsure in ((3.6, True), (12.0, False)):  # codes of 255; what is faintest is 3
        wash = np.clip(np.rint(255 - depth * disc[..., None] + noise), 0, 255).astype(np.uint8)
        figure = cut(wash)[0]
        assert figure.share > 0.07 and (figure.unsure > 0.5) == unsure
