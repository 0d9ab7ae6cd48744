"""I check that a mark beside other ink is held missing only where the other scan shows the ink without it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.page.dust.second_sight import evenly_soft, held_there

REACH = 3


def _ink(*, mark: bool, shift: int = 0, seed: int = 0) -> np.ndarray:
    """(80, 80) a bent stroke, and a mark 6 px beside it."""
    ink = np.zeros((80, 80), np.float32)
    points = np.array([(10, 40), (40, 40), (70, 25)]) + shift
    cv2.polylines(ink, [points.astype(np.int32)], False, 1.0, 3)
    if mark:
        cv2.circle(ink, (38 + shift, 48 + shift), 2, 0.9, -1)
    noise = 0.02 * np.random.default_rng(seed).standard_normal(ink.shape)
    return np.asarray(cv2.GaussianBlur(ink, (0, 0), 0.8) + noise, np.float32)


def _own() -> tuple[np.ndarray, np.ndarray]:
    rows, cols = np.mgrid[45:52, 35:42]
    return rows.ravel().astype(np.int32), cols.ravel().astype(np.int32)


@pytest.mark.parametrize("shift", [0, 1, 2])
@pytest.mark.parametrize("seed", range(4))
def test_a_stroke_beside_it_is_not_the_mark(shift: int, seed: int) -> None:
    here = _ink(mark=True, seed=seed)
    shown = held_there(here, _ink(mark=True, shift=shift, seed=seed + 9), _own(), REACH)
    missing = held_there(here, _ink(mark=False, shift=shift, seed=seed + 9), _own(), REACH)
    assert shown is not None
    assert shown.apart
    assert shown.share > 0.8
    assert missing is not None
    assert missing.apart
    assert missing.share < 0.25


def test_where_the_ink_beside_it_does_not_fit_nothing_is_said() -> None:
    here = _ink(mark=True)
    elsewhere = np.roll(_ink(mark=False), 12, axis=0)
    beside = held_there(here, elsewhere, _own(), REACH)
    assert beside is not None
    assert not beside.apart
    assert beside.left_over > 0.25


@pytest.mark.parametrize("seed", range(4))
def test_a_pale_speck_that_touches_a_stroke_is_held_only_where_the_other_scan_has_it(seed: int) -> None:
    here, bare = _ink(mark=False, seed=seed), _ink(mark=False, shift=1, seed=seed + 9)
    rows, cols = (part.ravel() + at for part, at in zip(np.mgrid[:3, :3], (43, 32), strict=True))
    shown = bare.copy()
    for picture, off in ((here, 0), (shown, 1)):
        picture[rows + off, cols + off] += 0.35
    for there, least, most in ((bare, -1.0, 0.3), (shown, 0.6, 2.0)):
        beside = held_there(here, there, (rows.astype(np.int32), cols.astype(np.int32)), REACH)
        assert beside is not None
        assert not beside.apart
        assert beside.reaches > 0.5
        assert beside.left_over < 0.1
        assert least < beside.share < most


def test_a_mark_far_from_all_other_ink_is_not_asked_about() -> None:
    here = np.zeros((80, 80), np.float32)
    cv2.circle(here, (38, 47), 2, 0.9, -1)
    assert held_there(here, np.zeros_like(here), _own(), REACH) is None


@pytest.mark.parametrize("more", [0.6, 1.2, 2.0])
@pytest.mark.parametrize("paler", [1.0, 0.6])
def test_of_two_pictures_the_sharper_is_told_and_by_how_much(more: float, paler: float) -> None:
    rng = np.random.default_rng(4)
    ink = np.zeros((200, 200), np.float32)
    for x, y in rng.integers(10, 180, (25, 2)):
        ink[y : y + 3, x : x + 12] = 1
    sharp = cv2.GaussianBlur(ink, (0, 0), 0.8)
    blurred = paler * cv2.GaussianBlur(np.roll(sharp, 2, axis=1), (0, 0), more)
    known = np.ones_like(ink)
    assert evenly_soft(sharp, blurred, known) == (pytest.approx(more, abs=0.1), 0.0)
    assert evenly_soft(blurred, sharp, known) == (0.0, pytest.approx(more, abs=0.1))
    assert evenly_soft(sharp, np.roll(sharp, 2, axis=1), known) == (0.0, 0.0)
