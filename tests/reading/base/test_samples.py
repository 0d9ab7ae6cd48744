"""I check that samples of any number of bits are unpacked and stretched by values written out by hand.

Reference: TIFF 6.0 (1992), tag 266 (the first sample in the highest bits); ISO 32000-1:2008, 8.9.3 (rows begin at whole
bytes).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stitchbed.reading.base.samples import from_bits, stretched


def rows(*said: str) -> np.ndarray:
    """(rows, bytes) of rows written in binary digits, filled up to whole bytes with ones, which no one may read."""
    full = [text.replace(" ", "").ljust(-(-len(text.replace(" ", "")) // 8) * 8, "1") for text in said]
    return np.array([[int(text[at : at + 8], 2) for at in range(0, len(text), 8)] for text in full], np.uint8)


@pytest.mark.parametrize(
    ("bits", "raw", "values"),
    [
        (1, rows("1 0 1", "0 0 1"), [[1, 0, 1], [0, 0, 1]]),
        (2, rows("11 10 01", "00 01 11"), [[3, 2, 1], [0, 1, 3]]),
        (4, rows("1111 1000 0001", "0000 0110 1001"), [[15, 8, 1], [0, 6, 9]]),
        (8, rows("11111111 10000000 00000001"), [[255, 128, 1]]),
        (10, rows("1111111111 1000000000 0000000011"), [[1023, 512, 3]]),
        (12, rows("111111111111 100000000000 000000000101"), [[4095, 2048, 5]]),
        (14, rows("10000000000001 00000000000010 11111111111111"), [[8193, 2, 16383]]),
        (16, rows("00000001 00000010 11111111 00000000 00000000 11111111"), [[258, 65280, 255]]),
    ],
)
def test_values_by_hand(bits: int, raw: np.ndarray, values: list[list[int]]) -> None:
    found = from_bits(raw, bits, 3, 1)
    assert found.dtype == (np.uint16 if bits > 8 else np.uint8)
    assert found[..., 0].tolist() == values


def test_samples_lie_side_by_side_and_bytes_turn_where_asked() -> None:
    assert from_bits(rows("0001 0010 0011 0100 0101 0110"), 4, 2, 3).tolist() == [[[1, 2, 3], [4, 5, 6]]]
    assert from_bits(np.array([[1, 2, 3, 4, 9]], np.uint8), 16, 2, 1, "<").tolist() == [[[513], [1027]]]


@pytest.mark.parametrize(
    ("bits", "stored", "shown"),
    [
        (1, [0, 1], [0, 255]),
        (2, [0, 1, 2, 3], [0, 85, 170, 255]),
        (4, [0, 1, 7, 15], [0, 17, 119, 255]),
        (10, [0, 1, 512, 1023], [0, 64, 32800, 65535]),  # 64.06, 32799.6
        (12, [0, 1, 2048, 4095], [0, 16, 32776, 65535]),  # 16.004, 32775.5
        (14, [0, 1, 8192, 16383], [0, 4, 32770, 65535]),  # 4.0002, 32769.5
    ],
)
def test_stretched_by_hand(bits: int, stored: list[int], shown: list[int]) -> None:
    kind = np.uint8 if bits < 8 else np.uint16
    found = stretched(np.array(stored, kind), bits)
    assert found.dtype == kind and found.tolist() == shown


@given(st.sampled_from([1, 2, 4, 8, 10, 12, 14, 16]))
@settings(max_examples=8, deadline=None)
def test_no_value_is_lost(bits: int) -> None:
    every = np.arange(2**bits).astype(np.uint8 if bits <= 8 else np.uint16)
    shown = stretched(every, bits)
    assert (shown[0], shown[-1]) == (0, np.iinfo(shown.dtype).max)
    assert np.all(np.diff(shown.astype(int)) > 0)
    if bits in (8, 16):
        assert shown is every
