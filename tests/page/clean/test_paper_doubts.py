"""I check what is doubted of a page's paper: toned paper with chalk on it, margins cut off, dark sheets."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.page.clean.context import desk_of
from stitchbed.page.clean.paper_doubts import margin_words, night_words, pencil_words, white_of
from stitchbed.page.clean.pictures import album_of
from stitchbed.page.page import page_of_array
from stitchbed.page.sheet.frame import framing
from stitchbed.page.sheet.white import PaperSettings
from stitchbed.pipelines.clean import CleanSettings, clean

DPI = 150


def _grain(shape: tuple[int, ...], rng: np.random.Generator) -> np.ndarray:
    grain = cv2.GaussianBlur(rng.standard_normal(shape, dtype=np.float32), (0, 0), 0.7)
    return np.asarray(grain / grain.std(), np.float32)


def _toned(paper: tuple[int, int, int], chalk: int) -> np.ndarray:
    """Soft charcoal and strokes of white chalk on paper of a color."""
    tooth = _grain((620, 480), np.random.default_rng(3))[..., None]
    disc, strokes = np.zeros((620, 480), np.float32), np.zeros((620, 480), np.float32)
    cv2.circle(disc, (200, 250), 110, 0.6, -1)
    tone = cv2.GaussianBlur(disc, (0, 0), 14)[..., None] * np.clip(1 + 0.4 * tooth, 0, 1.6)
    page = np.array(paper, np.float32) * (1 - np.clip(tone, 0, 0.9)) + tooth
    for n in range(chalk):
        cv2.line(strokes, (90 + 40 * n, 420), (130 + 35 * n, 520), 1.0, 9, cv2.LINE_AA)
    page += strokes[..., None] * (245 - page) * np.clip(0.8 + 0.2 * tooth, 0, 1)
    return np.clip(np.rint(page), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("paper", [(205, 222, 240), (188, 188, 186), (200, 168, 128)])
def test_chalk_on_toned_paper_stays_lighter_than_the_paper(tmp_path: Path, paper: tuple[int, int, int]) -> None:
    source, target = tmp_path / "toned.tif", tmp_path / "page.tif"
    tifffile.imwrite(source, _toned(paper, 6), photometric="rgb", resolution=(DPI, DPI), resolutionunit=2)
    told = clean(source, target, CleanSettings(steps=("paper", "dust", "tone"), pictures=False))["warnings"]
    assert sum("lighter than its paper" in warning for warning in told) == 1
    page = tifffile.imread(target).astype(int)
    assert np.abs(page - tifffile.imread(source)).max() <= 6
    tifffile.imwrite(source, _toned(paper, 0), photometric="rgb", resolution=(DPI, DPI), resolutionunit=2)
    told = clean(source, tmp_path / "b.tif", CleanSettings(steps=("paper", "dust", "tone"), pictures=False))["warnings"]
    assert sum("made white" in warning and "--white keep" in warning for warning in told) == 1
    assert np.median(tifffile.imread(tmp_path / "b.tif")[:60]) == 255


def test_a_light_margin_that_is_cut_off_round_a_painting_is_told(tmp_path: Path) -> None:
    source, target = tmp_path / "painted.tif", tmp_path / "page.tif"
    page = np.full((460, 660, 3), (236, 235, 233), np.uint8)
    page = page + np.random.default_rng(1).integers(0, 3, page.shape, np.uint8)
    page[40:-40, 40:-40] = (150, 120, 110)
    page[100:300, 200:500] = (40, 90, 160)
    tifffile.imwrite(source, page, photometric="rgb", resolution=(DPI, DPI), resolutionunit=2)
    record = clean(source, target, CleanSettings(pictures=False))
    assert tifffile.imread(target).shape[0] < 400
    assert sum("--steps paper,dust,tone" in warning for warning in record["warnings"]) == 1
    border = record["numbers"]["steps"][0]["numbers"]
    assert border["cut_mm"]["top"] == pytest.approx(40 * MM_PER_INCH / DPI, abs=0.4)
    assert "top 7" in border["words"]


@pytest.mark.parametrize(
    ("paper", "chalk", "wish", "told"),
    [
        ((246, 245, 242), 0, "found", 0),
        ((205, 222, 240), 0, "found", 1),
        ((205, 222, 240), 5, "keep", 1),
        ((188, 188, 186), 5, "keep", 1),
    ],
)
def test_white_is_kept_off_where_it_would_swallow_chalk(
    tmp_path: Path, paper: tuple[int, int, int], chalk: int, wish: str, told: int
) -> None:
    page = page_of_array(_toned(paper, chalk), DPI)
    corners = np.array([[0, 0], [479, 0], [479, 619], [0, 619]], float)
    with album_of(tmp_path / "a.json", tmp_path / "a.tif", wanted=False) as album:
        desk, plan = desk_of(page, tmp_path / "a.tif", album, 1).on(framing(corners, 0.0, 0, DPI), PaperSettings())
        found, words = white_of(desk, plan)
        assert (found, len(words)) == (wish, told)
        assert not margin_words(desk, plan)  # nothing was cut off
        assert not night_words(desk, plan)


def _under_drawing(color: tuple[int, int, int], *, wash: bool = False) -> np.ndarray:
    """Strokes of one pale color, or one wash of it, below strokes of ink."""
    tooth = _grain((620, 480), np.random.default_rng(4))[..., None]
    page, cover = np.full((620, 480, 3), (246, 245, 242), np.float32) + tooth, np.zeros((620, 480), np.float32)
    for n in range(20):
        cv2.line(cover, (30 + 20 * n, 60), (90 + 17 * n, 520), 1.0, 3, cv2.LINE_AA)
    if wash:
        cv2.circle(cover, (240, 300), 140, 1.0, -1)
    page += cover[..., None] * np.clip(0.65 + 0.3 * tooth, 0, 1) * (np.array(color) - page)
    for n in range(6):
        cv2.line(page, (60 + 60 * n, 90), (420 - 55 * n, 480), (25, 24, 27), 3, cv2.LINE_AA)
    return np.clip(np.rint(page), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    ("color", "wash", "name"),
    [((110, 165, 235), False, "blue"), ((235, 110, 105), False, "red"), ((110, 165, 235), True, ""),
     ((120, 200, 120), False, ""), ((118, 118, 122), False, "")],
)  # fmt: skip
def test_strokes_of_one_pencil_below_ink_are_told_with_the_way_out(
    tmp_path: Path, color: tuple[int, int, int], wash: bool, name: str
) -> None:
    page = page_of_array(_under_drawing(color, wash=wash), DPI)
    corners = np.array([[0, 0], [479, 0], [479, 619], [0, 619]], float)
    with album_of(tmp_path / "a.json", tmp_path / "a.tif", wanted=False) as album:
        desk, plan = desk_of(page, tmp_path / "a.tif", album, 1).on(framing(corners, 0.0, 0, DPI), PaperSettings())
        told = pencil_words(desk, plan)
    assert plan.medium.name != "ink"
    assert [f"--drop {name}" in words for words in told] == ([True] if name else [])


def test_a_light_lid_in_the_corners_of_toned_paper_is_not_its_paper(tmp_path: Path) -> None:
    source, target = tmp_path / "toned.tif", tmp_path / "page.tif"
    lid = np.full((740, 600, 3), 237, np.uint8)
    lid[60:-60, 60:-60] = _toned((176, 178, 160), 5)
    turn = cv2.getRotationMatrix2D((300, 370), 0.9, 1)
    lid = cv2.warpAffine(lid, turn, (600, 740), borderValue=(237, 237, 237))
    tifffile.imwrite(source, lid, photometric="rgb", resolution=(DPI, DPI), resolutionunit=2)
    record = clean(source, target, CleanSettings(pictures=False))
    assert record["numbers"]["steps"][0]["numbers"]["skew_deg"] == pytest.approx(-0.9, abs=0.15)
    page = tifffile.imread(target)
    assert np.abs(np.median(page[:60].astype(int), axis=(0, 1)) - (176, 178, 160)).max() <= 2
