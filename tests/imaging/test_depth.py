"""I check the one rule of depth: exact both ways where it can be, to the nearest where it cannot."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from stitchbed.imaging.depth import at_depth, eight_bit

EVERY = np.arange(65536, dtype=np.uint16)


def test_every_code_goes_to_the_nearest() -> None:
    """255 = 65535 / 257: the nearest by whole numbers, for all 65,536 codes."""
    assert np.array_equal(eight_bit(EVERY), ((EVERY.astype(np.uint32) * 2 + 257) // 514).astype(np.uint8))


def test_eight_bits_survive_sixteen() -> None:
    codes = np.arange(256, dtype=np.uint8)
    assert np.array_equal(at_depth(at_depth(codes, "uint16"), "uint8"), codes)
    assert at_depth(codes, "uint16")[[0, 255]].tolist() == [0, 65535]


@given(arrays(np.uint16, array_shapes(min_dims=1, max_dims=3, max_side=9)), st.booleans())
def test_shapes_stay_and_the_input_too(codes: np.ndarray, turned: bool) -> None:
    seen = codes.T if turned else codes  # also where rows do not lie one after another
    before = seen.copy()
    less = at_depth(seen, "uint8")
    assert less.shape == seen.shape and less.dtype == np.uint8
    assert np.abs(at_depth(less, "uint16").astype(int) - seen).max(initial=0) <= 128
    assert np.array_equal(seen, before)
