"""I keep the decoded pixels of a file that cannot be read by windows.

In: bands of rows from top to bottom. Out: `Stored` pixels, in memory when small, else in a file without a name.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from functools import partial
from pathlib import Path
from typing import IO

import numpy as np

from stitchbed.core.arrays import Pixels
from stitchbed.core.files import cannot_write
from stitchbed.imaging.box import Box
from stitchbed.reading.base.fetching import Fetch, fetcher
from stitchbed.reading.base.header import Stored

IN_MEMORY = 256 * 2**20  # bytes; what may stay in memory when no scratch folder is given


def spilled(
    bands: Iterable[Pixels], shape: tuple[int, int, int], dtype: str, *, path: Path, scratch: Path | None
) -> Stored:
    """Decode once: `bands` of (rows, width, samples) are kept in order; shape is (height, width, samples).

    Raises
    ------
    CannotWrite : the scratch folder takes no more. Whatever `bands` raises.
    """
    size = int(np.prod(shape)) * np.dtype(dtype).itemsize
    if scratch is None and size <= IN_MEMORY:
        return Stored(
            *shape, dtype, (1, shape[1]), partial(_from_memory, [_gathered(bands, shape, dtype)]), lambda: None
        )
    file = _written(bands, dtype, scratch)
    return Stored(*shape, dtype, (1, shape[1]), partial(_from_file, fetcher(path, file), shape, dtype), file.close)


def _gathered(bands: Iterable[Pixels], shape: tuple[int, int, int], dtype: str) -> Pixels:
    """One array of all bands. The bands are asked for to the very end, since what follows the last may be checked."""
    whole = np.empty(0, dtype)
    row = 0
    for band in bands:
        if row == 0:
            whole = band if band.shape == shape else np.empty(shape, dtype)
        if whole is not band:
            whole[row : row + band.shape[0]] = band
        row += band.shape[0]
    return whole


def _written(bands: Iterable[Pixels], dtype: str, scratch: Path | None) -> IO[bytes]:
    folder = scratch or Path(tempfile.gettempdir())
    try:
        file = tempfile.TemporaryFile(dir=folder, buffering=0)  # noqa: SIM115  (closed by Stored.close)
    except OSError as error:
        raise cannot_write(folder, error) from error
    try:
        for band in bands:
            _write_whole(file, np.ascontiguousarray(band, dtype).data.cast("B"), folder)
    except BaseException:
        file.close()
        raise
    return file


def _write_whole(file: IO[bytes], data: memoryview, folder: Path) -> None:
    done = 0
    try:
        while done < len(data):
            done += file.write(data[done:])
    except OSError as error:
        raise cannot_write(folder, error) from error


def _from_memory(held: list[Pixels], box: Box) -> Pixels:
    return held[0][box.slices].copy()


def _from_file(fetch: Fetch, shape: tuple[int, int, int], dtype: str, box: Box) -> Pixels:
    pixel = shape[2] * np.dtype(dtype).itemsize
    row = shape[1] * pixel
    raw = fetch(box.row * row + box.col * pixel, box.height, box.width * pixel, row)
    return raw.view(dtype).reshape(box.height, box.width, shape[2])
