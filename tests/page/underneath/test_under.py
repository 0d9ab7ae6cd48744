"""I check what is taken off from under ink, and how paper is looked at between lines, by pages whose light is known.

Ink covers a share a of a pixel: light = (1 - a) s + a k, with s what lies below and k the ink's own; over bare paper it
is (1 - a) + a k. Every number here comes of that.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stitchbed.core.arrays import Floats
from stitchbed.imaging.box import Box
from stitchbed.page.ink import InkTraits
from stitchbed.page.page import luminance, page_of_array
from stitchbed.page.sheet.white import White
from stitchbed.page.underneath.cells import Cells, bridged, cells_of
from stitchbed.page.underneath.found import ink_spread, solid_ink
from stitchbed.page.underneath.pencil import Pencil, left_by, ratio
from stitchbed.page.underneath.stains import stains_of
from stitchbed.page.underneath.under import DEEP, DEEP_AT_RIM, Under, bared, deep_at_rim, steadied, without

INK = np.array([0.04, 0.05, 0.06], np.float32)
# takes most of red, least of blue: density .5 and .2 for each 1 of q
PENCIL = Pencil((0, 1, 2), np.array([0.5, 0.0]), np.array([0.2, 0.0]), -1.5, 0.0, np.ones(3), 1000)
BOX = Box(0, 0, 40, 40)


def covered(below: Floats, share: float) -> Floats:
    """(40, 40, 3) light of ink over a `share` of each pixel of what lies below."""
    return np.broadcast_to((1 - share) * below + share * INK, (40, 40, 3)).astype(np.float32)


def field(values: list[float]) -> Floats:
    """A map of one cell of 100 px, the same everywhere."""
    return np.array(values, np.float32).reshape(1, 1, -1)


@pytest.mark.parametrize("share", [0.0, 0.3, 0.7, 0.96])
def test_a_stain_goes_and_ink_over_it_stays(share: float) -> None:
    stain = np.array([0.95, 0.85, 0.6], np.float32)
    under = Under(INK, 0, 0, 100, stains=field(stain.tolist()))
    assert np.allclose(bared(covered(stain, share), under, BOX), covered(np.ones(3, np.float32), share), atol=2e-6)


def test_solid_ink_is_left_alone() -> None:
    under = Under(INK, 0, 0, 100, stains=field([0.95, 0.85, 0.6]))
    assert np.array_equal(bared(covered(np.ones(3, np.float32), 1.0), under, BOX), covered(np.ones(3, np.float32), 1.0))
    # half of what is deep: half of the correction, as a power: (.0125 / left ** .5)
    light = INK + np.float32(0.0125) * (1 - INK)
    left = (np.array([0.95, 0.85, 0.6]) - INK) / (1 - INK)
    wanted = INK + 0.0125 / np.sqrt(left) * (1 - INK)
    found = bared(np.broadcast_to(light, (40, 40, 3)).astype(np.float32), under, BOX)
    assert np.allclose(found, wanted, atol=1e-5)


def test_the_rim_of_even_ink_shows_the_pencil_and_the_middle_stays() -> None:
    under = Under(INK, 0, 0, 100, pencils=(PENCIL,), present=field([1.0]), at_rim=deep_at_rim(0.001))
    light, wanted = covered(shaded(-0.8), 0.988), covered(np.ones(3, np.float32), 0.988)
    light[:, 21:], wanted[:, 21:] = shaded(-0.8), 1.0
    rim = bared(light, under, BOX)[20, 20]
    assert np.allclose(rim, wanted[20, 20], atol=2e-3)
    assert np.abs(bared(light, replace(under, at_rim=DEEP), BOX)[20, 20] - wanted[20, 20]).max() > 2.5e-3
    before, after = (bared(light, replace(under, at_rim=depth), BOX)[:, :8] for depth in (DEEP, DEEP_AT_RIM))
    assert np.array_equal(before, after)


def test_uneven_ink_has_no_rim_of_its_own() -> None:
    rng = np.random.default_rng(4)
    for sd, wanted in ((0.0005, DEEP_AT_RIM), (0.008, DEEP)):
        light = INK + np.float32(sd) * rng.standard_normal((60, 60, 1), dtype=np.float32)
        traits = InkTraits(float(luminance(INK[None, None])[0, 0]), True, 0.8, 0.01, 0.0, 0.01)
        assert deep_at_rim(ink_spread(solid_ink([light], traits), INK)) == pytest.approx(wanted)


def test_nothing_under_changes_nothing() -> None:
    light = np.random.default_rng(1).uniform(0.04, 1, (40, 40, 3)).astype(np.float32)
    assert np.allclose(bared(light, Under(INK, 0, 0, 100), BOX), light, atol=1e-6)
    nowhere = Under(INK, 0, 0, 100, pencils=(PENCIL,), present=field([0.0]))
    assert np.allclose(bared(light, nowhere, BOX), light, atol=1e-6)


def shaded(q: float) -> Floats:
    """(3,) light of pencil as firm as `q` on bare paper: the share of the way from ink to paper that it leaves."""
    return np.asarray(INK + left_by(PENCIL, np.array([q], np.float32))[0] * (1 - INK), np.float32)


@pytest.mark.parametrize("q", [-0.3, -0.8, -1.4])
@pytest.mark.parametrize("share", [0.0, 0.4])
def test_pencil_goes_and_ink_over_it_stays(q: float, share: float) -> None:
    under = Under(INK, 0, 0, 100, pencils=(PENCIL,), present=field([1.0]))
    found = bared(covered(shaded(q), share), under, BOX)
    assert np.allclose(found, covered(np.ones(3, np.float32), share), atol=4e-3)


def test_pencil_goes_as_far_as_it_is_said_to_be_there() -> None:
    light = covered(shaded(-0.8), 0.2)
    half = Under(INK, 0, 0, 100, pencils=(PENCIL,), present=field([0.5]))
    wanted = 0.5 * light + 0.5 * bared(light, replace(half, present=field([1.0])), BOX)
    assert np.allclose(bared(light, half, BOX), wanted, atol=1e-5)


def test_another_color_is_no_pencil() -> None:
    under = Under(INK, 0, 0, 100, pencils=(PENCIL,), present=field([1.0]))
    for color in ((0.4, 0.2, 0.9), (0.3, 0.9, 0.9), (0.9, 0.8, 0.3)):
        light = covered(np.array(color, np.float32), 0.0)
        assert np.allclose(bared(light, under, BOX), light, atol=2e-3)


def test_a_pixel_that_strays_a_little_is_still_pencil() -> None:
    left = left_by(PENCIL, np.array([-0.8], np.float32))[0]
    for astray, like in ((0.045, 0.94), (0.09, 0.37), (0.12, 0.04)):  # of light, .09 being much: exp(-(.5, 1, 4/3)^4)
        share = np.broadcast_to(left + left[2] * np.array([0, astray, 0], np.float32), (40, 40, 3)).astype(np.float32)
        found = without(share, Under(INK, 0, 0, 100, pencils=(PENCIL,)))
        assert np.allclose((found - share)[..., 2] / (1 - share[..., 2]), like, atol=0.04)


def test_of_two_pencils_the_one_that_explains_a_pixel_goes() -> None:
    red = Pencil((2, 1, 0), np.array([0.8, 0.0]), np.array([0.1, 0.0]), -1.5, 150.0, np.ones(3), 1000)
    share = np.broadcast_to(left_by(red, np.array([-0.9], np.float32))[0], (40, 40, 3)).astype(np.float32)
    one = Under(INK, 0, 0, 100, pencils=(PENCIL,))
    assert np.allclose(without(share, one), share, atol=2e-3)
    for pencils in ((PENCIL, red), (red, PENCIL)):
        assert np.allclose(without(share, replace(one, pencils=pencils)), 1, atol=4e-3)


def test_what_is_left_as_faint_as_noise_goes_to_paper_and_a_stroke_stays() -> None:
    under = Under(INK, 0, 0, 100, pencils=(PENCIL,), present=field([1.0]))
    share = np.full((40, 40, 3), 0.95, np.float32)  # a twentieth of ink, nothing darker near
    assert np.allclose(without(share, under), 1, atol=1e-4)
    share[:, 20] = 0.3
    found = without(share, under)
    assert np.allclose(found[:, 20], 0.3, atol=2e-2)
    assert np.allclose(found[:, 18], 0.95, atol=1e-2)  # beside a stroke it may be the stroke's own
    assert np.allclose(found[:, :10], 1, atol=1e-4)
    deep = np.full((40, 40, 3), 0.88, np.float32)
    assert np.allclose(without(deep, under), deep, atol=2e-3)
    assert np.allclose(without(deep, replace(under, noise=0.035)), 1, atol=2e-3)  # of a page as noisy as that


def page_and_white(pixels: np.ndarray, dpi: float = 300.0) -> tuple:
    """A page of 8 bits, and a white of half the light everywhere."""
    grid = np.full((1, 1, 3), 0.5, np.float32)
    white = White(grid, 0, 0, 1000, np.ones((1, 1), bool), grid[0, 0], grid)
    return page_of_array(pixels, dpi), white


def linear_code(code: int) -> float:
    """Light of a code of sRGB (IEC 61966-2-1:1999)."""
    value = code / 255
    return value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4


def test_cells_show_the_mean_light_of_bare_paper() -> None:
    pixels = np.full((10, 12, 3), 150, np.uint8)
    pixels[:, 6:] = (160, 150, 140)
    pixels[4:6, 2:4] = (120, 150, 180)
    page, white = page_and_white(pixels)
    cells = cells_of(page, white, Box(0, 0, 10, 12), INK, (PENCIL,))
    assert cells.cell == 2  # .2 mm at 300 dpi are 2.4 px
    assert cells.light.shape == (5, 6, 3) and cells.q.shape == (5, 6, 1)
    assert (cells.row, cells.col) == (0, 0) and np.all(cells.weight == 1)
    plain = [linear_code(code) / 0.5 for code in (150, 160, 140, 120, 180)]
    assert np.allclose(cells.light[0, 0], plain[0], atol=1e-4)
    assert np.allclose(cells.light[3, 5], [plain[1], plain[0], plain[2]], atol=1e-4)
    assert np.allclose(cells.light[2, 1], [plain[3], plain[0], plain[4]], atol=1e-4)
    share = (np.array([plain[3], plain[4]]) - INK[[0, 2]]) / (1 - INK[[0, 2]])
    assert np.isclose(cells.q[2, 1, 0], np.log(share[0] / share[1]), atol=1e-3)
    assert np.isclose(cells.q[0, 0, 0], np.log((plain[0] - 0.04) / 0.96 / ((plain[0] - 0.06) / 0.94)), atol=1e-3)


def test_ink_and_its_rim_are_left_out() -> None:
    pixels = np.full((20, 20, 3), 180, np.uint8)
    pixels[:, 10] = 20
    page, white = page_and_white(pixels)
    cells = cells_of(page, white, Box(0, 0, 20, 20), INK)
    assert cells.q.shape == (10, 10, 0)
    # .06 mm are 1 px, which goes to each side with the line
    assert cells.weight[4].tolist() == [1, 1, 1, 1, 0.5, 0, 1, 1, 1, 1]
    seen = cells.weight > 0
    assert np.allclose(cells.light[seen], linear_code(180) / 0.5, atol=1e-4)
    assert np.all(cells.light[~seen] == 0)


def test_a_part_of_a_page_is_looked_at_as_in_the_whole() -> None:
    pixels = np.random.default_rng(2).integers(120, 200, (40, 40, 3)).astype(np.uint8)
    page, white = page_and_white(pixels)
    whole = cells_of(page, white, Box(0, 0, 40, 40), INK, (PENCIL,))
    part = cells_of(page, white, Box(10, 6, 20, 24), INK, (PENCIL,), workers=2)
    assert (part.row, part.col, part.cell) == (10, 6, 2)
    for name in ("light", "weight", "q"):
        assert np.allclose(getattr(part, name), getattr(whole, name)[5:15, 3:15], atol=1e-6)
    fine = cells_of(page_of_array(np.kron(pixels, np.ones((2, 2, 1), np.uint8)), 600), white, Box(0, 0, 80, 80), INK)
    assert fine.cell == 4 and np.allclose(fine.light, whole.light, atol=1e-4)


def test_values_are_carried_on_where_nothing_was_seen() -> None:
    values = np.zeros((40, 40, 2), np.float32)
    values[:, :10] = (0.8, 0.2)
    weight = np.zeros((40, 40), np.float32)
    weight[:, :10] = 1
    assert np.allclose(bridged(values, weight, 1.0), (0.8, 0.2), atol=1e-4)
    weight[:] = 1
    smooth = bridged(values, weight, 1.0)
    assert np.allclose(smooth[:, :6], (0.8, 0.2), atol=5e-3) and np.allclose(smooth[:, 14:30], 0, atol=5e-3)
    assert np.isclose(smooth[20, 9, 0] + smooth[20, 10, 0], 0.8, atol=1e-2)  # a step becomes a slope about its middle
    one = bridged(values[..., :1], weight, 1.0)
    assert one.shape == (40, 40, 1) and np.allclose(one[..., 0], smooth[..., 0], atol=1e-6)


def seen(color: tuple[float, float, float]) -> Cells:
    """Cells of one color."""
    light = np.broadcast_to(np.array(color, np.float32), (6, 6, 3)).copy()
    return Cells(light, np.ones((6, 6), np.float32), np.zeros((6, 6, 0), np.float32), 0, 0, 2)


def test_a_warm_tone_is_a_stain_up_to_its_strength() -> None:
    left, strongest = stains_of(seen((0.97, 0.95, 0.85)), 0.2)
    assert np.allclose(left, (0.97, 0.95, 0.85), atol=1e-5)
    assert np.isclose(strongest, (0.03 + 0.05 + 0.15) / 3, atol=1e-5)
    left, strongest = stains_of(seen((0.97, 0.95, 0.85)), strongest / 2)
    assert np.allclose(left, (0.985, 0.975, 0.925), atol=1e-5)


@pytest.mark.parametrize(
    ("color", "share"),
    [
        ((1.0, 1.0, 1.0), 0.0),
        ((0.9, 0.9, 0.9), 0.0),  # gray
        ((0.85, 0.95, 0.97), 0.0),  # cold
        ((0.99, 0.9, 0.9), 0.0),  # red: green lacks as much as blue
        ((0.9, 0.95, 0.85), 0.0),  # red lacks more than green by more than .01
        ((0.945, 0.95, 0.85), 1.0),
        ((0.98, 0.98, 0.974), 0.0),  # blue lacks .006 more than red
        ((0.98, 0.98, 0.969), 0.5),  # .011: half of the way from there to .016
        ((0.98, 0.98, 0.964), 1.0),
        ((0.95, 0.875, 0.85), 0.0),  # green lacks .833 of what blue does
        ((0.95, 0.8875, 0.85), 0.5),  # .75: half of the way from .8 to .7
        ((0.95, 0.895, 0.85), 1.0),
    ],
)
def test_what_is_a_stain(color: tuple[float, float, float], share: float) -> None:
    left, _ = stains_of(seen(color), 1.0)
    assert np.allclose(1 - left, share * (1 - np.array(color)), atol=2e-4)


def test_the_strongest_place_counts_and_the_darkest_is_bounded() -> None:
    cells = seen((1.0, 1.0, 1.0))
    cells.light[3:, :] = (0.9, 0.8, 0.01)
    left, strongest = stains_of(cells, 1.0)
    assert np.allclose(left[5, 3], (0.9, 0.8, 0.05), atol=1e-2)
    assert np.isclose(strongest, (0.1 + 0.2 + 0.95) / 3, atol=1e-2)
    assert np.allclose(left[0, 3], 1, atol=2e-2)


def test_pixels_tell_of_pencil_that_the_map_cannot_see_between_lines() -> None:
    light = covered(shaded(-0.6), 0.5)
    unseen = Under(INK, 0, 0, 100, pencils=(PENCIL,), present=field([0.0]), near=field([1.0]))
    assert np.allclose(bared(light, unseen, BOX), covered(np.ones(3, np.float32), 0.5), atol=0.004)
    far = replace(unseen, near=field([0.0]))
    assert np.array_equal(bared(light, far, BOX), bared(light, replace(far, pencils=()), BOX))
    gray = covered(np.full(3, 0.7, np.float32), 0.5)
    assert np.allclose(bared(gray, unseen, BOX), gray, atol=1e-5)


def test_a_ratio_is_steadied_as_far_as_its_noise_asks() -> None:
    """Noise of .01 of the light is .014 of the ratio on paper, less than its tooth, and .1 in ink nearly full."""
    rng = np.random.default_rng(5)
    tooth = rng.normal(-0.5, 0.15, (40, 40)).astype(np.float32)
    under = Under(INK, 0, 0, 100, pencils=(PENCIL,), present=field([1.0]), tint=0.01)
    for share, least, most in ((0.0, 0.9, 1.0), (0.99, 0.0, 0.75)):
        light = (1 - share) * left_by(PENCIL, tooth)
        noisy = light + rng.normal(0, 0.01, light.shape).astype(np.float32) * np.sqrt(light)
        found, variance = steadied(noisy, PENCIL, under)
        own = ratio(noisy, PENCIL)
        follows = np.corrcoef((found - tooth).ravel(), (own - tooth).ravel())[0, 1]
        assert least < follows < most
        assert np.sqrt(np.mean((found - tooth) ** 2)) < 1.02 * np.sqrt(np.mean((own - tooth) ** 2))
        assert np.median(variance) > 0
