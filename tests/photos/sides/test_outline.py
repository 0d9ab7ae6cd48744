"""I check that a work is told from patterned tables, and that nothing is sure where the two look alike."""

from __future__ import annotations

from collections.abc import Mapping

import cv2
import numpy as np
import pytest

from stitchbed.photos.sides.lines import SIDES, Line, corners_of
from stitchbed.photos.sides.nested import margin_round
from stitchbed.photos.sides.outline import LEAST_FILLED, find_outline, outline_at_rim, outline_of_unbroken
from stitchbed.photos.sides.table import strangeness, unbroken

SHAPE = (400, 560)
WORK = (slice(100, 310), slice(120, 440))  # rows, columns


def planks(rng: np.random.Generator) -> np.ndarray:
    """Boards with streaks, of differing tones, dark joints between them."""
    table = np.empty((*SHAPE, 3))
    for top in range(0, SHAPE[0], 60):
        streaks = cv2.GaussianBlur(rng.standard_normal((60, SHAPE[1])), (0, 0), sigmaX=40, sigmaY=1) * 120
        table[top : top + 60] = np.array([150, 105, 70]) * rng.uniform(0.85, 1.15) + streaks[: SHAPE[0] - top, :, None]
        table[top : top + 3] = 40
    return table


def checks(rng: np.random.Generator) -> np.ndarray:
    """A checked cloth of three tones."""
    rows, columns = np.indices(SHAPE) // 34 % 2
    return np.repeat((160 - 45 * rows - 45 * columns)[..., None], 3, axis=2) + rng.normal(0, 4, (*SHAPE, 3))


def painted(rng: np.random.Generator, *, margin: int) -> np.ndarray:
    """Bands and blocks with long straight edges, in a white margin."""
    height, width = (part.stop - part.start for part in WORK)
    work = np.full((height, width, 3), 235.0)
    inner = work[margin : height - margin, margin : width - margin]
    for left in range(0, inner.shape[1], 70):
        inner[:, left : left + 70] = rng.uniform(20, 230, 3)
    inner[inner.shape[0] // 2 :] *= 0.6
    return work + rng.normal(0, 3, work.shape)


def laid(table: np.ndarray, work: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """The work on the table under light that falls to a half: picture, and where it surely shows table."""
    scene = table.copy()
    scene[WORK] = work
    light = np.linspace(1, 0.73, SHAPE[1])[None, :, None]  # stored values: 2:1 in light
    picture = cv2.GaussianBlur(scene * light + rng.normal(0, 1, scene.shape), (0, 0), 0.8)
    sure = np.ones(SHAPE, bool)
    sure[40:-40, 40:-40] = False
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8), sure


@pytest.mark.parametrize("margin", [0, 18])
@pytest.mark.parametrize("kind", [planks, checks], ids=["planks", "checks"])
def test_the_outermost_sides_are_found_on_a_pattern(kind: object, margin: int) -> None:
    rng = np.random.default_rng(margin)
    picture, sure = laid(kind(rng), painted(rng, margin=margin), rng)  # type: ignore[operator]
    outline = find_outline(picture, np.zeros(SHAPE, bool), sure, tilt=0.2)
    assert outline is not None and outline.clear
    true = [(120, 100), (440, 100), (440, 310), (120, 310)]
    assert np.abs(corners_of(outline.lines) + 0.5 - true).max() < 2.5


def test_a_work_beside_an_end_of_the_view_is_found_by_the_table_elsewhere() -> None:
    """White paper reaches the strip that else counts as table, all along one of its sides."""
    shape = (240, 320)
    rng = np.random.default_rng(7)
    picture = np.full((*shape, 3), (150.0, 120, 90)) + rng.normal(0, 3, (*shape, 3))
    picture[30:205, 10:200] = 235
    picture = np.clip(np.rint(cv2.GaussianBlur(picture, (0, 0), 0.8)), 0, 255).astype(np.uint8)
    nothing, sure = np.zeros(shape, bool), np.ones(shape, bool)
    sure[25:-25, 25:-25] = False
    told = find_outline(picture, nothing, sure, tilt=0.2)
    assert told is None or not told.clear
    outline = outline_at_rim(picture, nothing, sure, tilt=0.2)
    assert outline is not None and outline.clear and outline.at_rim
    assert np.abs(corners_of(outline.lines) + 0.5 - [(10, 30), (200, 30), (200, 205), (10, 205)]).max() < 2


def test_a_ruler_along_a_side_is_left_out_and_told() -> None:
    """It lies against most of the lower side; beside its ends the table is seen."""
    shape = (240, 320)
    rng = np.random.default_rng(8)
    picture = np.full((*shape, 3), (150.0, 120, 90)) + rng.normal(0, 3, (*shape, 3))
    picture[50:170, 70:260] = rng.uniform(190, 240, (6, 10, 3)).repeat(20, axis=0).repeat(19, axis=1)
    with_ruler = picture.copy()
    with_ruler[171:188, 88:240] = 60
    nothing, sure = np.zeros(shape, bool), np.ones(shape, bool)
    sure[25:-25, 25:-25] = False
    for drawn, told in ((picture, False), (with_ruler, True)):
        soft = np.clip(np.rint(cv2.GaussianBlur(drawn, (0, 0), 0.8)), 0, 255).astype(np.uint8)
        outline = find_outline(soft, nothing, sure, tilt=0.2)
        assert outline is not None and outline.beside == told
        assert np.abs(corners_of(outline.lines) + 0.5 - [(70, 50), (260, 50), (260, 170), (70, 170)]).max() < 2


def test_a_work_like_the_table_is_not_sure() -> None:
    rng = np.random.default_rng(3)
    table = checks(rng)
    work = table[: WORK[0].stop - WORK[0].start, : WORK[1].stop - WORK[1].start] + 3
    picture, sure = laid(table, work, rng)
    outline = find_outline(picture, np.zeros(SHAPE, bool), sure, tilt=0.2)
    assert outline is None or not outline.clear


def test_paper_as_pale_as_the_light_checks_it_lies_on_is_found_by_what_no_check_breaks() -> None:
    """Patches of bare paper are patches of light checks; edges run along every row of checks."""
    rng = np.random.default_rng(4)
    cloth = checks(rng)
    paper = np.full((WORK[0].stop - WORK[0].start, WORK[1].stop - WORK[1].start, 3), 160.0)
    for _ in range(25):
        a, b = rng.uniform((30, 30), (290, 180), (2, 2)).astype(int)
        cv2.line(paper, tuple(map(int, a)), tuple(map(int, a + (b - a) // 4)), (60, 60, 60), 2, cv2.LINE_AA)
    around = cv2.getRotationMatrix2D((280.0, 205.0), 4.6, 1.0)
    turned = cv2.warpAffine(cloth, around, SHAPE[::-1], borderMode=cv2.BORDER_REFLECT)
    picture, sure = laid(turned, paper + rng.normal(0, 4, paper.shape), rng)
    nothing = np.zeros(SHAPE, bool)
    first = find_outline(picture, nothing, sure, tilt=0.2)
    assert first is None or not first.clear
    outline = outline_of_unbroken(picture, nothing, sure, tilt=0.2)
    assert outline is not None and outline.filled >= LEAST_FILLED
    true = np.array([[119.5, 99.5], [439.5, 99.5], [439.5, 309.5], [119.5, 309.5]])
    assert np.abs(corners_of(outline.lines) - true).max() < 3


def test_a_table_without_a_pattern_breaks_nothing() -> None:
    rng = np.random.default_rng(6)
    picture, sure = laid(np.full((*SHAPE, 3), 130.0), painted(rng, margin=18), rng)
    assert unbroken(picture, sure, np.zeros(SHAPE, bool)) is None
    assert outline_of_unbroken(picture, np.zeros(SHAPE, bool), sure, tilt=0.2) is None


def test_strangeness_is_low_on_the_table_and_high_on_the_work() -> None:
    rng = np.random.default_rng(4)
    picture, sure = laid(planks(rng), painted(rng, margin=0), rng)
    strange = strangeness(picture, sure)
    assert strange is not None
    work = np.zeros(SHAPE, bool)
    work[WORK] = True
    near = cv2.dilate(work.astype(np.uint8), np.ones((15, 15), np.uint8)) > 0
    assert strange[work].mean() > 0.9 and strange[~near].mean() < 0.1


def test_without_a_sure_table_nothing_is_told() -> None:
    assert strangeness(np.full((*SHAPE, 3), 128, np.uint8), np.zeros(SHAPE, bool)) is None


def test_a_picture_in_its_margin_is_told_as_another_rectangle() -> None:
    rng = np.random.default_rng(6)
    picture, sure = laid(planks(rng), painted(rng, margin=18), rng)
    outline = find_outline(picture, np.zeros(SHAPE, bool), sure, tilt=0.2)
    assert outline is not None and outline.inner is not None
    inner = [(138, 118), (422, 118), (422, 292), (138, 292)]
    assert np.abs(corners_of(outline.inner) + 0.5 - inner).max() < 3


def test_a_work_whose_half_counts_as_table_where_it_reaches_the_rim_is_found_whole_and_doubted() -> None:
    rng = np.random.default_rng(8)
    work = np.full((210, 320, 3), (225.0, 228, 232))
    work[100:] = (60, 110, 150)
    picture, sure = laid(planks(rng), work + rng.normal(0, 3, work.shape), rng)
    sure[205:310, 120:160] = True
    outline = find_outline(picture, np.zeros(SHAPE, bool), sure, tilt=0.2)
    assert outline is not None and outline.at_rim and over_card(outline.lines) > 0
    beside = find_outline(picture, np.zeros(SHAPE, bool), sure, tilt=0.2, over=over_card)
    assert beside is not None and not beside.at_rim and over_card(beside.lines) == 0
    true = [(120, 100), (440, 100), (440, 310), (120, 310)]
    assert np.abs(corners_of(outline.lines) + 0.5 - true).max() < 4


def over_card(lines: Mapping[str, Line]) -> float:
    """How far a rectangle reaches over a card that lies beside the lower part of the same work."""
    return max(cv2.pointPolygonTest((corners_of(lines) + 0.5).astype(np.float32), (150, 290), True) - 5, 0.0)


def test_the_margin_round_a_picture_is_found_in_a_photo_taken_askew() -> None:
    rng = np.random.default_rng(7)
    picture, _ = laid(planks(rng), painted(rng, margin=40), rng)
    outer = np.float32([(120, 100), (440, 100), (440, 310), (120, 310)])
    there = np.float32([(105, 85), (450, 95), (425, 318), (140, 305)])
    way = cv2.getPerspectiveTransform(outer, there)
    askew = cv2.warpPerspective(picture, way, SHAPE[::-1], borderMode=cv2.BORDER_REFLECT)
    nothing = np.zeros(SHAPE, bool)
    inner = cv2.perspectiveTransform(np.float32([[(160, 140), (400, 140), (400, 270), (160, 270)]]), way)[0]
    sides = {
        name: Line(float(angle), float(inner[[k, (k + 1) % 4]].mean(0) @ (np.cos(angle), np.sin(angle))))
        for k, (name, angle) in enumerate((name, _normal(*inner[[k, (k + 1) % 4]])) for k, name in enumerate(SIDES))
    }
    assert np.abs(corners_of(sides) - inner).max() < 1
    round_it = margin_round(askew, nothing, sides)
    assert round_it is not None and np.abs(corners_of(round_it) + 0.5 - there).max() < 3
    assert margin_round(askew, nothing, round_it) is None  # no margin round the margin


def _normal(a: np.ndarray, b: np.ndarray) -> float:
    """Angle of the normal of the line through two points, of the half circle that `Line` uses."""
    angle = float(np.arctan2(b[0] - a[0], a[1] - b[1]))
    return (angle + np.pi / 4) % np.pi - np.pi / 4
