"""I check that rows fetched from a file are those numpy reads, one by one or in one run, and that a cut is told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stitchbed.core.errors import UnreadableTile
from stitchbed.reading.base.fetching import WORTH_SKIPPING, fetcher

SIZE = 4000  # bytes


def some_bytes(folder: Path) -> Path:
    """A file of SIZE random bytes."""
    path = folder / "bytes"
    path.write_bytes(np.random.default_rng(3).bytes(SIZE))
    return path


@given(offset=st.integers(0, 100), rows=st.integers(1, 9), row=st.integers(1, 40), gap=st.integers(0, 300))
def test_rows_are_those_of_the_file(
    offset: int, rows: int, row: int, gap: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = some_bytes(tmp_path_factory.getbasetemp())
    whole = np.fromfile(path, np.uint8)
    with path.open("rb", buffering=0) as file:
        got = fetcher(path, file)(offset, rows, row, row + gap)
    want = np.stack([whole[offset + k * (row + gap) :][:row] for k in range(rows)])
    assert np.array_equal(got, want)


@pytest.mark.parametrize("gap", [0, WORTH_SKIPPING * 50])
def test_the_last_row_may_end_with_the_file_and_no_later(gap: int, tmp_path: Path) -> None:
    path = some_bytes(tmp_path)
    stride = 40 + gap
    last = SIZE - (4 * stride + 40)
    with path.open("rb", buffering=0) as file:
        fetch = fetcher(path, file)
        assert fetch(last, 5, 40, stride)[-1].tobytes() == path.read_bytes()[-40:]
        with pytest.raises(UnreadableTile, match=f"cut off while it was read, at byte {SIZE:,}"):
            fetch(last + 1, 5, 40, stride)
