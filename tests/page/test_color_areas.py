"""Tests of a painting's areas of color: near their true borders, few, alike at any strip, in the page's own codes."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.imaging.box import Box
from stitchbed.page.color_areas import COLORS, OWN, color_areas
from stitchbed.page.page import page_of_array

COLORED = np.array([(255, 255, 255), (90, 150, 90), (200, 90, 60), (250, 232, 214)], np.uint8)


def _truth(scale: int) -> np.ndarray:
    """A hill, a roof that lies in it, and a pale cloud, 300 x 400 cells times `scale`."""
    truth = np.zeros((300 * scale, 400 * scale), np.uint8)
    cv2.ellipse(truth, (200 * scale, 260 * scale), (170 * scale, 120 * scale), 0, 0, 360, 1, -1)
    cv2.rectangle(truth, (150 * scale, 180 * scale), (230 * scale, 240 * scale), 2, -1)
    cv2.ellipse(truth, (110 * scale, 60 * scale), (70 * scale, 30 * scale), 0, 0, 360, 3, -1)
    return truth


@pytest.mark.parametrize(("dpi", "scale", "dtype"), [(100.0, 1, "uint8"), (300.0, 3, "uint16")])
def test_areas_lie_where_they_were_painted(dpi: float, scale: int, dtype: str) -> None:
    truth = _truth(scale)
    rng = np.random.default_rng(1)
    seen = np.clip(COLORED[truth] + rng.normal(0, 5, truth.shape)[..., None] * (truth > 0)[..., None], 0, 255)
    page = page_of_array(seen.astype(dtype) * (257 if dtype == "uint16" else 1), dpi)
    flats = color_areas(page)
    whole = flats.read(flats.box)
    assert whole.dtype == np.dtype(dtype) and whole.shape == (*truth.shape, 3)
    assert np.array_equal(whole[40:90, 30:200], flats.read(Box(40, 30, 50, 170)))
    for number in range(4):
        codes, counts = np.unique(whole[truth == number].reshape(-1, 3), axis=0, return_counts=True)
        assert counts.max() > 0.97 * counts.sum()
        mean = codes[counts.argmax()] / (257 if dtype == "uint16" else 1)
        assert np.abs(mean - COLORED[number]).max() <= 3


def test_a_picture_of_all_colors_gives_few_areas() -> None:
    """Hue across, lightness down: no two painters would agree on its areas; there are few all the same."""
    hue = np.linspace(0, 179, 400).astype(np.uint8)
    value = np.linspace(60, 255, 300).astype(np.uint8)
    sheet = np.stack([*np.meshgrid(hue, np.full(300, 180, np.uint8)), np.repeat(value[:, None], 400, 1)], axis=2)
    flats = color_areas(page_of_array(cv2.cvtColor(sheet, cv2.COLOR_HSV2RGB), 100.0))
    assert len(np.unique(flats.read(flats.box).reshape(-1, 3), axis=0)) <= COLORS + OWN + 1


def test_gray_and_bare_pages_are_no_trouble() -> None:
    bare = color_areas(page_of_array(np.full((60, 80), 255, np.uint8), 100.0))
    assert (bare.read(bare.box) == 255).all()
    gray = np.full((200, 200), 255, np.uint8)
    gray[50:150, 50:150] = 120
    assert color_areas(page_of_array(gray, 100.0)).read(Box(100, 100, 1, 1)).tolist() == [[[120, 120, 120]]]
