"""I check what no piece has seen: its share and width by geometry, its words, and the paper's color under it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from stitchbed.mosaic.compositing.plan import Plan
from stitchbed.mosaic.compositing.seams import SeamMap
from stitchbed.mosaic.photometry.gain_compensation import Level, no_gain
from stitchbed.mosaic.photometry.overlap_samples import Small
from stitchbed.mosaic.registration.canvas import Canvas
from stitchbed.mosaic.registration.placement import Placement
from stitchbed.mosaic.result.uncovered import MISSING_MM, UNEVEN, paper_color, settled_outside, unseen
from stitchbed.mosaic.survey.survey import Survey
from stitchbed.reading.base.tile import Raster, Tile

DPI, CELL = 254.0, 20  # 10 px a mm: a cell is two mm
SIZE = (1000, 600)  # px of the canvas


def place(name: str, row: int, col: int, size: tuple[int, int]) -> Placement:
    """A piece lying straight on the canvas."""
    return Placement(name, size, np.array([[1, 0, col], [0, 1, row], [0, 0, 1.0]]))


def seams() -> SeamMap:
    """A grid over the canvas; whose cells they are is not asked here."""
    return SeamMap(np.zeros((SIZE[0] // CELL, SIZE[1] // CELL), np.uint16), CELL)


CANVAS = Canvas(*SIZE, DPI, np.eye(3))
TOP = place("a", 0, 0, (400, 600))
BOTTOM = place("b", 700, 0, (300, 600))


def test_a_canvas_seen_all_over_has_nothing_unseen() -> None:
    assert unseen([place("a", 0, 0, SIZE)], CANVAS, seams()) == (0.0, 0.0, [])
    assert unseen([TOP, place("b", 390, 0, (610, 600))], CANVAS, seams()) == (0.0, 0.0, [])


def test_a_missing_piece_is_told_by_share_width_and_place() -> None:
    share, width, missing = unseen([TOP, BOTTOM], CANVAS, seams())
    assert share == pytest.approx(0.3)
    assert width == pytest.approx(15, abs=2)  # of a band 30 mm wide the middle is 15 mm from what is seen
    assert missing == ["60 x 30 mm around 30 mm from the left, 55 mm from the top"]


def test_two_holes_that_a_sliver_along_the_rim_joins_are_two() -> None:
    corners = [place("a", 300, 0, (400, 580)), place("b", 0, 0, (1000, 300))]
    _, _, missing = unseen(corners, CANVAS, seams())
    assert len(missing) == 2  # 30 x 30 mm in two corners, a cell more or less
    assert all(words.startswith("30 x 3") and "around 45 mm from the left" in words for words in missing)


def test_the_slack_of_pieces_laid_askew_is_no_missing_piece() -> None:
    narrow = place("b", 560, 0, (440, 600))
    share, width, missing = unseen([TOP, narrow], CANVAS, seams())
    assert share == pytest.approx(0.16) and width < MISSING_MM and missing == []


def test_pieces_laid_unevenly_leave_no_missing_piece_along_a_rim() -> None:
    canvas, left = Canvas(*SIZE, DPI / 3, np.eye(3)), place("a", 0, 0, (1000, 330))  # pieces 99 mm wide
    _, width, missing = unseen([left, place("b", 0, 270, (940, 330))], canvas, seams())
    assert MISSING_MM < width < UNEVEN * 99 and missing == []
    _, width, missing = unseen([left, place("b", 0, 270, (880, 330))], canvas, seams())
    assert width > UNEVEN * 99 and len(missing) == 1


def test_a_turned_piece_sees_what_its_outline_holds() -> None:
    c, s = np.cos(0.3), np.sin(0.3)
    turned = Placement("a", (500, 300), np.array([[c, -s, 250], [s, c, 100], [0, 0, 1.0]]))
    share, _, _ = unseen([turned], CANVAS, seams())
    assert 1 - share == pytest.approx(500 * 300 / (SIZE[0] * SIZE[1]), rel=0.02)


def test_nobody_at_all() -> None:
    share, width, missing = unseen([], CANVAS, seams())
    assert share == 1.0 and width == np.inf and len(missing) == 1


# --- the paper's color


def small(light: np.ndarray, unrest: float = 0.0) -> Small:
    """Cells of that light."""
    return Small(light.astype(np.float32), np.full(light.shape[:2], unrest, np.float32), light * 0, light * 0, 10.0)


def sheet(paper: tuple[float, ...], ink: float = 0.1) -> np.ndarray:
    """(30, 40, c) cells, a third of them ink of several tones."""
    light = np.ones((30, 40, 1)) * paper
    light[:10] = np.linspace(ink, 0.5, 40)[:, None]
    return light


def test_the_commonest_bright_tone_is_the_paper_s() -> None:
    smalls = [small(sheet((0.82, 0.80, 0.72)))] * 2
    found = paper_color(smalls, [no_gain("a", 3), no_gain("b", 3)], 3)
    assert found == pytest.approx((0.82, 0.80, 0.72), abs=1e-3)


def test_it_is_looked_for_after_leveling() -> None:
    darker = Level("b", np.full(3, 1.25), np.zeros(3), np.zeros((2, 2)), 1e9)
    smalls = [small(sheet((0.8,) * 3)), small(sheet((0.64,) * 3))]
    assert paper_color(smalls, [no_gain("a", 3), darker], 3) == pytest.approx((0.8,) * 3, abs=1e-3)


def test_much_ink_of_one_tone_is_not_the_paper() -> None:
    light = np.full((30, 40, 1), 0.1)
    light[12:] = np.linspace(0.75, 0.85, 18 * 40).reshape(18, 40, 1)  # of its tones no single one is as common
    assert 0.75 < paper_color([small(light)], [no_gain("a", 1)], 1)[0] < 0.85


def test_shading_is_taken_off_before() -> None:
    rows, cols = np.mgrid[:5, :6]  # log, at every 100 px
    level = Level("a", np.ones(3), np.zeros(3), 0.1 * cols - 0.05 * rows, 100.0)
    y, x = ((grid + 0.5) * 10.0 for grid in np.mgrid[:30, :40])
    light = 0.8 * np.exp(-(0.1 * x - 0.05 * y) / 100)[..., None].repeat(3, axis=2)
    assert paper_color([small(light)], [level], 3) == pytest.approx((0.8,) * 3, abs=3e-4)


def test_gray_pieces_of_a_color_master_and_sheets_without_calm_paper() -> None:
    assert paper_color([small(sheet((0.7,)))], [no_gain("a", 3)], 3) == pytest.approx((0.7,) * 3, abs=1e-3)
    assert paper_color([small(sheet((0.7,)), unrest=0.5)], [no_gain("a", 1)], 1) == (0.85,)


# --- what becomes of it


def survey(places: list[Placement], *, channels: int = 3, icc: bytes | None = None, alpha: bool = False) -> Survey:
    """A survey of which only the plan and the small pictures are asked."""
    tiles = tuple(
        Tile(p.tile, Path(p.tile), "", Raster((*p.size, channels), "uint8", 8, icc, None, True, alpha)) for p in places
    )
    levels = tuple(no_gain(p.tile, channels) for p in places)
    plan = Plan(tiles, CANVAS, tuple(places), levels, seams(), channels, "uint8", icc)
    smalls = tuple(small(sheet((0.8,) * channels)) for _ in places)
    nothing: Any = None
    return Survey(nothing, plan, nothing, (), None, None, (), smalls, (), ())


def test_a_canvas_seen_all_over_gets_no_alpha() -> None:
    plan, numbers, words = settled_outside(survey([place("a", 0, 0, SIZE)]), "alpha")
    assert not plan.alpha and words == []
    assert numbers == {"unseen_share": 0.0, "widest_mm": 0.0}
    own, _, _ = settled_outside(survey([place("a", 0, 0, SIZE)], alpha=True), "alpha")
    assert own.alpha  # the pieces have holes of their own


def test_a_hole_is_transparent_or_paper_as_wished() -> None:
    plan, numbers, words = settled_outside(survey([TOP, BOTTOM]), "alpha")
    assert plan.alpha and numbers["unseen_share"] == 0.3
    assert "30.00 % of the canvas" in words[0] and "left transparent" in words[0]
    assert "a piece seems to be missing" in words[1] and "60 x 30 mm" in words[1]
    plan, _, words = settled_outside(survey([TOP, BOTTOM]), "paper")
    assert not plan.alpha and plan.paper == pytest.approx((0.8,) * 3, abs=1e-3)
    assert "filled with the paper's color" in words[0]


def test_gray_that_needs_alpha_becomes_color_unless_its_profile_forbids() -> None:
    plan, _, words = settled_outside(survey([TOP, BOTTOM], channels=1), "alpha")
    assert plan.channels == 3 and len(plan.paper) == 3 and "written as RGB" in words[-1]
    kept, _, words = settled_outside(survey([TOP, BOTTOM], channels=1, icc=b"gray"), "alpha")
    assert kept.channels == 1 and len(kept.paper) == 1 and kept.alpha and not any("RGB" in word for word in words)
    paper, _, _ = settled_outside(survey([TOP, BOTTOM], channels=1), "paper")
    assert paper.channels == 1 and not paper.alpha
