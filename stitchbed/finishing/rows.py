"""I keep finished rows of blocks on disk until the master is assembled from them.

In: encoded blocks. Out: one file per row, whole or absent, from which each level's segments are read in file order.
So a job that was stopped goes on after the last whole row, and the master's reduced views need no memory.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class EncodedBlock:
    """One block as it goes to the file: encoded segments [level][row][col] and the view at 1/2**(INNER_LEVELS+1)."""

    segments: tuple[tuple[tuple[bytes, ...], ...], ...]
    small: NDArray[Any]


def row_path(folder: Path, row: int) -> Path:
    """Where row number `row` is kept."""
    return folder / f"row-{row:05d}"


def write_row(folder: Path, row: int, line: Sequence[EncodedBlock]) -> None:
    """Keep one row of blocks, whole or not at all."""
    levels = [list(_row_of_segments(line, level)) for level in range(len(line[0].segments))]
    small = np.ascontiguousarray(np.concatenate([block.small for block in line], axis=1))
    head = {"lengths": [[len(s) for s in level] for level in levels], "shape": small.shape, "dtype": str(small.dtype)}
    target = row_path(folder, row)
    partial = target.with_suffix(".partial")
    with partial.open("wb") as file:
        file.write(json.dumps(head).encode() + b"\n")
        for level in levels:
            file.writelines(level)
        file.write(small.tobytes())
    os.replace(partial, target)


def read_segments(folder: Path, row: int, level: int) -> Iterator[bytes]:
    """Segments of one level of one row, in file order."""
    with row_path(folder, row).open("rb") as file:
        head = json.loads(file.readline())
        file.seek(sum(sum(lengths) for lengths in head["lengths"][:level]), os.SEEK_CUR)
        for length in head["lengths"][level]:
            yield file.read(length)


def read_small(folder: Path, row: int) -> NDArray[Any]:
    """The smallest view of a row, (h, w, samples)."""
    with row_path(folder, row).open("rb") as file:
        head = json.loads(file.readline())
        file.seek(sum(sum(lengths) for lengths in head["lengths"]), os.SEEK_CUR)
        return np.frombuffer(file.read(), head["dtype"]).reshape(head["shape"])


def _row_of_segments(line: Sequence[EncodedBlock], level: int) -> Iterator[bytes]:
    """Segments of a row of blocks, row by row across all blocks."""
    for row in range(len(line[0].segments[level])):
        for block in line:
            yield from block.segments[level][row]
