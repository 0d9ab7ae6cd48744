"""I check that a blurred piece is found by its neighbors, and that pixels are read where a view is faint only."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
import pytest

from stitchbed.core.arrays import Array, Pixels
from stitchbed.imaging.box import Box
from stitchbed.imaging.transfer import transfer_of
from stitchbed.inspection.differences import difference_of
from stitchbed.inspection.looks import glance_at
from stitchbed.pipelines.scanning.softness import Pair, sharper_of_pairs, soft_pieces

HIGH, WIDE, STEP = 560, 420, 270  # px of a piece, and from piece to piece
MOTION = np.array([[1.0, 0, -STEP], [0, 1, 0], [0, 0, 1]])
FOLLOWED: list[tuple[Pair, Array]] = [((0, 1), MOTION), ((1, 2), MOTION)]


def _pieces(blurred: int | None) -> list[Pixels]:
    """Three parts of a drawing of strokes, with noise of their own."""
    rng = np.random.default_rng(5)
    sheet = np.full((HIGH, WIDE + 2 * STEP), 225, np.uint8)
    for _ in range(320):
        points = rng.uniform(0, 1, 2) * sheet.shape[::-1] + np.cumsum(rng.normal(0, 9, (12, 2)), axis=0)
        cv2.polylines(sheet, [np.int32(points * 8)], False, int(rng.integers(30, 150)), 2, cv2.LINE_AA, 3)
    found = []
    for index in range(3):
        part = sheet[:, index * STEP :][:, :WIDE].astype(np.float32)
        part = cv2.GaussianBlur(part, (0, 0), 1.8 if index == blurred else 0.7) + rng.normal(0, 1.2, part.shape)
        found.append(np.clip(np.rint(part), 0, 255).astype(np.uint8)[..., None])
    return found


def _found(pieces: list[Pixels], asked: list[int]) -> list[tuple[int, str]]:
    looks = [glance_at(piece, piece.shape[:2], transfer_of(None)) for piece in pieces]
    differences = [found for pair, motion in FOLLOWED if (found := difference_of(looks, pair, motion))]

    def read(index: int, boxes: Sequence[Box]) -> list[Pixels]:
        asked.append(index)
        return [pieces[index][box.slices] for box in boxes]

    with ThreadPoolExecutor(2) as pool:
        return [(index, finding.fault) for index, finding in soft_pieces(looks, FOLLOWED, differences, (), read, pool)]


@pytest.mark.parametrize("blurred", [0, 1])
def test_the_blurred_piece_is_found(blurred: int) -> None:
    assert _found(_pieces(blurred), []) == [(blurred, "blurred")]


def test_of_good_pieces_no_pixel_is_read() -> None:
    asked: list[int] = []
    assert _found(_pieces(None), asked) == []
    assert asked == []


def test_a_pair_is_compared_at_the_same_places() -> None:
    pieces = _pieces(1)
    looks = [glance_at(piece, piece.shape[:2], transfer_of(None)) for piece in pieces]

    def read(index: int, boxes: Sequence[Box]) -> list[Pixels]:
        return [pieces[index][box.slices] for box in boxes]

    with ThreadPoolExecutor(2) as pool:
        sharper = sharper_of_pairs(looks, [1.2] * 3, FOLLOWED, read, pool)
    assert sharper[0, 1] > 0.3 and sharper[1, 2] < -0.3
