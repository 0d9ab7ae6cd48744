"""I am what a reader learns from a file's header, and the pixels it promises to fetch.

In: facts of one file. Out: frozen values handed from the readers to `windows`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from stitchbed.core.arrays import Pixels
from stitchbed.imaging.box import Box
from stitchbed.reading.base.tile import Raster

MAX_PIXELS = 4_000_000_000  # 63,000 x 63,000: an A0 sheet at 1200 dpi has 2.2e9; more is a damaged or hostile header


@dataclass(frozen=True)
class Header:
    """raster : as handed out. orientation : 1..8, of TIFF/EXIF tag 274, from stored to shown.

    associated : alpha is premultiplied in the file. layout : the reader's own knowledge of where pixels are.
    notes : sentences for the user about what was ignored in the file.
    """

    raster: Raster
    orientation: int
    associated: bool
    layout: Any
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Stored:
    """Pixels as they lie in a file: read(box) -> (h, w, samples), color in RGB order, alpha (if any) last.

    height, width : px as stored, before orientation.
    piece : (rows, columns) px that are decoded together.
    levels : the same picture at 1/2, 1/4, ... of its size, area averages.
    """

    height: int
    width: int
    samples: int
    dtype: str
    piece: tuple[int, int]
    read: Callable[[Box], Pixels]
    close: Callable[[], None]
    levels: tuple[Stored, ...] = ()
