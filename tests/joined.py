"""I make small sets of scans, join them, and keep both, so that many tests can ask about one join.

In: a folder to work in. Out: `Joined`: what went in, what came out.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
import truth

import stitchbed
from stitchbed.imaging.transfer import to_linear, to_stored, transfer_of

SHAPE = (400, 500)
SMALL = (300, 360)
DPI = 100.0
QUICK = stitchbed.JoinSettings(workers=1)


@dataclass(frozen=True)
class Joined:
    """paths, tiles : what went in. hashes : sha256 of the files before. canvas, record : what came out."""

    paths: list[Path]
    sheet: truth.Floats
    tiles: list[truth.TrueTile]
    hashes: list[str]
    canvas: Path
    record: dict[str, Any]

    def step(self, name: str) -> dict[str, Any]:
        """The numbers of one step of the record."""
        return dict(next(step["numbers"] for step in self.record["steps"] if step["step"] == name))


def hashes_of(paths: Sequence[Path]) -> list[str]:
    """sha256 of each file."""
    return [hashlib.sha256(path.read_bytes()).hexdigest() for path in paths]


def join_set(
    folder: Path,
    sheet: truth.Floats,
    tiles: list[truth.TrueTile],
    settings: stitchbed.JoinSettings = QUICK,
    *,
    dpi: float = DPI,
    icc: bytes | None = truth.SRGB,
) -> Joined:
    """Write the tiles, make them read-only, join them."""
    return join_files(folder, sheet, tiles, truth.write_set(folder / "pieces", tiles, dpi, icc), settings)


def join_files(
    folder: Path,
    sheet: truth.Floats,
    tiles: list[truth.TrueTile],
    paths: list[Path],
    settings: stitchbed.JoinSettings = QUICK,
) -> Joined:
    """Join files that were written already."""
    for path in paths:
        path.chmod(0o444)
    before = hashes_of(paths)
    canvas = folder / "canvas.tif"
    record = stitchbed.join(paths, canvas, settings)
    return Joined(paths, sheet, tiles, before, canvas, record)


def write_piece(path: Path, pixels: np.ndarray, dpi: float | None, icc: bytes | None = None) -> Path:
    """One TIFF; dpi None leaves the resolution tags without a unit."""
    resolution: Mapping[str, Any] = {"resolution": (dpi, dpi), "resolutionunit": "INCH"} if dpi else {}
    path.parent.mkdir(parents=True, exist_ok=True)
    tifffile.imwrite(
        path, pixels, photometric="minisblack" if pixels.ndim == 2 else "rgb", compression="zlib", iccprofile=icc,
        metadata=None, **resolution,
    )  # fmt: skip
    return path


def grayed(pixels: np.ndarray, dtype: str) -> np.ndarray:
    """(h, w) gray of an RGB tile, averaged in linear light."""
    light = to_linear(np.ascontiguousarray(pixels), transfer_of(None)).mean(axis=2)
    return np.asarray(to_stored(light.astype(np.float32), dtype, transfer_of(None)))


def pair(seed: int = 1, *, dtype: str = "uint8") -> tuple[truth.Floats, list[truth.TrueTile]]:
    """The smallest set that is still a job: two tiles of 300 x 360 px."""
    return truth.make_set(1, 2, seed=seed, shape=SMALL, dtype=dtype)
