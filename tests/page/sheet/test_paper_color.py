"""I check which papers are told to have a color, and what on a page counts as lighter than its paper."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.color import rgb2lab

from stitchbed.page.sheet.paper_color import color_of, lighter_share, tint_of

CORNERS = np.array([[0, 0], [199, 0], [199, 149], [0, 149]], float)


def _light(codes: tuple[int, ...]) -> np.ndarray:
    share = np.array(codes, float) / 255
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4).astype(np.float32)


@pytest.mark.parametrize(
    ("codes", "name"),
    [
        ((244, 244, 242), ""),
        ((238, 241, 250), ""),  # paper with brighteners
        ((222, 230, 240), ""),  # a bluish one
        ((248, 240, 220), ""),  # cream
        ((214, 208, 198), "light gray"),  # newsprint, scanned dark
        ((205, 222, 240), "light blue"),  # a pale blue frame round a picture
        ((208, 228, 200), "light green"),
        ((188, 188, 186), "light gray"),
        ((168, 182, 198), "blue"),
        ((200, 168, 128), "beige"),
    ],
)
def test_paper_that_is_not_white_to_the_eye_is_named(codes: tuple[int, ...], name: str) -> None:
    assert color_of(_light(codes)) == name
    # scikit-image's CIELAB is under D65: another white, so its bounds are not quite ours
    lab = rgb2lab(np.array(codes, np.uint8)[None, None])[0, 0]
    chroma = np.hypot(*lab[1:])
    assert (lab[0] < 85 or chroma > 7) if name else (lab[0] > 85 and chroma < 13)


@pytest.mark.parametrize(
    ("codes", "words"),
    [
        ((245, 245, 244), "nearly white"),
        ((226, 236, 246), "nearly white, a little blue"),  # a frame so pale looks like paper with brighteners
        ((250, 246, 236), "nearly white, a little yellow"),
        ((205, 222, 240), "light blue"),
    ],
)
def test_the_tint_of_any_paper_is_said(codes: tuple[int, ...], words: str) -> None:
    assert tint_of(_light(codes)) == words


@pytest.mark.parametrize(("level", "size", "share"), [(1.2, 20, 400), (1.2, 2, 0), (1.04, 20, 0), (0.8, 20, 0)])
def test_only_what_is_clearly_lighter_and_a_millimeter_wide_counts(level: float, size: int, share: int) -> None:
    paper = np.full((150, 200, 3), 0.5, np.float32)
    view = paper.copy()
    view[40 : 40 + size, 60 : 60 + size] *= level
    view[:, :3] = 1.0  # the lid beside the sheet
    inside = (200 - 8) * (150 - 8)
    assert lighter_share(view, paper, CORNERS) == pytest.approx(share / inside, rel=0.05)
