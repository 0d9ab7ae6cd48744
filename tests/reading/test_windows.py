"""I check windows and reduced views over pixels that lie in memory, turned and premultiplied, against numpy."""

from __future__ import annotations

from dataclasses import FrozenInstanceError
from pathlib import Path

import numpy as np
import pytest
from picture_files import scene

from stitchbed.imaging.box import Box
from stitchbed.reading.base.header import MAX_PIXELS, Header, Stored
from stitchbed.reading.base.tile import Raster
from stitchbed.reading.views.orientation import swapped, turned
from stitchbed.reading.windows import Windows


def means(pixels: np.ndarray, size: int) -> np.ndarray:
    """Means of cells of size x size px from the top left corner, or of what is there of them."""
    rows, cols = (range(0, n, size) for n in pixels.shape[:2])
    return np.array([[pixels[r : r + size, c : c + size].mean((0, 1)) for c in cols] for r in rows])


def lying(pixels: np.ndarray, closed: list[bool] | None = None) -> Stored:
    """(h, w, samples) as a reader hands them on, with a half of its own size as the file's own level."""
    height, width, samples = pixels.shape
    half = np.rint(means(pixels, 2)).astype(np.uint8)
    level = Stored(*half.shape, "uint8", (8, 8), lambda box: half[box.slices], lambda: None)
    end = (lambda: None) if closed is None else lambda: closed.append(True)
    return Stored(height, width, samples, "uint8", (8, 8), lambda box: pixels[box.slices], end, (level,))


def opened(
    pixels: np.ndarray, orientation: int = 1, *, associated: bool = False, closed: list | None = None
) -> Windows:
    """Windows of those pixels; two or four samples are color and alpha."""
    color = pixels.shape[2] - (alpha := pixels.shape[2] in (2, 4))
    shape = (*swapped(pixels.shape[:2], orientation), color)
    raster = Raster(shape, "uint8", 8, None, None, True, alpha)
    return Windows(Header(raster, orientation, associated, None), lying(pixels, closed))


@pytest.mark.parametrize("orientation", range(1, 9))
def test_windows_are_parts_of_the_turned_picture(orientation: int) -> None:
    pixels = scene(4, height=24, width=40)
    shown = turned(pixels, orientation)
    box = Box(3, 5, 11, 7)
    with opened(pixels, orientation) as windows:
        assert np.array_equal(windows.window(box), shown[box.slices][..., :3])
        assert np.array_equal(windows.alpha(box), shown[box.slices][..., 3])
        assert windows.window(box).flags["C_CONTIGUOUS"]


@pytest.mark.parametrize("orientation", [1, 3, 6])
@pytest.mark.parametrize("reduction", [1, 3, 4])
def test_views_are_means_of_their_cells_also_where_cells_are_cut(orientation: int, reduction: int) -> None:
    pixels = scene(3, height=25, width=38)
    want = means(turned(pixels, orientation), reduction)
    with opened(pixels, orientation) as windows, windows.reduced(reduction) as kept:
        view = windows.view(reduction)
        assert view.shape == kept.raster.shape
        assert np.abs(view - want).max() <= (1.0 if reduction == 4 and orientation == 1 else 0.5)  # a level rounds too
        assert np.array_equal(kept.window(Box(0, 0, *view.shape[:2])), view)


def test_premultiplied_color_is_divided_and_nothing_shows_where_alpha_is_zero() -> None:
    straight = np.full((4, 6, 3), (200, 100, 50), np.uint8)
    alpha = np.full((4, 6, 1), 51, np.uint8)  # a fifth
    alpha[0] = 0
    stored = np.dstack([np.rint(straight * (alpha / 255.0)).astype(np.uint8), alpha])
    with opened(stored, associated=True) as windows:
        got = windows.window(Box(0, 0, 4, 6))
    assert (got[1:] == (200, 100, 50)).all()
    assert (got[0] == 0).all()


def test_the_file_s_own_levels_are_handed_out_where_pixels_lie_upright() -> None:
    pixels = scene(3, height=24, width=40)
    with opened(pixels) as windows:
        assert windows.level(0) is windows
        half = windows.level(1)
        assert half is not None and half.raster.shape == (12, 20, 3)
        assert np.array_equal(half.window(Box(0, 0, 12, 20)), np.rint(means(pixels, 2)))
        assert windows.level(2) is None
    with opened(pixels, 6) as windows:
        assert windows.level(1) is None


@pytest.mark.parametrize(
    "box", [Box(0, 0, 0, 5), Box(-1, 0, 5, 5), Box(0, -1, 5, 5), Box(20, 0, 5, 5), Box(0, 36, 5, 5)]
)
def test_boxes_outside_are_refused_also_for_alpha_that_is_not_there(box: Box) -> None:
    with opened(scene(3, height=24, width=40)) as windows:
        assert windows.alpha(Box(0, 0, 24, 40)) is None
        for ask in (windows.window, windows.alpha):
            with pytest.raises(ValueError, match="does not lie in a picture of 24 rows and 40 columns"):
                ask(box)
        with pytest.raises(ValueError, match="at least 1"):
            windows.view(0)


def test_leaving_the_block_closes_the_file() -> None:
    closed: list[bool] = []
    with opened(scene(3), closed=closed) as windows:
        assert not closed
    assert closed == [True]
    with pytest.raises(FrozenInstanceError):
        windows.raster.bits = 16  # type: ignore[misc]


def test_the_largest_sheet_an_artist_scans_stays_below_the_ceiling(tmp_path: Path) -> None:
    a0 = round(841 / 25.4 * 1200) * round(1189 / 25.4 * 1200)  # ISO 216: 841 x 1189 mm
    assert 1.5 * a0 < MAX_PIXELS < 2**32  # and pixel numbers fit 32 bits
