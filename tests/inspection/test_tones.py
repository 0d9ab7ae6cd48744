"""I check that tones of two views are held against each other whatever curve each was exposed by."""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.core.arrays import Floats
from stitchbed.inspection.patches import Overlay
from stitchbed.inspection.tones import MANY, TONE, WHITE, exposed_alike, some, tone_free


def _painted() -> Floats:
    """(240, 320) broad tones from dark to light, with grain."""
    rng = np.random.default_rng(5)
    steps = np.repeat(np.linspace(20, 235, 16), 20)
    return np.asarray(steps[None] + rng.normal(0, 2, (240, 320)), np.float32)


@pytest.mark.parametrize(("gain", "exponent"), [(1.0, 1.2), (1.04, 0.85), (0.9, 1.0)])
def test_one_gain_and_exponent_bring_tones_together(gain: float, exponent: float) -> None:
    view = _painted()
    other = np.asarray(gain * (view + TONE) ** exponent * 240 ** (1 - exponent) - TONE, np.float32)
    laid = exposed_alike(Overlay(view, other, np.ones(view.shape, bool)))
    assert np.abs(laid.b - view)[laid.both].mean() < 0.5 < np.abs(other - view).mean()


def test_where_either_is_cut_off_nothing_is_held_against_the_other() -> None:
    view = _painted()
    other = np.minimum(1.15 * view, 255).astype(np.float32)
    laid = exposed_alike(Overlay(view, other, np.ones(view.shape, bool)))
    assert not laid.both[other >= WHITE].any() and laid.both[other < WHITE - 10].all()


def test_views_of_one_tone_keep_theirs() -> None:
    rng = np.random.default_rng(6)
    view, other = (np.asarray(230 + rng.normal(0, 1, (60, 60)), np.float32) for _ in range(2))
    assert np.array_equal(exposed_alike(Overlay(view, other, np.ones(view.shape, bool))).b, other)
    none = exposed_alike(Overlay(view, other, np.zeros(view.shape, bool)))
    assert np.array_equal(none.b, other) and not none.both.any()


def test_what_goes_with_tone_is_taken_out_and_what_does_not_stays() -> None:
    tone = np.asarray(np.log(_painted() + TONE), np.float32) * 2
    band = np.where(np.arange(240) % 40 < 8, 0.03, 0.0).astype(np.float32)[:, None]
    left = tone_free(np.asarray(band + 0.1 * tone, np.float32), tone, np.ones(tone.shape, bool))
    shown = left[:8].mean() - left[10:38].mean()
    assert shown == pytest.approx(0.03, abs=0.002) and np.abs(np.median(left, axis=0)).max() < 0.02


def test_bands_on_bare_paper_are_no_tones_of_their_own() -> None:
    rng = np.random.default_rng(9)
    band = 0.015 * np.sin(np.arange(240) * 2 * np.pi / 27)[:, None]
    logs = [np.log(228.0) + rng.normal(0, 0.005, (240, 140)) + shift for shift in (band, 0.0)]
    for log in logs:
        log[60:90, 30:110] -= 1.2  # a few letters
    apart, tone = (np.asarray(part, np.float32) for part in (logs[0] - logs[1], logs[0] + logs[1]))
    left = tone_free(apart, tone, np.ones(apart.shape, bool)).mean(1)
    assert float(left @ band[:, 0]) == pytest.approx(float(band[:, 0] @ band[:, 0]), rel=0.1)


def test_few_of_many_values_tell_the_median() -> None:
    values = np.random.default_rng(7).normal(10, 1, 7 * MANY).astype(np.float32)
    assert len(some(values)) <= MANY and np.median(some(values)) == pytest.approx(np.median(values), abs=0.02)
    assert some(values[:9]).size == 9
