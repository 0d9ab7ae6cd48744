"""I check that light a piece cut off is told with its place, where neighbors show that there was more."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stitchbed.imaging.transfer import curve_term
from stitchbed.mosaic.compositing.cut_light import CutLight, cut_light, cut_light_words
from stitchbed.mosaic.compositing.seams import SeamMap
from stitchbed.mosaic.photometry.gain_compensation import no_gain
from stitchbed.mosaic.photometry.overlap_samples import small_of
from stitchbed.mosaic.registration.canvas import Canvas, make_canvas, on_canvas
from stitchbed.mosaic.registration.placement import Placement

SIZE = (400, 500)  # px, 4 to the mm
DPI = 25.4 * 4
STEP = 300  # px between two pieces: 50 mm of overlap
CELL = 4  # px of the seams' grid


def _found(exposure: tuple[float, float]) -> tuple[list[CutLight], Canvas]:
    """What two pieces side by side of a sheet show: gray paper, a light band (60..80 mm down) over all of its width."""
    light = np.full((SIZE[0], SIZE[1] + STEP, 3), 0.5, np.float32)
    light[240:320] = 0.85
    places = [Placement(f"p{k}", SIZE, np.array([[1.0, 0, k * STEP], [0, 1, 0], [0, 0, 1]])) for k in (0, 1)]
    canvas = make_canvas(places, DPI, most_pixels=1e9)
    places = [on_canvas(place, canvas) for place in places]
    pieces = [np.minimum(light[:, k * STEP : k * STEP + SIZE[1]] * exposure[k], 1).astype(np.float32) for k in (0, 1)]
    smalls = [small_of(piece, piece * curve_term(piece).astype(np.float32), 1, float(CELL)) for piece in pieces]
    levels = [replace(no_gain(f"p{k}", 3), gain=np.full(3, 1 / exposure[k])) for k in (0, 1)]
    labels = np.zeros((canvas.height // CELL, canvas.width // CELL), np.uint16)
    labels[:, 100:] = 1  # from 100 mm on
    return cut_light(places, smalls, levels, SeamMap(labels, CELL), canvas), canvas


def test_cut_off_light_is_told_with_its_place() -> None:
    found, canvas = _found((1.0, 1.5))
    assert [one.piece for one in found] == [1]
    assert abs(found[0].square_mm - 20 * 100) < 300
    words = cut_light_words(found, ["left.tif", "right.tif"], canvas)[0]
    assert "right.tif (" in words and "left.tif" not in words and "70 mm from the top" in words


def test_pieces_that_lost_nothing_or_all_alike_are_not_named() -> None:
    assert _found((1.0, 1.1))[0] == []
    assert _found((1.5, 1.5))[0] == []  # no neighbor tells what was lost
    assert cut_light_words([], [], _found((1.0, 1.0))[1]) == []
