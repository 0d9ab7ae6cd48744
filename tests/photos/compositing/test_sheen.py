"""I check that sheen on paper is told, and that nothing drawn, no margin and no uneven lamp is taken for it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.photos.compositing.sheen import sheen_on_paper

DENSITY = 3.0  # px/mm
SHAPE = (600, 900)


def drawn(draw: int, tone: float = 0.75) -> np.ndarray:
    """Strokes and two gray washes on paper."""
    rng = np.random.default_rng(draw)
    page = np.full(SHAPE, tone, np.float32)
    for _ in range(60):
        ends = (rng.uniform(0.05, 0.95, (2, 2)) * SHAPE[::-1]).astype(int)
        cv2.line(page, ends[0].tolist(), ends[1].tolist(), 0.05, int(rng.integers(1, 6)), cv2.LINE_AA)
    for _ in range(2):
        middle = (rng.uniform(0.2, 0.8, 2) * SHAPE[::-1]).astype(int)
        cv2.circle(page, middle.tolist(), int(rng.integers(30, 90)), 0.4 * tone, -1, cv2.LINE_AA)
    page *= 1 + 0.02 * rng.standard_normal(SHAPE).astype(np.float32)
    return page[..., None].repeat(3, axis=2)


def spot(strength: float, sigma_mm: float) -> np.ndarray:
    y, x = np.indices(SHAPE)
    away = np.hypot(x - 600, y - 200) / DENSITY
    return np.asarray(strength * np.exp(-(away**2) / (2 * sigma_mm**2)), np.float32)[..., None]


@pytest.mark.parametrize("draw", range(6))
def test_a_lamp_s_reflection_of_18_percent_is_told(draw: int) -> None:
    found = sheen_on_paper(drawn(draw) + 0.18 * 0.75 * spot(1.0, 15), DENSITY)
    assert found is not None and found.strength == pytest.approx(0.18, abs=0.05)
    box = found.regions[0]
    assert box["x"] < 200 < box["x"] + box["width"] and box["y"] < 67 < box["y"] + box["height"]
    assert 20 < box["width"] < 60


@pytest.mark.parametrize("draw", range(6))
def test_what_is_drawn_is_no_sheen(draw: int) -> None:
    assert sheen_on_paper(drawn(draw), DENSITY) is None


def test_uneven_lamps_are_no_sheen() -> None:
    """Two to one from side to side, and darker corners."""
    y, x = np.indices(SHAPE) / np.array(SHAPE)[:, None, None] - 0.5
    light = np.exp(-0.7 * x - 0.5 * (x**2 + y**2))[..., None]
    assert sheen_on_paper((drawn(1) * light).astype(np.float32), DENSITY) is None


def test_a_white_sheet_or_margin_is_no_sheen() -> None:
    pasted = drawn(2, tone=0.6)
    pasted[150:300, 300:480] = 0.8
    assert sheen_on_paper(pasted, DENSITY) is None
    framed = np.full((*SHAPE, 3), 0.85, np.float32)
    framed[40:-40, 40:-40] = drawn(3, tone=0.5)[40:-40, 40:-40]
    assert sheen_on_paper(framed, DENSITY) is None


def test_a_painting_without_a_paper_tone_tells_nothing() -> None:
    small = np.random.default_rng(4).uniform(0.05, 0.8, (12, 18, 3)).astype(np.float32)
    painted = cv2.resize(small, SHAPE[::-1], interpolation=cv2.INTER_CUBIC).clip(0.03, 0.9)
    assert sheen_on_paper(np.asarray(painted), DENSITY) is None
    assert sheen_on_paper(np.full((*SHAPE, 3), 0.03, np.float32) + 0.02 * spot(1.0, 15), DENSITY) is None
