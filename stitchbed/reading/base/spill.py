"""I keep the decoded pixels of a file that cannot be read by windows.

In: parts of the picture, or bands of rows from top to bottom. Out: `Stored` pixels, in memory when small, else in a
file without a name.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import IO

import numpy as np

from stitchbed.core.arrays import Pixels
from stitchbed.core.errors import CannotWrite
from stitchbed.core.files import cannot_write
from stitchbed.imaging.box import Box
from stitchbed.reading.base.fetching import Fetch, fetcher
from stitchbed.reading.base.header import Stored

IN_MEMORY = 32 * 2**20  # bytes of one picture that may stay in memory when no scratch folder is given

Parts = Iterable[tuple[Box, Pixels]]


def in_bands(bands: Iterable[Pixels]) -> Iterator[tuple[Box, Pixels]]:
    """Bands of (rows, width, samples) from the top as parts of the picture."""
    row = 0
    for band in bands:
        yield Box(row, 0, *band.shape[:2]), band
        row += band.shape[0]


def spilled(
    parts: Parts, shape: tuple[int, int, int], dtype: str, *, scratch: Path | None, path: Path | None = None
) -> Stored:
    """Decode once: parts (box, its (h, w, samples) pixels) that cover the picture are kept.

    shape : (height, width, samples). scratch : a folder, or None for the system's. path : named when reading it fails.
    The parts are asked for to the very end, since what follows the last may be checked.

    Raises
    ------
    CannotWrite : the scratch folder takes no more. Whatever `parts` raises.
    """
    size = int(np.prod(shape)) * np.dtype(dtype).itemsize
    if scratch is None and size <= IN_MEMORY:
        whole = np.empty(shape, dtype)
        for box, pixels in parts:
            whole[box.slices] = pixels
        return Stored(*shape, dtype, (1, shape[1]), partial(_from_memory, [whole]), lambda: None)
    folder = scratch or Path(tempfile.gettempdir())
    _demand_free(folder, size, path)
    file = _written(parts, shape, dtype, folder)
    fetch = fetcher(path or folder, file)
    return Stored(*shape, dtype, (1, shape[1]), partial(_from_file, fetch, shape, dtype), file.close)


def _demand_free(folder: Path, needed: int, path: Path | None) -> None:
    with suppress(OSError):  # a disk that does not tell is tried
        free = shutil.disk_usage(folder).free
        if free < needed:
            raise CannotWrite(
                f"{free / 2**30:.1f} GiB free in {folder}, where {path.name if path else 'a picture'} is unpacked",
                expected=f"about {needed / 2**30:.1f} GiB while the job runs",
                attempt="making room, or another disk for temporary files (TMPDIR)",
            )


def _written(parts: Parts, shape: tuple[int, int, int], dtype: str, folder: Path) -> IO[bytes]:
    try:
        file = tempfile.TemporaryFile(dir=folder, buffering=0)  # noqa: SIM115  (closed by Stored.close)
    except OSError as error:
        raise cannot_write(folder, error) from error
    pixel = shape[2] * np.dtype(dtype).itemsize
    try:
        for box, pixels in parts:
            whole = np.ascontiguousarray(pixels, dtype)
            runs = [whole] if box.width == shape[1] else list(whole)
            for number, run in enumerate(runs):
                file.seek(((box.row + number) * shape[1] + box.col) * pixel)
                _write_whole(file, run.data.cast("B"), folder)
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
