"""I check that another scan is laid over a page exactly, and that nothing is said of it where it cannot be."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from stitchbed.core.arrays import Array, Pixels
from stitchbed.core.errors import BadSettings
from stitchbed.page.clean.other_scan import laid_over, spread_mm
from stitchbed.page.dust.classify import DustSettings
from stitchbed.page.page import page_of_array
from stitchbed.pipelines.clean import CleanSettings, clean

DPI, FINE = 300.0, 4
K = DPI / 25.4
WIDE, HIGH = 70, 55  # mm


def night(seed: int, *, stars: bool = True) -> Array:
    """(h, w) ink, FINE px to the pixel: dots far apart over a ground whose edge has few places like no other."""
    rng = np.random.default_rng(seed)
    ink = np.zeros((round(HIGH * K) * FINE, round(WIDE * K) * FINE), np.float32)
    scale = K * FINE
    for _ in range(110 if stars else 0):
        x, y = rng.uniform((3, 3), (WIDE - 3, 0.8 * HIGH))
        cv2.circle(ink, (round(x * scale), round(y * scale)), round(rng.uniform(0.06, 0.2) * scale), 1.0, -1)
    x = np.linspace(2, WIDE - 2, 80)
    edge = np.stack([x, 0.87 * HIGH + 2 * np.sin(x / 5) + rng.normal(0, 0.2, 80)], axis=1)
    whole = np.concatenate([edge, [(WIDE - 2, HIGH - 2), (2, HIGH - 2)]])
    cv2.fillPoly(ink, [np.rint(whole * scale).astype(np.int32)], 1.0)
    return ink


def scribble() -> Array:
    """(h, w) ink, FINE px to the pixel: strokes in one corner of the page and nothing else."""
    rng, ink = np.random.default_rng(3), np.zeros_like(night(0))
    for _ in range(14):
        line = np.cumsum(np.vstack([rng.uniform((6, 38), (16, 48)), rng.normal(0, 1.4, (6, 2))]), axis=0)
        cv2.polylines(ink, [np.rint(line * K * FINE).astype(np.int32)], False, 1.0, round(0.3 * K * FINE))
    return ink


def scanned(ink: Array, seed: int) -> Pixels:
    """Codes of a scan with grain, FINE px of ink to the pixel."""
    rng = np.random.default_rng(seed)
    light = cv2.resize(0.84 - 0.8 * ink, None, fx=1 / FINE, fy=1 / FINE, interpolation=cv2.INTER_AREA)
    seen = cv2.GaussianBlur(light, (0, 0), 0.6) * (1 + 0.01 * rng.standard_normal(light.shape))
    return np.rint(255 * np.sqrt(np.clip(seen, 0, 1))).astype(np.uint8)


def turned(ink: Array, degrees: float, shift_mm: tuple[float, float]) -> tuple[Array, Array]:
    """The ink as it lies in another scan, and the 3x3 px that lead there."""
    high, wide = ink.shape
    fine = cv2.getRotationMatrix2D((wide / 2, high / 2), degrees, 1.0)
    fine[:, 2] += np.array(shift_mm) * K * FINE
    scale = np.array([[FINE, 0, (FINE - 1) / 2], [0, FINE, (FINE - 1) / 2], [0, 0, 1.0]])
    moved = np.linalg.inv(scale) @ np.vstack([fine, (0, 0, 1)]) @ scale
    return cv2.warpAffine(ink, fine, (wide, high), flags=cv2.INTER_LINEAR), moved


def places() -> Array:
    x, y = np.meshgrid(np.linspace(0, WIDE * K, 8), np.linspace(0, HIGH * K, 6))
    return np.column_stack([x.ravel(), y.ravel()])


def off_mm(found: Array, true: Array) -> Array:
    at = np.column_stack([places(), np.ones(len(places()))]).T
    return np.asarray(np.hypot(*((found - true) @ at)[:2]) / K)


@pytest.mark.parametrize(("seed", "degrees"), [(0, 0.8), (2, 180.3), (6, 0.0763), (21, 0.5622)])
def test_a_field_of_stars_is_laid_over_exactly_all_over_the_page(seed: int, degrees: float) -> None:
    ink = night(seed)
    lying, true = turned(ink, degrees, (0.9, -0.7))
    pages = [page_of_array(scanned(one, 10 * seed + n), DPI) for n, one in enumerate((ink, lying))]
    laid = laid_over(pages[0], pages[1], name="other.tif")
    assert off_mm(laid.other_from_page, true).max() < 0.03
    assert spread_mm(laid, places(), DPI).max() < 0.05


def test_far_from_all_that_is_drawn_the_spread_says_so() -> None:
    ink = scribble()
    lying, true = turned(ink, 0.5, (0.4, 0.3))
    laid = laid_over(*(page_of_array(scanned(one, n), DPI) for n, one in enumerate((ink, lying))), name="other.tif")
    off, spread = off_mm(laid.other_from_page, true), spread_mm(laid, places(), DPI)
    assert spread.max() > 0.1
    assert (off < 4 * spread).all()


def test_marks_stay_where_the_other_scan_cannot_be_laid_over_exactly(tmp_path: Path) -> None:
    ink = scribble()
    lying, _ = turned(ink, 0.5, (0.4, 0.3))
    for x in (20, 40, 60):
        cv2.circle(ink, (round(x * K * FINE), round(6 * K * FINE)), round(0.1 * K * FINE), 1.0, -1)
    for n, (name, one) in enumerate((("page", ink), ("other", lying))):
        tifffile.imwrite(tmp_path / f"{name}.tif", scanned(one, n), resolution=(DPI, DPI), resolutionunit=2)
    settings = CleanSettings(
        steps=("dust",), pictures=False, workers=1, medium="ink", dust=DustSettings(second=tmp_path / "other.tif")
    )
    record = clean(tmp_path / "page.tif", tmp_path / "clean.tif", settings)
    assert any("too little is drawn to lay the other scan over it" in words for words in record["warnings"])
    page, made = (tifffile.imread(tmp_path / f"{name}.tif") for name in ("page", "clean"))
    for x in (20, 40, 60):
        around = np.s_[round(5.5 * K) : round(6.5 * K), round((x - 0.5) * K) : round((x + 0.5) * K)]
        assert page[around].min() < 140
        assert np.abs(made[around].astype(int) - page[around]).max() <= 3


def test_what_is_no_second_sight_is_refused() -> None:
    page = page_of_array(scanned(night(1), 1), DPI)
    with pytest.raises(BadSettings, match=r"other\.tif of 224 dpi as a second sight of a page of 300 dpi"):
        laid_over(page, page_of_array(scanned(night(1), 2), 224.0), name="other.tif")
    blank = page_of_array(scanned(np.zeros_like(night(1)), 2), 225.0)
    with pytest.raises(BadSettings, match=r"other\.tif, which does not show what the page shows"):
        laid_over(page, blank, name="other.tif")
