"""I count patches that come once: of random strokes all, of a stamp in rows none, of a stamp with a mark by it one."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.core.arrays import Array, Floats
from stitchbed.matching.overlap_evidence import Detail, EvidenceSettings, detail_of
from stitchbed.matching.twins import TwinSettings, drawn_once

PX_PER_MM, SIDE = 4.0, 240  # pieces of 60 mm
SHIFT = 150  # px between them: 22.5 mm are shared
MOTION = np.array([[1, 0, -SHIFT], [0, 1, 0], [0, 0, 1.0]])


def strokes(rng: np.random.Generator, shape: tuple[int, int], count: int) -> Floats:
    """Gray 0..255 with black lines at random."""
    page = np.full(shape, 235, np.uint8)
    for _ in range(count):
        at = (rng.uniform(0, 1, (3, 2)) * shape[::-1]).astype(np.int32)
        cv2.polylines(page, [at], False, 40, 3, cv2.LINE_AA)
    return page.astype(np.float32)


def stamped(seed: int, *, turned: bool) -> Floats:
    """Rows of one stamp of 15 mm; each turned by quarters at random where `turned`."""
    rng = np.random.default_rng(seed)
    stamp = strokes(rng, (60, 60), 3)
    rows = [
        np.concatenate([np.rot90(stamp, int(rng.integers(4)) if turned else 0) for _ in range(7)], axis=1)
        for _ in range(4)
    ]
    return np.asarray(np.concatenate(rows), np.float32)


def counted(page: Floats, motion: Array = MOTION) -> tuple[int, int]:
    """Of two pieces of a page (240, 390 or more)."""
    return drawn_once(motion, (seen(page[:, :SIDE]), seen(page[:, SHIFT : SHIFT + SIDE])), TwinSettings())


def seen(piece: Floats) -> Detail:
    rng = np.random.default_rng(5)
    noisy = piece + rng.normal(0, 2, piece.shape).astype(np.float32)
    return detail_of(np.asarray(noisy, np.float32), 1, PX_PER_MM, EvidenceSettings())


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_patches_of_a_drawing_come_once(seed: int) -> None:
    patches, once = counted(strokes(np.random.default_rng(seed), (240, 420), 60))
    assert patches >= 4 and once >= patches - 1


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_stamps_come_again_turned_or_not(seed: int, turned: bool) -> None:
    patches, once = counted(stamped(seed, turned=turned))
    assert (patches >= 4 and once == 0) or (turned and once <= 1)


def test_one_mark_beside_stamps_comes_once() -> None:
    page = stamped(1, turned=False)
    cv2.circle(page, (195, 100), 22, 30.0, 4, cv2.LINE_AA)
    assert counted(page)[1] >= 1


def test_bare_paper_and_pieces_apart_have_no_patches() -> None:
    assert counted(np.full((240, 420), 235, np.float32)) == (0, 0)
    page = strokes(np.random.default_rng(1), (240, 420), 60)
    assert counted(page, np.array([[1, 0, -500], [0, 1, 0], [0, 0, 1.0]])) == (0, 0)


def test_a_motion_turned_upside_down_is_asked_in_the_first_pieces_turn() -> None:
    page = strokes(np.random.default_rng(2), (240, 420), 60)
    flipped = np.ascontiguousarray(page[:, SHIFT : SHIFT + SIDE][::-1, ::-1])
    back = np.array([[-1, 0, SIDE - 1], [0, -1, SIDE - 1], [0, 0, 1.0]])
    patches, once = drawn_once(back @ MOTION, (seen(page[:, :SIDE]), seen(flipped)), TwinSettings())
    assert patches >= 4 and once >= patches - 1
