"""I check that a camera's contrast curve is found by the chart and undone, and none found where there is none."""

from __future__ import annotations

import numpy as np
import pytest
from synthetic_charts import LIGHTS, shown

from stitchbed.color.cielab import de00, lab_from_xyz
from stitchbed.color.fit import fit_color, xyz_of
from stitchbed.color.tone import CLEARLY_BENT, bend_slopes, bending, plausible, straightened
from stitchbed.imaging.transfer import srgb_decode, srgb_encode

NEUTRAL = np.arange(24) >= 18


def curved(light: np.ndarray, contrast: float) -> np.ndarray:
    """What a camera stores that darkens shadows and lightens lights, as the profile says it were linear."""
    value = srgb_encode(np.clip(light, 0, 1))
    return srgb_decode(np.clip(value + contrast * value * (1 - value) * (2 * value - 1), 0, 1))


@pytest.mark.parametrize("illuminant", LIGHTS)
def test_a_contrast_curve_is_undone(illuminant: str) -> None:
    """Held-out difference near that of the same chart without a curve: promised 1.2 in daylight."""
    seen = shown(illuminant)
    plain = fit_color(seen.light, seen.lab, NEUTRAL)
    bent = fit_color(curved(seen.light, 0.35), seen.lab, NEUTRAL)
    assert bent.bends is not None and bending(bent.bends) > CLEARLY_BENT
    assert bent.de00_held_out.mean() < max(1.0, 1.3 * plain.de00_held_out.mean())


def test_colors_that_are_not_on_the_chart_come_right_as_well() -> None:
    seen = shown("D65")
    fit = fit_color(curved(seen.light, 0.35), seen.lab, NEUTRAL)
    mixed = seen.light[:18].reshape(9, 2, 3).mean(axis=1)
    straight = fit_color(seen.light, seen.lab, NEUTRAL)
    true = lab_from_xyz(xyz_of(straight.kind, straight.coefficients, mixed, straight.bends))
    found = lab_from_xyz(xyz_of(fit.kind, fit.coefficients, curved(mixed, 0.35), fit.bends))
    assert de00(found, true).mean() < 0.5


def test_no_curve_is_found_where_there_is_none() -> None:
    seen = shown("D65")
    assert fit_color(seen.light, seen.lab, NEUTRAL).bends is None


def test_a_curve_keeps_black_and_white_and_rises() -> None:
    bends = np.array([[0.4, -0.9, 0.1]] * 3)
    ends = np.array([[0.0, 0, 0], [1, 1, 1]])
    assert straightened(ends, bends) == pytest.approx(ends)
    steps = straightened(np.linspace(0, 1.2, 200)[:, None] * np.ones(3), bends)
    assert plausible(bends) and np.all(np.diff(steps, axis=0) > 0)
    assert not plausible(np.array([[5.0, -12, 0]] * 3))


def test_slopes_are_those_of_small_steps() -> None:
    """How light changes with the bends: black and white stay where they are."""
    light = np.random.default_rng(3).uniform(0, 1.2, (40, 3))
    bends = np.array([[0.2, -0.3, 0.1], [0.1, 0.0, -0.2], [-0.1, 0.4, 0.3]])
    found = bend_slopes(light, bends)
    for number, step in enumerate(1e-6 * np.eye(3)):
        stepped = (straightened(light, bends + step) - straightened(light, bends - step)) / 2e-6
        assert found[..., number] == pytest.approx(stepped, abs=1e-8)
    assert not bend_slopes(np.array([[0.0, 1.0, 1.1]]), bends).any()
