"""I check the small pictures of a proof page: their size, their colors, and that both sides show one frame."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import numpy as np
import pytest
from picture_files import rgb_profile
from PIL import Image
from scipy import ndimage

from stitchbed.report import previews
from stitchbed.report.before_after import GAP
from stitchbed.report.blocks import Shown
from stitchbed.report.previews import both_sides, preview, size_of, step_picture
from stitchbed.report.tiles import NOTHING


def smooth(height: int, width: int, seed: int = 1) -> np.ndarray:
    """(height, width, 3) soft blots."""
    noise = np.random.default_rng(seed).normal(0, 1, (height, width, 3))
    return np.rint(128 + 400 * ndimage.gaussian_filter(noise, (6, 6, 0))).clip(0, 255).astype(np.uint8)


def saved(path: Path, pixels: np.ndarray) -> Path:
    """As PNG in sRGB."""
    Image.fromarray(pixels).save(path, icc_profile=rgb_profile())
    return path


def codes(shown: Shown) -> np.ndarray:
    """What the JPEG shows."""
    picture = np.asarray(Image.open(io.BytesIO(shown.data))).astype(int)
    assert picture.shape == (shown.height, shown.width, 3)
    return picture


@pytest.fixture(autouse=True)
def small_pages(monkeypatch: pytest.MonkeyPatch) -> None:
    """A page 100 px wide serves."""
    monkeypatch.setattr(previews, "VIEW_PX", 100)


def test_a_preview_is_the_whole_picture_small(tmp_path: Path) -> None:
    pixels = smooth(240, 300)
    path = saved(tmp_path / "a.png", pixels)
    assert size_of(path) == (300, 240)
    shown = preview(path, "words")
    assert (shown.width, shown.height) == (100, 80)
    want = cv2.resize(pixels, (100, 80), interpolation=cv2.INTER_AREA)
    assert np.abs(codes(shown) - want).mean() < 2  # of JPEG


def test_gray_and_small_pictures_stay_whole(tmp_path: Path) -> None:
    path = tmp_path / "gray.png"
    Image.fromarray(smooth(40, 60)[..., 0]).save(path)
    shown = codes(preview(path, ""))
    assert shown.shape == (40, 60, 3) and np.abs(shown[..., 0] - shown[..., 2]).max() <= 2


def test_both_sides_show_one_frame(tmp_path: Path) -> None:
    """The result is the source's part between four corners; both sides must look alike then."""
    source = smooth(300, 400)
    corners = np.array([[60.0, 40], [330, 70], [350, 250], [40, 230]])
    size = (240, 180)
    ends = np.array([(0, 0), (239, 0), (239, 179), (0, 179)], np.float32)
    result = cv2.warpPerspective(source, cv2.getPerspectiveTransform(corners.astype(np.float32), ends), size)
    paths = saved(tmp_path / "source.png", source), saved(tmp_path / "result.png", result)
    before, after = both_sides(paths[0], corners.tolist(), paths[1])
    assert before.width == after.width == 120 and before.height == after.height == 90
    assert np.abs(codes(before) - codes(after)).mean() < 3
    assert before.words == "before: source.png, framed as the result" and after.words == "after: result.png"


def test_beyond_the_source_nothing_is_shown(tmp_path: Path) -> None:
    paths = saved(tmp_path / "source.png", smooth(100, 100)), saved(tmp_path / "result.png", smooth(100, 100))
    before, _ = both_sides(paths[0], [[50, 0], [149, 0], [149, 99], [50, 99]], paths[1])
    assert np.abs(codes(before)[5:95, 60:95] - NOTHING).max() < 12


def test_a_step_s_picture_is_parted_at_its_gap(tmp_path: Path) -> None:
    left, right = smooth(60, 80, 1), smooth(60, 80, 2)
    gap = np.full((60, GAP, 3), NOTHING, np.uint8)
    path = saved(tmp_path / "paper.png", np.hstack([left, gap, right]))
    one, two = step_picture(path, "paper", parted=True)
    assert (one.words, two.words) == ("paper: before", "paper: after")
    assert np.abs(codes(one) - left).mean() < 2 and np.abs(codes(two) - right).mean() < 2
    assert len(step_picture(path, "paper", parted=False)) == 1
    unlike = saved(tmp_path / "border.png", np.hstack([left, right, gap]))
    (whole,) = step_picture(unlike, "border", parted=True)
    assert whole.words == "border: before and after" and whole.width == 160 + GAP
