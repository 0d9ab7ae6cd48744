"""I check that a sheet that turns or slips in mid-scan is seen by its two sides, and none that is cut or torn askew."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.core.arrays import Array, Floats
from stitchbed.inspection.checks.moved import Moved, moved_findings, moved_sheets
from stitchbed.inspection.looks import Glance
from stitchbed.inspection.sensor.moved_sheet import bend_of, sides_of

HIGH, WIDE, DPI = 560, 420, 130.0
ROWS = np.arange(HIGH)


def _scan(left: Array, right: Array, seed: int) -> Glance:
    """A gray sheet with strokes on a darker lid; its sides at (HIGH,) px."""
    rng = np.random.default_rng(seed)
    columns = np.arange(WIDE)[None]
    inside = np.clip(columns - left[:, None] + 0.5, 0, 1) * np.clip(right[:, None] - columns + 0.5, 0, 1)
    sheet = np.full((HIGH, WIDE), 236.0, np.float32)
    for _ in range(14):
        ends = rng.uniform((60, 10), (WIDE - 60, HIGH - 10), (2, 2)).astype(int)
        cv2.line(sheet, ends[0].tolist(), ends[1].tolist(), (60.0,), 2, cv2.LINE_AA)
    gray = sheet * inside + 150 * (1 - inside) + rng.normal(0, 1.5, inside.shape)
    light: Floats = np.zeros((4, 4, 3), np.float32)
    return Glance((HIGH, WIDE), 1, np.clip(gray, 0, 255).astype(np.uint8), light, 100.0)


def _sides(turn: float = 0.0, step: float = 0.0, row: float = 250.0, over: float = 0.0) -> tuple[Array, Array]:
    """Sides of a sheet askew by 4 mrad that turns (rad) and slips (px) at a row, or over so many rows round it."""
    done = (row < ROWS).astype(float) if not over else np.clip((ROWS - row) / over + 0.5, 0, 1)
    off = 0.004 * ROWS + done * (step - turn * (ROWS - row))
    return 24 + off, 388 + off


def _found(left: Array, right: Array, seed: int = 3) -> list[Moved]:
    return moved_sheets([_scan(left, right, seed)], [DPI])


def test_both_sides_are_found_where_they_are() -> None:
    left, right = _sides()
    sides = sides_of(_scan(left, right, 5).gray, DPI / 25.4)
    assert sides is not None
    true = np.stack([np.interp(sides.along, ROWS, side) for side in (left, right)])
    assert np.nanmedian(np.abs(sides.across - true)) < 0.3
    bend = bend_of(sides, DPI / 25.4)
    assert bend is not None and abs(bend.turn) < 5 * bend.turn_sd + 5e-4


@pytest.mark.parametrize(("degrees", "over"), [(0.4, 0.0), (-0.6, 150.0)])
def test_a_turn_is_seen_with_its_way_its_size_and_its_row(degrees: float, over: float) -> None:
    (one,) = _found(*_sides(turn=np.deg2rad(degrees), over=over))
    assert np.rad2deg(one.turn) == pytest.approx(degrees, abs=0.12)
    assert one.row == pytest.approx(250, abs=45)
    ((_, finding),) = moved_findings([one], [DPI])
    assert f"turned by {abs(np.rad2deg(one.turn)):.1f} degrees" in finding.why
    assert f"near {one.row / DPI * 25.4:.0f} mm from the top" in finding.why


def test_a_slip_aside_is_seen() -> None:
    (one,) = _found(*_sides(step=3.0))
    assert one.step == pytest.approx(3.0, abs=0.4)
    assert one.row == pytest.approx(250, abs=12)
    assert "slipped aside" in moved_findings([one], [DPI])[0][1].why


def test_sheets_that_lie_still_are_not_named() -> None:
    straight, other = _sides(), _sides(turn=np.deg2rad(0.6))
    assert _found(*straight) == []
    assert _found(straight[0], other[1]) == []  # cut askew on one side
    rng = np.random.default_rng(11)
    torn = [np.interp(ROWS, np.arange(0, HIGH + 20, 20), rng.normal(0, 4, HIGH // 20 + 1)) for _ in range(2)]
    assert _found(straight[0] + torn[0], straight[1] + torn[1]) == []
    assert _found(np.full(HIGH, -50.0), np.full(HIGH, WIDE + 50.0)) == []  # no side is seen


@pytest.mark.parametrize(("askew", "at"), [(0.004, 0.25), (0.005, 0.0), (0.005, 0.5)])
def test_the_saw_that_pixels_make_of_both_sides_alike_is_no_motion(askew: float, at: float) -> None:
    """Both are found too near to the middles of pixels, and lie a whole number of px apart."""
    side = at + askew * ROWS
    side += 0.28 * np.sin(2 * np.pi * side)
    assert _found(24 + side, 388 + side) == []
