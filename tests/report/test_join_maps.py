"""I check that the residual map shows what was left, where, between whom, and that gray copies say the same."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from stitchbed.report import join_maps as drawn
from stitchbed.report.overlays import HEAT_CELLS, HEAT_STEPS

SIZE = (2800, 1400)
CELL = max(SIZE) / HEAT_CELLS  # 100 px


def _record(residuals: list[dict[str, Any]], names: tuple[str, ...] = ("a.tif", "b.tif")) -> dict[str, Any]:
    eye = [[1, 0, 0], [0, 1, 0], [0, 0, 1]]
    return {
        "canvas": {"dpi": 254.0},
        "inputs": [{"name": name, "width": 2000, "height": 1000} for name in names],
        "placements": [{"tile": name, "canvas_from_tile": eye} for name in names],
        "residuals": residuals,
    }


def _left(x: float, y: float, dx: float, dy: float, b: str = "b.tif") -> dict[str, Any]:
    return {"x": x, "y": y, "dx": dx, "dy": dy, "a": "a.tif", "b": b}


def _picture(record: dict[str, Any], size: tuple[int, int] = SIZE) -> np.ndarray:
    return np.asarray(drawn.residual_map(record, size, np.full((70, 140), 255, np.uint8)).convert("RGB"), int)


def test_cells_keep_pairs_apart_and_come_largest_first() -> None:
    rows = [_left(110, 110, 0.3, 0.4), _left(130, 110, -0.3, -0.4), _left(110, 110, 1.0, 0.0, "c.tif")]
    first, second = drawn.residual_cells(_record(rows), SIZE)
    assert (first.a, first.b, first.rms, first.count) == ("a.tif", "c.tif", pytest.approx(1.0), 1)
    assert (second.x, second.rms, second.count) == (120, pytest.approx(0.5), 2)
    assert np.hypot(second.dx, second.dy) == pytest.approx(0)  # scatter: no stick


@pytest.mark.parametrize(("rms", "stands_for"), [(0.03, 0.05), (0.4, 0.5), (1.0, 1.0), (7.0, 10.0), (900.0, 50.0)])
def test_the_scale_is_a_round_number_above_what_is_usual(rms: float, stands_for: float) -> None:
    cells = drawn.residual_cells(_record([_left(100 * k + 50, 50, rms, 0) for k in range(20)]), SIZE)
    assert drawn.map_scale(cells, 20.0) == (stands_for, 20.0)


def test_marks_lie_where_the_record_says_and_grow_with_what_is_left() -> None:
    empty = _picture(_record([]))
    areas = []
    for dx in (0.5, 1.0):
        # the other cells fix the scale at 1 px
        rows = [_left(1500, 700, dx, 0), *(_left(100 * k + 50, 50, 1.0, 0) for k in range(20))]
        changed = (_picture(_record(rows))[: empty.shape[0]] != empty).any(axis=2)
        part = changed[drawn.MARGIN + 250 : drawn.MARGIN + 450, drawn.MARGIN + 600 : drawn.MARGIN + 900]
        y, x = np.nonzero(part)
        factor = drawn.LONGEST_SIDE / max(SIZE)
        assert (x.mean() + 600, y.mean() + 250) == pytest.approx((1500 * factor, 700 * factor), abs=1.5)
        areas.append(len(x))
    # twice the radius, 4 times the area, less the outline's own width
    assert 3 < areas[1] / areas[0] < 4.6


def test_shades_get_darker_step_by_step() -> None:
    """ITU-R BT.601 luma, what a gray copy shows: each step at least 15 codes below the one before."""
    gray = [0.299 * r + 0.587 * g + 0.114 * b for r, g, b in drawn.SHADES]
    assert len(gray) == len(HEAT_STEPS) + 1
    assert all(light - dark >= 15 for light, dark in pairwise(gray))


@pytest.mark.parametrize("size", [(2800, 1400), (1, 1), (90_000, 30), (30, 90_000), (120, 90)])
def test_no_picture_is_longer_than_2000_px(size: tuple[int, int]) -> None:
    names = tuple(f"{'long' * 60}{k}.tif" for k in range(8))
    picture = drawn.residual_map(_record([_left(0, 0, 1, 1)], names), size, np.zeros((1, 1), np.uint8))
    assert max(picture.size) <= 2000 and min(picture.size) >= 100


def test_odd_records_give_a_picture_too() -> None:
    for record in ({}, {"residuals": 5, "placements": [None]}, _record([{"x": float("nan"), "dx": None}])):
        assert drawn.residual_map(record, (500, 400), np.zeros((4, 5), np.uint8)).size[0] > 900
    wild = _record([_left(10, 10, 1e6, -1e6)], ("<img onerror=1>", "a\nb\u202e.tif"))
    assert drawn.residual_map(wild, (500, 400), np.zeros((4, 5), np.uint8)).size[1] > 400
