"""I am how the pixels of one picture lie in a TIFF.

In: facts of its tags. Out: a frozen `Page`, and what follows from it by arithmetic.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FAXES = ("fax rle", "fax 3", "fax 4")  # for one bit per pixel only


@dataclass(frozen=True)
class Page:
    """How one picture's pixels lie. Pieces are strips (as wide as the picture) or tiles; sizes in px, offsets in bytes.

    samples : per pixel as stored; piece_samples : in one piece (1 when planes are apart).
    color : channels handed out; alpha : index of the alpha sample or None.
    """

    height: int
    width: int
    bits: int
    samples: int
    photometric: int
    compression: str
    planes_apart: bool
    predictor: bool
    low_bit_first: bool
    order: str
    tiled: bool
    piece_height: int
    piece_width: int
    offsets: NDArray[np.int64]
    counts: NDArray[np.int64]
    palette: NDArray[np.uint8] | None
    jpeg_tables: bytes | None
    fax_options: int
    color: int
    alpha: int | None
    associated: bool

    @property
    def dtype(self) -> str:
        """Name of the sample type handed out."""
        return "uint16" if self.bits == 16 else "uint8"

    @property
    def chosen(self) -> tuple[int, ...]:
        """Stored samples that are read: gray, palette index or RGB, then alpha."""
        inside = 1 if self.photometric == 3 else self.color
        return (*range(inside), *(() if self.alpha is None else (self.alpha,)))

    @property
    def handed_out(self) -> int:
        """Samples handed out per pixel, alpha counted."""
        return self.color + (self.alpha is not None)

    @property
    def piece_samples(self) -> int:
        """Samples per pixel within one piece."""
        return 1 if self.planes_apart else self.samples

    @property
    def piece_bytes(self) -> int:
        """Bytes of one piece as it is held when decoded."""
        return self.piece_height * self.piece_width * self.piece_samples * (2 if self.bits == 16 else 1)

    @property
    def grid(self) -> tuple[int, int]:
        """Pieces (down, across) of one plane."""
        return -(-self.height // self.piece_height), -(-self.width // self.piece_width)

    @property
    def row_bytes(self) -> int:
        """Bytes of one row of one piece, uncompressed."""
        return (self.piece_width * self.piece_samples * self.bits + 7) // 8
