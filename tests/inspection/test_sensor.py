"""I check what a sensor and a transfer do to a scan, told from what is drawn and from the lid."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats
from stitchbed.imaging.box import Box
from stitchbed.inspection.checks.pieces import cut_off_finding
from stitchbed.inspection.sensor.bands import banded
from stitchbed.inspection.sensor.ends import black_end
from stitchbed.inspection.sensor.lines import streaks, stuck

ROWS, COLS = 720, 600  # px


def _page(seed: int) -> Floats:
    """Soft tones with a little noise."""
    rng = np.random.default_rng(seed)
    tones = cv2.resize(rng.uniform(40, 210, (14, 8)).astype(np.float32), (COLS, ROWS), interpolation=cv2.INTER_CUBIC)
    return np.asarray(tones + rng.normal(0, 1.5, tones.shape), np.float32)


@pytest.mark.parametrize("apart", [2, 3, 4])
@pytest.mark.parametrize("value", [20, 215])
def test_dead_cells_near_each_other_are_each_told(apart: int, value: int) -> None:
    page = _page(apart)
    page[:, [300, 300 + apart]] = value
    found = {one.at for one in (*streaks(page, 1), *stuck(page, 1))}
    assert found == {300, 300 + apart}


def _banded(gray: Floats) -> tuple[str, float] | None:
    codes = np.clip(np.rint(gray), 0, 255).astype(np.uint8)[..., None]

    def window(box: Box) -> NDArray[np.uint8]:
        return codes[box.slices]

    return banded(window, codes.shape, 8).ended


@pytest.mark.parametrize("side", ["bottom", "top"])
def test_a_sheet_that_ends_before_a_black_lid_is_no_scan_that_broke_off(side: str) -> None:
    page = _page(5)
    x, y = np.meshgrid(np.arange(COLS), np.arange(ROWS))
    beside = np.where(y > 600.3 + 0.004 * x, 1, page).astype(np.float32)  # a quarter of a degree askew
    cut = np.where(y >= 600, 0, page).astype(np.float32)
    for gray, share in ((beside, None), (cut, 120 / ROWS)):
        gray = gray[:: 1 if side == "bottom" else -1]
        expected = None if share is None else (side, pytest.approx(share))
        assert black_end(gray) == expected
        assert _banded(gray) == expected


def test_a_scan_that_broke_off_within_black_drawing_is_told() -> None:
    page = _page(6)
    page[:, 100:250] = 4
    page[600:] = 0
    assert black_end(page) == ("bottom", pytest.approx(120 / ROWS))
    assert black_end(np.zeros((ROWS, COLS), np.float32)) == ("top", 1.0)


def test_a_narrow_black_strip_may_be_the_frame_of_the_bed() -> None:
    narrow, broad = (cut_off_finding("top", share) for share in (0.02, 0.1))
    assert "or the frame of the bed lies there" in narrow.why and "beside the sheet" in narrow.change
    assert broad.why == "black from the top over 10 % of its length: the scan broke off"


def test_the_waves_of_a_printed_screen_laid_down_along_the_bed_are_no_line() -> None:
    page = np.repeat(np.repeat(np.linspace(90, 190, 12), COLS // 12)[None], ROWS, axis=0)
    page += np.random.default_rng(7).normal(0, 1.5, page.shape)
    y = np.arange(ROWS, dtype=np.float64)
    page += (5 * np.cos(2 * np.pi * (y - 300) / 5.4) * np.exp(-(((y - 300) / 16) ** 2)))[:, None]
    assert streaks(page.astype(np.float32), 0) == []
    page[500] += 6
    assert [one.at for one in streaks(page.astype(np.float32), 0)] == [500]


def test_a_cell_that_writes_too_little_is_told_over_grain_beside_bare_paper_and_a_line_askew_is_not() -> None:
    rng = np.random.default_rng(3)
    grain = np.full((720, 300), 240.0)
    grain[:, 110:190] -= 60 + rng.normal(0, 10, (720, 80))
    askew = 150.4 + 0.5 * np.arange(720)[:, None] / 720
    drawn = grain - 30 * np.clip(1 - np.abs(np.arange(300)[None] - askew), 0, 1)
    grain[:, 150] -= 12
    found = [[line.at for line in streaks(np.rint(page).astype(np.float32), 1)] for page in (grain, drawn)]
    assert found == [[150], []]


@pytest.mark.parametrize(("lid", "paper"), [(205, 222), (239, 237)])
def test_the_shadow_of_a_sheet_laid_straight_on_a_lid_is_no_cell(lid: int, paper: int) -> None:
    page = _page(8)
    page[:, :200] = lid - 20 * np.exp((np.arange(200) - 199) / 4) + np.random.default_rng(9).normal(0, 1, (ROWS, 200))
    page[:, 199] -= 12  # as scanners sharpen
    page[:, 200:206] = paper
    assert [*streaks(page, 1), *stuck(page, 1)] == []


def test_the_rim_of_a_dark_sheet_that_a_scanner_sharpens_is_not_cut_off_at_black() -> None:
    rng = np.random.default_rng(10)
    page = np.full((ROWS, COLS), 45.0) + rng.normal(0, 1.5, (ROWS, COLS))
    page[:, :100] = 235
    page[:, 100] = 0
    cut = page.copy()
    cut[:, 300:] = np.where(rng.normal(0, 1, (ROWS, COLS - 300)) > 1, 0, 40)  # rough strokes, a sixth of it black
    told = []
    for gray in (page, cut):
        codes = np.clip(np.rint(gray), 0, 255).astype(np.uint8)[..., None]
        told.append(banded(lambda box, codes=codes: codes[box.slices], codes.shape, 8).black)
    assert told[0] == 0 and told[1] > 0.1


def test_lines_of_a_printed_grid_that_lies_a_little_askew_are_no_dead_cells() -> None:
    """They cross black squares here and there, as a cell of one value would, but move by a quarter of a px."""
    rng = np.random.default_rng(11)
    x = np.arange(COLS)[None] + 0.25 * np.arange(ROWS)[:, None] / ROWS
    page = np.full((ROWS, COLS), 224.0)
    for row in range(0, ROWS, 40):
        for col in range(20, COLS - 40, 40):
            if rng.random() < 0.3:
                page[row : row + 40, col : col + 40] = 58
    page += (20 - page) * np.clip(1.05 - np.abs((x + 20) % 40 - 20.15), 0, 1)
    page += rng.normal(0, 1.2, page.shape)
    assert stuck(page.astype(np.float32), 1) == []
    page[:, 307] = 20
    assert [one.at for one in stuck(page.astype(np.float32), 1)] == [307]
