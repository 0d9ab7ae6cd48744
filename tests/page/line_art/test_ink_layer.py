"""I check that lines come back over white, show no fringe over color, and carry no paper."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from ink_pages import INK, PAPER, drawing, seen
from PIL import ImageCms

from stitchbed.cli.commands.lines import command
from stitchbed.color.convert import from_srgb, hex_color, to_srgb
from stitchbed.color.profiles import srgb_profile
from stitchbed.core.errors import BadSettings
from stitchbed.page.line_art.ink_layer import InkSettings, lifted, lifting_of, over
from stitchbed.pipelines.lines import LinesSettings, lift_lines
from stitchbed.pipelines.texts.lines import summary as lines_summary

DPI = 300


def _page(dtype: str = "uint8", *, white: bool = True) -> np.ndarray:
    """(h, w, 1) codes of a drawn page, cleaned (paper at the top code) or as scanned."""
    sheet = drawing(DPI, np.random.default_rng(7))
    light = cv2.GaussianBlur(PAPER + (INK - PAPER) * sheet.ink, (0, 0), 0.6)
    if not white:
        return seen(light, DPI, np.random.default_rng(3), dtype=dtype)[..., None]
    share = np.clip((light - INK) / (PAPER - INK), 0, 1)
    return np.rint(share ** (1 / 2.2) * np.iinfo(dtype).max).astype(dtype)[..., None]


def _over_white(layer: np.ndarray) -> np.ndarray:
    return over(layer, np.full((*layer.shape[:2], layer.shape[2] - 1), np.iinfo(layer.dtype).max, layer.dtype))


@settings(max_examples=60, deadline=None)
@given(hnp.arrays(np.uint8, (4, 5, 3)), st.sampled_from(["ink", "pencil"]))
def test_any_page_comes_back_over_white(codes: np.ndarray, medium: str) -> None:
    """The task's own bound is 1 code of 8 bits; whatever the colors."""
    lifting = lifting_of([codes], InkSettings("own", medium), None)
    layer = lifted(codes, lifting)
    wanted = np.minimum(np.rint(codes / lifting.white), 255)
    assert np.abs(_over_white(layer).astype(int) - wanted).max() <= 1


@pytest.mark.parametrize("medium", ["ink", "pencil"])
@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
def test_a_clean_page_comes_back(dtype: str, medium: str) -> None:
    page = np.repeat(_page(dtype), 3, axis=2)
    layer = lifted(page, lifting_of([page], InkSettings("own", medium), None))
    steps = np.iinfo(dtype).max // 255  # one code of 8 bits
    assert np.abs(_over_white(layer).astype(int) - page).max() <= steps


def test_alpha_is_made_of_stored_codes() -> None:
    """Black ink of code 128: alpha 127/255. Made from light it would be .784 and blend to 55."""
    ramp = np.arange(256, dtype=np.uint8).reshape(1, -1, 1)
    white = np.full((1, 5000, 1), 255, np.uint8)
    layer = lifted(ramp, lifting_of([ramp, white], InkSettings("black"), None))
    assert layer[0, 128, -1] == 127
    assert np.array_equal(layer[..., -1].ravel(), 255 - np.arange(256))


def test_least_alpha_and_color_of_a_mixed_pixel() -> None:
    # v = (.40, .20, .15): a = 1 - min = .85, C = (v - .15) / .85 = (.2941, .0588, 0)
    codes = np.array([[[102, 51, 38]], [[255, 255, 255]]], np.uint8)
    codes = np.concatenate([codes, np.full((200, 1, 3), 255, np.uint8)])
    layer = lifted(codes, lifting_of([codes], InkSettings("own", "pencil"), None))[0, 0]
    assert layer[-1] == 217
    assert np.allclose(layer[:3] / 255, (0.2941, 0.0588, 0), atol=0.003)


@pytest.mark.parametrize("flat", [(18, 92, 165), (200, 30, 40), (10, 120, 40), (90, 10, 110)])
def test_no_light_fringe_over_color(flat: tuple[int, int, int]) -> None:
    """Black lines over a saturated color: no pixel is lighter than the color, not by one code in any channel."""
    page = np.repeat(_page(), 3, axis=2)
    layer = lifted(page, lifting_of([page], InkSettings(), None))
    below = np.broadcast_to(np.array(flat, np.uint8), page.shape)
    assert (over(layer, below) <= below).all()


def test_ink_is_opaque_and_pencil_is_tone() -> None:
    page = _page()
    # a page whose darkest is a gray of 60, as of pencil
    pale = (60 + page.astype(float) * 195 / 255).astype(np.uint8)
    ink = lifted(pale, lifting_of([pale], InkSettings("own", "ink"), None))
    pencil = lifted(pale, lifting_of([pale], InkSettings("own", "pencil"), None))
    solid = pale[..., 0] == pale.min()
    assert (ink[solid][:, 1] == 255).mean() > 0.99
    assert (pencil[solid][:, 1] == 195).all()
    assert (pencil[..., 0][pencil[..., 1] > 0] == 0).all()


def _noisy() -> np.ndarray:
    """A clean page whose solid black is noisy, as scans are: codes of 0 to some 12."""
    page = _page().astype(float)
    noise = np.abs(np.random.default_rng(2).normal(0, 4, page.shape))
    return np.rint(np.clip(page + noise * (page < 60), 0, 255)).astype(np.uint8)


@pytest.mark.parametrize("ink", ["own", "black", "#1f3a93"])
def test_solid_strokes_are_opaque_and_even(ink: str) -> None:
    page = np.repeat(_noisy(), 3, axis=2)
    lifting = lifting_of([page], InkSettings(ink, "ink"), srgb_profile())
    layer = lifted(page, lifting)
    core = cv2.erode((page[..., 0] < 30).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    assert core.sum() > 3000
    assert (layer[core][:, -1] == 255).mean() > 0.97
    assert (layer[core][:, :-1].std(axis=0) < 1).all()
    # the noise stays in pencil, and edges stay in ink: over white they come back
    pencil = lifted(page, lifting_of([page], InkSettings(ink, "pencil"), srgb_profile()))
    assert not np.array_equal(layer, pencil)
    if ink != "#1f3a93":
        rim = (page[..., 0] > 40) & (page[..., 0] < 250)
        assert np.abs(_over_white(layer).astype(int) - page)[rim].max() <= 1


def test_paper_is_not_in_the_layer() -> None:
    scan = _page(white=False)
    layer = lifted(scan, lifting_of([scan], InkSettings(), None))
    sheet = drawing(DPI, np.random.default_rng(7))
    bare = cv2.dilate(sheet.ink, np.ones((9, 9), np.uint8)) == 0
    # 3.5 sds of the grain are cut: 1 pixel in 4000 stays
    assert (layer[bare][:, -1] == 0).mean() > 0.999
    thin = sheet.ink > 0.8
    assert (layer[thin][:, -1] > 80).mean() > 0.99


def test_cream_paper_leaves_no_film_in_the_layer() -> None:
    """Its blue is far from white where its red is near: each channel has its own paper."""
    cream = np.random.default_rng(5).normal((246, 238, 214), 1.5, (200, 200, 3)).clip(0, 255)
    cream[90:110, 20:180] = (30, 28, 26)
    codes = cream.astype(np.uint8)
    layer = lifted(codes, lifting_of([codes], InkSettings(), None))
    bare = np.ones(codes.shape[:2], bool)
    bare[90:110, 20:180] = False
    assert (layer[bare][:, -1] == 0).mean() > 0.99
    assert (layer[95:105, 25:175, -1] == 255).all()


def test_a_wash_over_most_of_a_page_is_not_taken_for_its_paper() -> None:
    page = np.full((200, 200, 3), (250, 246, 236), np.uint8)
    page[:, 60:] = (250, 230, 110)  # clear yellow, hardly darker than paper to the eye
    layer = lifted(page, lifting_of([page], InkSettings("own", "paint"), None))
    assert (layer[:, 60:, -1] > 60).all()


def test_a_page_that_is_nearly_all_ink_is_told(tmp_path: Path) -> None:
    """As scanned with a black lid round it: not white enough anywhere to know its paper."""
    page = np.full((400, 400, 3), 8, np.uint8)
    page[60:340, 60:340] = 242
    page[60:62, 60:340] = 255
    source = tmp_path / "page.tif"
    tifffile.imwrite(source, page, photometric="rgb", resolution=(300, 300), resolutionunit=2)
    told = lift_lines(source, tmp_path / "lines.tif", LinesSettings(pictures=False))["warnings"]
    assert any("of the page counts as ink" in line for line in told)


def test_white_paper_among_pale_washes_is_white_already() -> None:
    """A third of the page bare and white, the rest washes nearly as light: nothing may be lightened once more."""
    codes = np.full((90, 90, 3), 255, np.uint8)
    codes[30:] = np.random.default_rng(1).integers(232, 247, (60, 90, 1), dtype=np.uint8)
    codes[40:50, 10:80] = 20
    assert lifting_of([codes], InkSettings(), None).pure
    grainy = np.random.default_rng(1).normal(250, 2, codes.shape).clip(0, 255).astype(np.uint8)
    assert lifting_of([grainy], InkSettings(), None).white.max() < 1


@pytest.mark.parametrize("medium", ["pencil", "paint"])
def test_soft_tones_on_white_paper_are_not_cut_off(medium: str) -> None:
    rng = np.random.default_rng(3)
    page = np.full((120, 120, 1), 255, np.uint8)
    page[:, 30:] = rng.integers(248, 254, (120, 90, 1))
    assert lifting_of([page], InkSettings("own", medium), None).pure


def test_black_is_within_half_a_code_of_the_mean_of_the_channels() -> None:
    rng = np.random.default_rng(4)
    page = rng.integers(200, 240, (60, 60, 3)).astype(np.uint8)
    page[:20] = 255
    lifting = lifting_of([page], InkSettings("black", "paint"), srgb_profile())
    assert lifting.pure
    assert np.abs(255.0 - lifted(page, lifting)[..., -1] - page.mean(axis=2)).max() <= 0.5 + 1e-4


def test_gray_becomes_rgb_with_a_color(tmp_path: Path) -> None:
    gray = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    source, target = tmp_path / "page.tif", tmp_path / "lines.tif"
    tifffile.imwrite(source, _page("uint16")[..., 0], photometric="minisblack", resolution=(DPI, DPI), resolutionunit=2)
    record = lift_lines(source, target, LinesSettings(ink="#1f3a93"))
    text = lines_summary(record, target)
    with tifffile.TiffFile(target) as file:
        page = file.pages[0]
        layer = page.asarray()
        assert page.iccprofile == srgb_profile()
        assert page.tags[282].value == (DPI, 1)
        assert page.tags[338].value in (2, (2,))  # TIFF 6.0: ExtraSamples 2 is straight alpha
    assert layer.shape[2] == 4
    assert (layer[..., :3] == np.array([0x1F, 0x3A, 0x93]) * 257).all()
    assert record["numbers"]["channels"] == 3
    assert len(gray) > 0
    assert "lines.tif" in text
    assert (tmp_path / "lines_over_color.png").is_file()


def test_colors_go_through_profiles() -> None:
    assert hex_color("#1F3a93") == (31, 58, 147)
    assert from_srgb((31, 58, 147), srgb_profile(), "uint8").tolist() == [31, 58, 147]
    ramp = np.arange(256, dtype=np.uint8).reshape(16, 16, 1).repeat(3, axis=2)
    assert np.abs(to_srgb(ramp, srgb_profile()).astype(int) - ramp).max() <= 1
    with pytest.raises(BadSettings):
        hex_color("blue")
    with pytest.raises(BadSettings):
        lifting_of([ramp], InkSettings(medium="chalk"), None)


def test_command_writes_the_layer(tmp_path: Path) -> None:
    source, target = tmp_path / "page.tif", tmp_path / "lines.tif"
    tifffile.imwrite(source, _page(), photometric="minisblack", resolution=(DPI, DPI), resolutionunit=2)
    result = CliRunner().invoke(command, [str(source), "-o", str(target), "--no-pictures"], catch_exceptions=False)
    assert "within 0" in result.output
    layer = tifffile.imread(target)
    assert layer.shape[2] == 2
    assert np.abs(_over_white(layer).astype(int) - _page()).max() <= 1
