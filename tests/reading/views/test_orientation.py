"""I check the eight turns against Pillow's, and that boxes turn with their pixels."""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageOps

from stitchbed.imaging.box import Box
from stitchbed.reading.views.orientation import stored_box, swapped, turned

STORED = np.arange(5 * 7 * 3, dtype=np.uint8).reshape(5, 7, 3)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_turned_as_pillow_turns(orientation: int) -> None:
    exif = Image.Exif()
    exif[274] = orientation
    file = io.BytesIO()
    Image.fromarray(STORED).save(file, "PNG", exif=exif)
    shown = np.asarray(ImageOps.exif_transpose(Image.open(file)))
    assert np.array_equal(turned(STORED, orientation), shown)
    assert swapped((5, 7), orientation) == shown.shape[:2]


@given(st.integers(1, 8), st.data())
def test_a_shown_box_holds_what_its_stored_box_holds(orientation: int, data: st.DataObject) -> None:
    shown = turned(STORED, orientation)
    rows, cols = shown.shape[:2]
    row, col = data.draw(st.integers(0, rows - 1)), data.draw(st.integers(0, cols - 1))
    box = Box(row, col, data.draw(st.integers(1, rows - row)), data.draw(st.integers(1, cols - col)))
    there = stored_box(box, 5, 7, orientation)
    part = STORED[there.row : there.bottom, there.col : there.right]
    assert np.array_equal(turned(part, orientation), shown[box.row : box.bottom, box.col : box.right])
