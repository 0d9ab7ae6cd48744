"""I check that pieces are laid on each other where they lie, and that slow light and dust tell nothing of them."""

from __future__ import annotations

import cv2
import numpy as np

from stitchbed.matching.laid_over import Layer, leveled, overlap_of, without_specks

STEP, PIXEL_MM = 4.0, 0.5
SHIFT = 20  # px of a layer that the second piece lies to the right


def _drawing(seed: int = 3) -> np.ndarray:
    """(120, 160) gray levels round 0 with strokes."""
    rng = np.random.default_rng(seed)
    picture = np.zeros((120, 160), np.float32)
    for x0, y0, x1, y1 in rng.integers(0, 160, (24, 4)).tolist():
        cv2.line(picture, (x0, y0), (x1, y1), -60.0, 2, cv2.LINE_AA)
    return picture


def _layer(picture: np.ndarray) -> Layer:
    return Layer(np.clip(np.rint(picture), -127, 127).astype(np.int8), STEP, PIXEL_MM)


def _motion(px: float) -> np.ndarray:
    """3x3 full-resolution px of the second piece from those of the first."""
    return np.array([[1, 0, -px * STEP], [0, 1, 0], [0, 0, 1.0]])


def test_what_both_show_comes_to_lie_on_each_other() -> None:
    whole = _drawing()
    found = overlap_of(_motion(SHIFT), _layer(whole[:, :140]), _layer(whole[:, SHIFT:]), PIXEL_MM)
    assert found is not None
    assert found.corner == (1, SHIFT + 1)  # a rim of a px is left out of both
    seen = np.isfinite(found.there)
    assert seen.mean() > 0.95
    assert np.abs(found.here - found.there)[seen].max() <= 1
    assert found.here.shape == found.there.shape == (118, 140 - 1 - (SHIFT + 1))


def test_pieces_that_share_nothing_have_no_overlap() -> None:
    whole = _drawing()
    assert overlap_of(_motion(200), _layer(whole), _layer(whole), PIXEL_MM) is None


def test_light_that_changes_slowly_is_taken_from_both() -> None:
    whole = _drawing()
    slope = np.linspace(-30, 30, 140, dtype=np.float32)[None]
    found = overlap_of(_motion(0), _layer(whole[:, :140] + slope), _layer(whole[:, :140]), PIXEL_MM)
    assert found is not None
    flat = leveled(found, 20)
    seen = np.isfinite(flat.there)
    assert np.abs(found.here - found.there)[seen].max() > 25
    assert np.abs(flat.here - flat.there)[seen].mean() < 3


def test_dust_is_no_evidence_and_a_stroke_is() -> None:
    whole = _drawing()
    dusty, drawn = whole.copy(), whole.copy()
    cv2.circle(dusty, (70, 60), 2, 90.0, -1)  # lighter than all round it, on one piece only
    cv2.line(drawn, (30, 20), (110, 22), 90.0, 3)
    shares = []
    for first in (whole, dusty, drawn):
        found = overlap_of(_motion(0), _layer(first), _layer(whole), PIXEL_MM)
        assert found is not None
        share, clean = without_specks(found, 2, 8)
        shares.append(share)
        assert clean.here.shape == found.here.shape
    assert shares[0] == 0
    assert shares[1] < 0.01
    assert shares[2] > 0.05
