"""I check figures of a photo against their definitions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from flat_photos import even_field, fit_of, photo, plane_of, scaled

from stitchbed.card.detection import SeenCard
from stitchbed.card.patches import PatchReading
from stitchbed.color.cielab import lab_from_xyz
from stitchbed.imaging.box import Box
from stitchbed.imaging.transfer import srgb_decode
from stitchbed.photos.targets.figures import card_sharpness, grades, linear_window, neutral_noise, photo_figures

PHOTOS = [photo(np.random.default_rng(1).integers(0, 256, (300, 400, 3), dtype=np.uint8))]


def reading(light: np.ndarray, spread: float, uneven: float = 0.0) -> PatchReading:
    """Gray patches of that linear light."""
    n = len(light)
    gray = light[:, None].repeat(3, axis=1)
    return PatchReading(
        tuple(f"N{k}" for k in range(n)), gray, np.full((n, 3), spread), np.zeros(n), np.full(n, uneven)
    )


def test_noise_is_the_spread_of_lightness() -> None:
    light = np.array([0.8, 0.4, 0.2, 0.1])
    noise = neutral_noise(reading(light, 0.002))
    # by drawing: noise of each channel its own, lightness by CIE 15 with the lightest patch at L* 95
    weights = np.array([0.2126, 0.7152, 0.0722])
    rng = np.random.default_rng(2)
    white = float(np.interp(95, lab_from_xyz(np.linspace(0, 1, 4001)[:, None] * [0.9642, 1, 0.8249])[:, 0],
                            np.linspace(0, 1, 4001)))  # fmt: skip
    for y, told in zip(light / 0.8 * white, noise, strict=True):
        seen = y + rng.normal(0, 0.002 / 0.8 * white, (40_000, 3)) @ weights
        lightness = lab_from_xyz(seen[:, None] * [0.9642, 1, 0.8249])[:, 0]
        assert told == pytest.approx(lightness.std(), rel=0.03)


def test_patches_that_are_not_good_do_not_count() -> None:
    assert neutral_noise(reading(np.array([0.8, 0.4]), 0.01, uneven=0.5)) == []
    none = np.empty((0, 1))
    assert neutral_noise(PatchReading((), none, none, np.empty(0), np.empty(0))) == []


def test_a_window_is_linear_light() -> None:
    box = Box(10, 20, 30, 40)
    want = srgb_decode(PHOTOS[0].small[box.slices] / 255)
    assert np.allclose(linear_window(PHOTOS[0], box), want, atol=1e-5)


def test_size_and_scale_are_told_where_a_card_is_seen() -> None:
    plane = plane_of(fit_of(PHOTOS, [scaled(4.0)]), (100.0, 75.0), scale_95=0.003)
    assert card_sharpness(PHOTOS[0], plane) is None
    assert photo_figures(PHOTOS[0], plane, None, None) == {}
    assert photo_figures(PHOTOS[0], plane, even_field(0.9), None) == pytest.approx({"unevenness": 100 * 2 * 0.004})
    card = SeenCard("no card of ours", *([np.zeros((0, 2))] * 2), *([0] * (len(SeenCard.__dataclass_fields__) - 3)))
    seen = replace(plane, seen=((card,),))
    figures = photo_figures(PHOTOS[0], seen, None, None)
    assert figures == pytest.approx({"resolution": 101.6, "long_side": 400.0, "scale": 0.3})  # 4 px/mm are 101.6 dpi
    coarser = photo_figures(PHOTOS[0], seen, None, 50.8)
    assert coarser == pytest.approx({"resolution": 50.8, "long_side": 200.0, "scale": 0.3})
    assert photo_figures(PHOTOS[0], seen, None, 600.0)["resolution"] == pytest.approx(101.6)  # no finer than it shows


def test_grades_end_in_the_least_star() -> None:
    told = grades({"color": 1.9, "tone": 6.0, "noise": 0.5}, "prints")  # FADGI 2016: 4, 2 and 4 stars
    stars = {one["figure"]: one["stars"] for one in told["figures"]}
    assert stars["color"] == 4 and told["stars"] == min(stars.values()) == stars["tone"]
    assert told["table"].startswith("FADGI 2016")
    assert grades({}, "prints")["stars"] is None
