"""I check that sheen on a work is told, and that nothing drawn, no margin and no uneven lamp is taken for it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.photos.compositing.sheen import sheen_on

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
    found = sheen_on(drawn(draw) + 0.18 * 0.75 * spot(1.0, 15), DENSITY)
    assert found is not None and found.strength == pytest.approx(0.18, abs=0.05)
    box = found.regions[0]
    assert box["x"] < 200 < box["x"] + box["width"] and box["y"] < 67 < box["y"] + box["height"]
    assert 20 < box["width"] < 60


@pytest.mark.parametrize("draw", range(6))
def test_what_is_drawn_is_no_sheen(draw: int) -> None:
    assert sheen_on(drawn(draw), DENSITY) is None


def test_uneven_lamps_are_no_sheen() -> None:
    """Two to one from side to side, and darker corners."""
    y, x = np.indices(SHAPE) / np.array(SHAPE)[:, None, None] - 0.5
    light = np.exp(-0.7 * x - 0.5 * (x**2 + y**2))[..., None]
    assert sheen_on((drawn(1) * light).astype(np.float32), DENSITY) is None


def test_a_white_sheet_or_margin_is_no_sheen() -> None:
    pasted = drawn(2, tone=0.6)
    pasted[150:300, 300:480] = 0.8
    assert sheen_on(pasted, DENSITY) is None
    framed = np.full((*SHAPE, 3), 0.85, np.float32)
    framed[40:-40, 40:-40] = drawn(3, tone=0.5)[40:-40, 40:-40]
    assert sheen_on(framed, DENSITY) is None


def painted(draw: int, grain: float = 0.01) -> np.ndarray:
    """Flat areas of color, none of them paper."""
    rng = np.random.default_rng(draw)
    areas = rng.uniform(0.03, 0.6, (5, 7, 3)).repeat(120, axis=0).repeat(130, axis=1)[: SHAPE[0], : SHAPE[1]]
    return np.asarray(areas * (1 + grain * rng.standard_normal((*SHAPE, 1))), np.float32)


@pytest.mark.parametrize("draw", range(3))
def test_sheen_is_told_on_colors_and_on_black(draw: int) -> None:
    for work in (painted(draw), np.where(drawn(draw) < 0.3, drawn(draw), np.float32(0.03))):
        assert sheen_on(work, DENSITY) is None
        found = sheen_on(work + 0.1 * spot(1.0, 25), DENSITY)
        assert found is not None
        box = found.regions[0]
        assert box["x"] < 200 < box["x"] + box["width"] and box["y"] < 67 < box["y"] + box["height"]


@pytest.mark.parametrize("draw", range(2))
def test_a_strong_reflection_is_told_on_coarse_paint(draw: int) -> None:
    coarse = np.random.default_rng(20 + draw).standard_normal((60, 90, 1)).astype(np.float32)
    rough = painted(draw) * np.exp(0.06 * cv2.resize(coarse, SHAPE[::-1], interpolation=cv2.INTER_LINEAR))[..., None]
    assert sheen_on(rough, DENSITY) is None
    found = sheen_on(rough + spot(0.3, 25), DENSITY)
    assert found is not None and found.strength > 0.25


def test_a_light_cloud_in_grainy_paint_is_no_sheen() -> None:
    """What is drawn differs from place to place by more than any law of light could tell."""
    coarse = np.random.default_rng(5).standard_normal((60, 90)).astype(np.float32)
    rough = np.exp(0.25 * cv2.resize(coarse, SHAPE[::-1], interpolation=cv2.INTER_CUBIC))[..., None]
    assert sheen_on((0.1 * rough * (1 + spot(1.5, 40))).repeat(3, axis=2), DENSITY) is None


def test_a_colored_glow_is_no_sheen() -> None:
    assert sheen_on(painted(6) + spot(0.15, 25) * np.array([1.0, 0.5, 0.1], np.float32), DENSITY) is None


def test_a_painting_that_is_soft_all_over_tells_nothing() -> None:
    small = np.random.default_rng(4).uniform(0.05, 0.8, (12, 18, 3)).astype(np.float32)
    painted = cv2.resize(small, SHAPE[::-1], interpolation=cv2.INTER_CUBIC).clip(0.03, 0.9)
    assert sheen_on(np.asarray(painted), DENSITY) is None
    assert sheen_on(np.full((*SHAPE, 3), 0.03, np.float32) + 0.02 * spot(1.0, 15), DENSITY) is None


def washed(draw: int, pigment: tuple[float, float, float], parts: int) -> np.ndarray:
    """Soft washes that leave some paper bare."""
    small = np.random.default_rng(draw).standard_normal((parts, parts * 3 // 2)).astype(np.float32)
    depth = np.clip(0.5 + 0.5 * cv2.resize(small, SHAPE[::-1], interpolation=cv2.INTER_CUBIC), 0, 1)[..., None]
    return np.asarray(0.85 * (1 - depth * np.array(pigment, np.float32)), np.float32)


@pytest.mark.parametrize(("draw", "pigment"), [(0, (0.3, 0.3, 0.3)), (1, (0.3, 0.3, 0.3)), (2, (0.25, 0.3, 0.35))])
def test_paper_that_washes_leave_bare_is_no_sheen(draw: int, pigment: tuple[float, float, float]) -> None:
    page = washed(draw, pigment, 8)
    assert sheen_on(page, DENSITY) is None
    assert sheen_on(page + spot(0.5, 18), DENSITY) is not None
