"""I check that pixels of foreign libraries are copied while those hold them: memory given back is soon written over."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from picture_files import Made, made_files

from stitchbed.imaging.box import Box
from stitchbed.reading.formats import open_windows

KINDS = (".heic", ".avif", ".jxl", ".dng", "fax.pdf", "jbig2.pdf", "jpeg.pdf")
FOREIGN = [made for made in made_files() if made.name.endswith(KINDS)]


@pytest.mark.parametrize("made", FOREIGN, ids=lambda made: made.name)
def test_pixels_stay_what_they_were(made: Made, tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    path = made.write(tmp_path)
    first = None
    for _ in range(4):
        with open_windows(path) as windows:
            rows, cols, _ = windows.raster.shape
            pixels = windows.window(Box(0, 0, rows, cols))
            later = [np.full(made.color.nbytes, 171, np.uint8) for _ in range(8)]  # takes what was given back
            again = windows.window(Box(0, 0, rows, cols))
        assert np.array_equal(pixels, again) and len(later) == 8
        assert first is None or np.array_equal(pixels, first)
        first = pixels
    assert caplog.records == []  # what libraries log would stand between the lines of a command
