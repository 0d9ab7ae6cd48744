"""I check black and white point, that thin strokes stay, and that stairs are measured as stairs."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from ink_pages import INK, PAPER, Sheet, blank, drawing, seen, stroke

from stitchbed.core.errors import BadSettings
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.page.ink import InkTraits, traits_of
from stitchbed.page.page import linear, luminance, page_of_array
from stitchbed.page.sheet.tone import ToneSettings, cut, jaggedness, lightness, luminance_of, points, toned

TRAITS = InkTraits(0.04, True, 0.8, 0.01, 0.0, 0.012, 0.002)


def _relative(sheet: Sheet, dpi: int) -> np.ndarray:
    light = cv2.GaussianBlur(
        PAPER + (INK - PAPER) * sheet.ink, (0, 0), float(np.hypot(0.022 / MM_PER_INCH * dpi, 0.35))
    )
    page = page_of_array(seen(light, dpi, np.random.default_rng(5)), dpi)
    return linear(page, page.box) / np.float32(PAPER)


def test_lightness_follows_the_standard() -> None:
    # CIE 15:2004: Y .18418652 is L* 50; below (6/29)^3 it is a straight line of slope 903.3
    assert lightness(0.18418652) == pytest.approx(50, abs=1e-4)
    assert lightness(0.001) == pytest.approx(0.9033, abs=1e-3)
    assert [luminance_of(lightness(y)) for y in (0.001, 0.02, 0.5, 1.0)] == pytest.approx([0.001, 0.02, 0.5, 1.0])


@pytest.mark.parametrize("dpi", [300, 600])
def test_black_point_is_the_inks(dpi: int) -> None:
    sheet = drawing(dpi, np.random.default_rng(7))
    relative = _relative(sheet, dpi)
    traits = traits_of([luminance(relative)], dpi / MM_PER_INCH)
    at = points(ToneSettings(), traits, PAPER)
    # the task's own bound
    assert abs(lightness(at.black * PAPER) - lightness(INK)) < 2
    assert abs(traits.black * PAPER - INK) < 0.003
    light = toned(relative, at)
    bare = cv2.dilate(sheet.ink, np.ones((9, 9), np.uint8)) == 0
    # paper goes white with its grain: 3.5 sds leave 1 in 4000
    assert (light[bare] == 1).mean() > 0.999


@pytest.mark.parametrize("edges", ["soft", "crisp", "hard"])
@pytest.mark.parametrize("dpi", [300, 600])
def test_no_thin_stroke_is_lost(dpi: int, edges: str) -> None:
    """Strokes of .05, .08 and .1 mm: all along its length each stays at least half as dark as it was."""
    sheet = blank(30, 20, dpi)
    widths = (0.05, 0.08, 0.1)
    for n, width in enumerate(widths):
        stroke(sheet, [(3, 4 + 5 * n), (27, 5 + 5 * n)], width)
    relative = _relative(sheet, dpi)
    light = cut(toned(relative, points(ToneSettings(), TRAITS, PAPER)), edges, dpi)
    k = dpi / MM_PER_INCH
    for n in range(len(widths)):
        columns = np.arange(int(4 * k), int(26 * k))
        middle = np.rint((4 + 5 * n + (columns / k - 3) / 24) * k).astype(int)
        rows = middle[:, None] + np.arange(-2, 3)
        before = 1 - relative[rows, columns[:, None], 0].min(axis=1)
        after = 1 - light[rows, columns[:, None], 0].min(axis=1)
        assert (after >= 0.5 * before).mean() > 0.995


def test_stairs_are_measured() -> None:
    """Hard edges of slanted lines lie up to half a pixel off: 1/sqrt(12) = .289 px; crisp ones show less than half."""
    relative = _relative(drawing(600, np.random.default_rng(7)), 600)
    soft = toned(relative, points(ToneSettings(), TRAITS, PAPER))
    ink = 1 - luminance(soft)
    found = {edges: jaggedness(ink, 1 - luminance(cut(soft, edges, 600))) for edges in ("soft", "crisp", "hard")}
    assert found["soft"] == 0
    assert 0.22 < found["hard"] < 0.36
    assert found["crisp"] < 0.6 * found["hard"]
    assert set(np.unique(cut(soft, "hard", 600))) == {0, 1}


def test_points_given_and_kept() -> None:
    at = points(ToneSettings(white=90, black="10"), TRAITS, PAPER)
    assert at.white * PAPER == pytest.approx(luminance_of(90))
    assert at.black * PAPER == pytest.approx(luminance_of(10))
    kept = points(ToneSettings(white="keep", black="keep"), TRAITS, PAPER)
    relative = np.linspace(0, 1 / PAPER, 50, dtype=np.float32).reshape(5, 10, 1)
    assert np.allclose(toned(relative, kept), relative * PAPER, atol=1e-6)
    lighter = toned(relative, points(ToneSettings(white="keep", black="keep", gamma=2), TRAITS, PAPER))
    assert np.allclose(lighter, np.sqrt(relative * PAPER), atol=1e-6)


@pytest.mark.parametrize("wrong", [{"white": "bright"}, {"black": 95, "white": 90}, {"edges": "fuzzy"}, {"gamma": 0}])
def test_nonsense_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(BadSettings):
        points(ToneSettings(**wrong), TRAITS, PAPER)  # type: ignore[arg-type]
