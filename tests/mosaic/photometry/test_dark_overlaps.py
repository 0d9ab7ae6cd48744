"""I check that an overlap where the sheet leaves the glass in both pieces is told, and that drawing is not."""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.imaging.transforms import similarity_matrix
from stitchbed.mosaic.photometry.dark_overlaps import dark_overlaps, dark_words
from stitchbed.mosaic.photometry.gain_compensation import no_gain
from stitchbed.mosaic.photometry.lift import no_lift
from stitchbed.mosaic.photometry.overlap_samples import Small
from stitchbed.mosaic.registration.placement import Placement

SIZE, CELL, STEP = (800, 600), 8.0, 500  # px, 4 to a mm: pieces of 200 x 150 mm that share 25 mm
PAPER = np.array([0.82, 0.8, 0.74])


def _pieces(lost: tuple[float, float], wash: np.ndarray | None = None, reach_mm: float = 40.0) -> list[Small]:
    """Two pieces of paper with a few strokes, the first lifting at its right edge, the second at its left."""
    rng = np.random.default_rng(5)
    rows, cols = int(SIZE[0] / CELL), int(SIZE[1] / CELL)
    depth = (np.arange(cols) + 0.5) * CELL / 4
    found = []
    for k, (loss, from_edge) in enumerate(zip(lost, (depth[::-1], depth), strict=True)):
        light = np.broadcast_to(PAPER, (rows, cols, 3)) * (1 + rng.normal(0, 0.003, (rows, cols, 1)))
        drawn = rng.random((rows, cols)) < 0.1
        light = np.where(drawn[..., None], 0.5 * light, light)
        if wash is not None:
            x = np.arange(cols) * CELL + k * STEP
            light = np.where(((x > 490) & (x < 610))[None, :, None], light * wash, light)
        light = light * (1 - loss * np.clip(1 - from_edge / reach_mm, 0, 1) ** 1.5)[None, :, None]
        unrest, none = np.where(drawn, 0.4, 0.01).astype(np.float32), np.zeros((rows, cols, 3), np.float32)
        found.append(Small(light.astype(np.float32), unrest, none, none, CELL))
    return found


def _told(smalls: list[Small]) -> list[tuple[int, int, float]]:
    places = [
        Placement(name, SIZE, similarity_matrix(np.array([1.0, 0.0, k * STEP, 0.0]))) for k, name in enumerate("ab")
    ]
    levels, lifts = [no_gain(name, 3) for name in "ab"], [no_lift(name, SIZE) for name in "ab"]
    return dark_overlaps(places, smalls, levels, lifts, 4.0)


@pytest.mark.parametrize("lost", [(0.3, 0.3), (0.4, 0.25)])
def test_a_sheet_that_leaves_the_glass_in_both_pieces_is_told(lost: tuple[float, float]) -> None:
    ((i, j, missing),) = _told(_pieces(lost))
    assert (i, j) == (0, 1) and 0.05 < missing < 0.25
    (words,) = dark_words([(i, j, missing)], ["left.tif", "right.tif"])
    assert "left.tif and right.tif" in words and "darker" in words


def test_flat_sheets_and_a_lift_that_one_piece_sees_flat_are_not() -> None:
    assert _told(_pieces((0.0, 0.0))) == [] and _told(_pieces((0.3, 0.0), reach_mm=10.0)) == []
    assert dark_words([], []) == []


def test_a_colored_wash_over_the_overlap_is_no_lift() -> None:
    assert _told(_pieces((0.0, 0.0), wash=np.array([0.9, 0.85, 0.6]))) == []


def test_pieces_apart_are_not_compared() -> None:
    smalls = _pieces((0.3, 0.3))
    places = [
        Placement(name, SIZE, similarity_matrix(np.array([1.0, 0.0, 2 * k * STEP, 0.0]))) for k, name in enumerate("ab")
    ]
    levels, lifts = [no_gain(name, 3) for name in "ab"], [no_lift(name, SIZE) for name in "ab"]
    assert dark_overlaps(places, smalls, levels, lifts, 4.0) == []
