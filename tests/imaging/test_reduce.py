"""I check area reduction against plain means, whatever the factor and the size."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from stitchbed.imaging.box import Box
from stitchbed.imaging.reduce import reduction_for, reduction_to, repeated, shrunk, shrunk_to


@given(st.integers(1, 7), st.integers(1, 40), st.integers(1, 40), st.sampled_from([(), (1,), (3,)]), st.integers(0, 99))
def test_each_pixel_is_the_mean_of_its_area(
    factor: int, rows: int, cols: int, more: tuple[int, ...], seed: int
) -> None:
    picture = np.random.default_rng(seed).random((rows, cols, *more), dtype=np.float32)
    small = shrunk(picture, factor)
    high, wide = rows // factor, cols // factor
    if high and wide:
        whole = picture[: high * factor, : wide * factor].reshape(high, factor, wide, factor, *more)
        assert small.shape == (high, wide, *more)
        assert np.allclose(small, whole.mean(axis=(1, 3), dtype=np.float64), atol=1e-6)
    else:
        assert small.shape == (max(1, high), max(1, wide), *more)


@given(st.integers(1, 5000), st.integers(1, 5000), st.integers(1, 2000))
def test_a_reduction_brings_the_long_side_near(rows: int, cols: int, side: int) -> None:
    factor = reduction_for((rows, cols), side)
    assert factor >= 1
    assert max(rows, cols) / factor <= 2 * side or factor == 1


@given(st.floats(50, 2400), st.floats(20, 600))
def test_at_least_the_wanted_dpi_is_left(dpi: float, wanted: float) -> None:
    factor = reduction_to(dpi, wanted)
    assert factor == 1 or dpi / factor >= 0.98 * wanted  # a hundredth of a factor is let pass: 299.9 dpi is 300


def test_factor_and_picture_belong_together() -> None:
    small, times = shrunk_to(np.zeros((300, 90), np.float32), 100)
    assert times == 3 and small.shape == (100, 30)


@given(st.integers(1, 6), st.tuples(*[st.integers(0, 30)] * 2), st.tuples(*[st.integers(1, 30)] * 2))
def test_a_box_of_a_map_is_that_of_the_map_with_each_cell_repeated(
    factor: int, corner: tuple[int, int], size: tuple[int, int]
) -> None:
    small = np.random.default_rng(3).integers(0, 99, (9, 7), dtype=np.int32)
    whole = np.pad(np.kron(small, np.ones((factor, factor), np.int32)), ((0, 99), (0, 99)), mode="edge")
    box = Box(*corner, *size)
    found = repeated(small, box, factor)
    assert np.array_equal(found, whole[box.slices]) and found.flags.c_contiguous
