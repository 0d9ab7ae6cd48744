"""I check that a chart read the wrong way round is known as such, and figures against their definitions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from flat_photos import photo
from synthetic_charts import LIGHTS, shown

from stitchbed.card.patches import PatchReading
from stitchbed.color.cielab import xyz_from_lab
from stitchbed.color.fit import ColorFit, fit_color
from stitchbed.core.errors import BadSettings
from stitchbed.photos.targets.fit_checks import (
    WORST_MEAN,
    color_figures,
    doubt_fit,
    fit_without_strays,
    light_over_chart,
)
from stitchbed.photos.targets.pairing import Paired

NAMES = tuple(f"{row}{column}" for row in "ABCD" for column in range(1, 7))
PHOTO = photo(np.zeros((8, 8, 3), np.uint8), "chart.jpg")
READING = PatchReading((), np.empty((0, 3)), np.empty((0, 3)), np.empty(0), np.empty(0))
MATRIX = np.array([[0.6, 0.3, 0.1], [0.2, 0.7, 0.05], [0.05, 0.2, 0.9]])  # a camera: light from XYZ


def chart() -> tuple[np.ndarray, np.ndarray]:
    """(24, 3) colors, the last row gray, and which are."""
    rng = np.random.default_rng(3)
    lab = np.column_stack([rng.uniform(25, 85, 24), rng.uniform(-45, 45, (24, 2))])
    lab[18:] = np.column_stack([np.linspace(95, 20, 6), np.zeros((6, 2))])
    return lab, np.arange(24) >= 18


def read(order: list[int], *, corners: bool = True) -> Paired:
    """The chart's readings, patch k read where patch order[k] lies."""
    lab, neutral = chart()
    light = (xyz_from_lab(lab) @ MATRIX.T)[order]
    at = np.zeros((4, 2)) if corners else None
    return Paired(NAMES, light, lab, neutral, READING, "my chart", {}, at)


def fitted(pair: Paired) -> ColorFit:
    """The plain fit."""
    return fit_color(pair.light, pair.lab, pair.neutral, "matrix")


GRID = np.arange(24).reshape(4, 6)
WAYS = {
    "upside down": GRID[::-1, ::-1],
    "mirrored": GRID[:, ::-1],
    "mirrored and upside down": GRID[::-1],
}


def seen_under(
    illuminant: str, wrong: dict[str, tuple[float, float, float]] | None = None, curve: float = 0.0
) -> Paired:
    """24 patches of known spectra before a known camera, lines of their reference file `wrong` by so much Lab."""
    seen = shown(illuminant)
    noise = 0.002 * np.random.default_rng(5).standard_normal(seen.light.shape)
    code = np.clip(seen.light * (1 + noise), 0, 1) ** (1 / 2.2)
    lab = seen.lab + np.array([(wrong or {}).get(name, (0.0, 0.0, 0.0)) for name in NAMES])
    light = (code + curve * code * (1 - code) * (2 * code - 1)) ** 2.2
    return Paired(NAMES, light, lab, np.arange(24) >= 18, READING, "card.txt", {})


@pytest.mark.parametrize("curve", [0.0, 0.35])
@pytest.mark.parametrize("illuminant", LIGHTS)
def test_no_patch_is_left_out_of_a_true_reference(illuminant: str, curve: float) -> None:
    pair = seen_under(illuminant, curve=curve)
    assert fit_without_strays(pair)[0] is pair


@pytest.mark.parametrize("illuminant", LIGHTS)
@pytest.mark.parametrize(
    "wrong",
    [{"A1": (-15.0, 0, 0)}, {"D1": (0, 12.0, 0)}, {"D3": (-15.0, 0, 0)}, {"B2": (-15.0, 0, 0), "D6": (0, 12, 0)}],
)
def test_wrong_lines_of_a_reference_are_named_and_left_out(illuminant: str, wrong: dict[str, tuple]) -> None:
    pair, fit = fit_without_strays(seen_under(illuminant, wrong))
    assert set(pair.left_out) == set(wrong)
    assert all("card.txt" in reason for reason in pair.left_out.values())
    assert len(pair.names) == len(fit.lab) == 24 - len(wrong) and not set(pair.names) & set(wrong)
    assert fit.de00.mean() < 1.5


def test_a_contrast_curve_is_found_beside_a_wrong_gray() -> None:
    wrong = seen_under("D65", {"D1": (-15.0, 0, 0)}, curve=0.35)
    assert fit_color(wrong.light, wrong.lab, wrong.neutral).bends is None
    assert fit_without_strays(wrong)[1].bends is not None


def test_the_right_way_round_is_not_doubted() -> None:
    pair = read(list(range(24)))
    assert fitted(pair).de00_held_out.mean() < 0.01
    doubt_fit(fitted(pair), pair, PHOTO)


@pytest.mark.parametrize("way", WAYS)
def test_the_way_it_lies_is_named(way: str) -> None:
    pair = read(WAYS[way].ravel().tolist())
    with pytest.raises(BadSettings, match=rf"the chart in chart\.jpg lies {way}, seen from the corners"):
        doubt_fit(fitted(pair), pair, PHOTO)
    found = replace(pair, corners=None)  # it was found by itself: its corners are not the user's
    with pytest.raises(BadSettings, match="do not fit my chart"):
        doubt_fit(fitted(found), found, PHOTO)


def test_another_chart_is_no_way_round() -> None:
    pair = read(np.random.default_rng(5).permutation(24).tolist())
    left = float(fitted(pair).de00_held_out.mean())
    assert left > WORST_MEAN
    with pytest.raises(BadSettings, match=f"differ by {left:.1f} dE2000"):
        doubt_fit(fitted(pair), pair, PHOTO)


def test_figures_are_of_patches_held_out() -> None:
    pair = read(list(range(24)))
    held = pair.lab.copy()
    held[20] += (-3.0, 0, 0)  # a gray too dark
    held[22] += (0, 1.5, -2.0)  # one with a cast
    fit = replace(fitted(pair), held_out=held, de00_held_out=np.linspace(0, 2, 24))
    figures = color_figures(fit, pair)
    assert figures["color"] == pytest.approx(1.0)
    assert figures["tone"] == pytest.approx(3.0)
    assert figures["white_balance"] == pytest.approx(np.hypot(1.5, 2.0))
    colored = replace(pair, neutral=np.zeros(24, bool))
    assert set(color_figures(fit, colored)) == {"color"}


MIDDLES = np.stack([GRID.ravel() % 6 * 50.0 + 25, GRID.ravel() // 6 * 50.0 + 25], 1)  # px


@pytest.mark.parametrize(("slope", "end"), [((0.12, 0), "left"), ((-0.12, 0.02), "right"), ((0, 0.15), "upper")])
@pytest.mark.parametrize("draw", range(3))
def test_light_that_falls_off_over_the_chart_is_told(slope: tuple[float, float], end: str, draw: int) -> None:
    """Readings of cameras whose colors are a little beside a plain fit, in light that grows along the slope."""
    rng = np.random.default_rng(draw)
    pair = replace(read(list(range(24))), middles=MIDDLES)
    along = (MIDDLES - MIDDLES.mean(0)) / np.abs(MIDDLES - MIDDLES.mean(0)).max()
    light = pair.light * np.exp(along @ slope)[:, None] * rng.normal(1, 0.01, (24, 3))
    found = light_over_chart(replace(pair, light=light))
    assert found is not None and found[1] == end
    assert found[0] == pytest.approx(1 - np.exp(-np.ptp(along @ slope)), abs=0.05)


@pytest.mark.parametrize("draw", range(6))
def test_an_evenly_lit_chart_is_not_blamed(draw: int) -> None:
    rng = np.random.default_rng(draw)
    pair = replace(read(list(range(24))), middles=MIDDLES)
    light = pair.light * rng.normal(1, 0.02, (24, 3))
    assert light_over_chart(replace(pair, light=light)) is None
    assert light_over_chart(pair) is None
    assert light_over_chart(replace(pair, middles=None)) is None
