"""I check that sliding whole pictures finds how pieces lie where no points are found."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.imaging.transforms import moved
from stitchbed.matching.overlap_evidence import EvidenceSettings, detail_of
from stitchbed.matching.sliding import SlidingSettings, slid, slid_near

PX_PER_MM = 4.0


def _wash(seed: int) -> np.ndarray:
    """Soft blots, (600, 800) gray levels."""
    rng = np.random.default_rng(seed)
    soft = sum(cv2.GaussianBlur(rng.standard_normal((600, 800)).astype(np.float32), (0, 0), s) * s for s in (4, 10))
    return np.asarray(np.clip(150 + 40 * soft / soft.std(), 0, 255), np.float32)


@pytest.mark.parametrize(("turn", "seed"), [(0.7, 1), (-1.6, 2), (181.2, 3)])
def test_the_first_motion_is_the_true_one(turn: float, seed: int) -> None:
    sheet, a = _wash(seed), np.deg2rad(turn)
    sheet_from_b = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    sheet_from_b[:2, 2] = np.array([520, 330]) - sheet_from_b[:2, :2] @ np.array([199.5, 199.5])
    there = cv2.warpAffine(sheet, sheet_from_b[:2], (400, 400), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    details = [detail_of(part, 1, PX_PER_MM, EvidenceSettings()) for part in (sheet[:, :460].copy(), there)]
    motion = slid((details[0], details[1]), 1.0, SlidingSettings())[0]
    shared = np.array([[350.0, 200], [450, 200], [450, 480], [350, 480]])
    miss = np.hypot(*(moved(motion, shared) - moved(np.linalg.inv(sheet_from_b), shared)).T).max()
    assert miss < 1.5 * PX_PER_MM  # a pixel and a half of the slid pictures; cells take it from there


def test_a_narrow_true_overlap_comes_first_where_larger_ones_are_not_favored() -> None:
    """Marks on a grid, each a little aside of its node: laid nodes off, much is shared that is half alike."""
    rng, sheet = np.random.default_rng(5), np.full((360, 760), 230, np.float32)
    for y in range(30, 360, 40):
        for x in range(30, 760, 40):
            at = (int(x + rng.integers(-5, 6)), int(y + rng.integers(-5, 6)))
            cv2.circle(sheet, at, 8, 40.0, 3)
    one, two = (detail_of(part.copy(), 1, PX_PER_MM, EvidenceSettings()) for part in (sheet[:, :420], sheet[:, 340:]))
    motion = slid_near((one, two), np.eye(3), 1e9, SlidingSettings(larger=0.0), tilt_degrees=0.5, least=0.06)[0]
    assert np.abs(motion[:2, 2] - [-340, 0]).max() < 1.5 * PX_PER_MM
