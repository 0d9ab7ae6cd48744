"""I check that a mark is judged alike whichever other marks are judged with it, and that rims and coarser pieces tell
nothing they cannot know."""

from __future__ import annotations

import cv2
import numpy as np

from stitchbed.imaging.box import Box
from stitchbed.mosaic.compositing.second_look import ROOM, SQUARE, unseen_there
from stitchbed.mosaic.registration.placement import Placement

SIZE = (2 * SQUARE + 90, 2 * SQUARE + 130)
TURN = np.deg2rad(3.0)


def paper(seed: int, size: tuple[int, int] = SIZE) -> np.ndarray:
    return (215 + np.random.default_rng(seed).normal(0, 0.6, size)).astype(np.float32)


def judged(one: np.ndarray, two: np.ndarray, sheet_from_two: np.ndarray, xy: np.ndarray, radius: float) -> np.ndarray:
    places = Placement("a", one.shape, np.eye(3)), Placement("b", two.shape, sheet_from_two)

    def read(picture: np.ndarray, box: Box) -> np.ndarray:
        assert box.row >= 0 and box.col >= 0 and box.bottom <= len(picture) and box.right <= picture.shape[1]
        return picture[box.slices].copy()

    reads = (lambda box: read(one, box)), (lambda box: read(two, box))
    return unseen_there(places, reads, (np.asarray(xy, float), np.full(len(xy), radius)), step=5.6, flat_share=0.4)


def test_marks_at_the_borders_of_squares_are_judged_as_if_alone() -> None:
    turned = np.array([[np.cos(TURN), -np.sin(TURN), 6], [np.sin(TURN), np.cos(TURN), -12], [0, 0, 1]])
    grid = np.stack(np.meshgrid(np.arange(24, SIZE[1] - 40, 58), np.arange(40, SIZE[0] - 40, 54)), -1).reshape(-1, 2)
    grid = np.vstack([grid, [[SQUARE, SQUARE + 20], [SQUARE - 1, 2 * SQUARE - 15], [2 * SQUARE, 30]]])
    one, two = paper(1), paper(2)
    drawn = np.arange(len(grid)) % 3 == 0
    for k, (x, y) in enumerate(grid.tolist()):
        cv2.circle(one, (x, y), 2, 120.0, -1)
        if drawn[k]:
            there = np.linalg.inv(turned) @ (x, y, 1)
            cv2.circle(two, tuple(round(float(v)) for v in there[:2]), 2, 120.0, -1)
    together = judged(one, two, turned, grid, 2.5)
    alone = [bool(judged(one, two, turned, grid[k : k + 1], 2.5)[0]) for k in range(len(grid))]
    assert together.tolist() == alone == (~drawn).tolist()


def test_where_either_piece_ends_nothing_is_said() -> None:
    one = paper(1)
    near, far = 3 + ROOM - 1, 3 + ROOM + 4  # px from the rim, for a radius of 2.5
    places = np.array([[near, 100], [far, 300], [SIZE[1] - 1 - near, 100]])
    for x, y in places.tolist():
        cv2.circle(one, (x, y), 2, 120.0, -1)
    assert judged(one, paper(2), np.eye(3), places, 2.5).tolist() == [False, True, False]
    shifted = np.array([[1, 0, 30.0], [0, 1, 0], [0, 0, 1]])
    assert judged(one, paper(2), shifted, places, 2.5).tolist() == [False, False, False]


def test_a_mark_that_a_coarser_piece_cannot_show_is_not_said_to_be_missing() -> None:
    one, coarse = paper(1), paper(2, (SIZE[0] // 6, SIZE[1] // 6))
    xy = np.array([[150, 200]])
    one[200, 150] -= 30  # a single pixel: a thirty-sixth of a pixel there
    sixfold = np.array([[6, 0, 2.5], [0, 6, 2.5], [0, 0, 1.0]])
    assert judged(one, coarse, sixfold, xy, 0.7).tolist() == [False]
    assert judged(one, paper(2), np.eye(3), xy, 0.7).tolist() == [True]
