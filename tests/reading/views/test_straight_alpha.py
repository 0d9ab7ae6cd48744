"""I check that color comes back from its product with alpha."""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.reading.views.straight_alpha import straightened


@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
def test_full_alpha_changes_nothing_and_no_alpha_leaves_nothing(dtype: str) -> None:
    top = np.iinfo(dtype).max
    color = np.arange(256, dtype=dtype).reshape(16, 16, 1) * (top // 255)
    assert np.array_equal(straightened(color, np.full_like(color, top)), color)
    assert straightened(color, np.zeros_like(color)).max() == 0


@pytest.mark.parametrize(("alpha", "lost"), [(1, 127), (8, 16), (32, 4), (128, 1)])
def test_eight_bits_lose_what_they_must(alpha: int, lost: int) -> None:
    # 8-bit premultiplied color loses up to 127, 16, 4, 1 codes at alpha 1, 8, 32, 128 (arithmetic: half of 255 / alpha)
    color = np.arange(256).reshape(-1, 1, 1)
    stored = np.rint(color * alpha / 255).astype(np.uint8)
    back = straightened(stored, np.full((256, 1, 1), alpha, np.uint8)).astype(int)
    assert lost - 1 <= abs(back - color).max() <= lost + 1


def test_color_beyond_its_alpha_is_clipped() -> None:
    assert straightened(np.full((1, 1, 3), 200, np.uint8), np.full((1, 1, 1), 100, np.uint8)).max() == 255
