"""I hand out windows and reduced views of one picture the way it is meant to be looked at.

In: a header and stored pixels. Out: arrays in the shown orientation, color apart from straight alpha.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from stitchbed.core.arrays import Pixels
from stitchbed.imaging.box import Box
from stitchbed.reading.base.header import Header, Stored
from stitchbed.reading.base.spill import in_bands, spilled
from stitchbed.reading.base.tile import Raster
from stitchbed.reading.views.orientation import MIRRORED, stored_box, swapped, turned
from stitchbed.reading.views.overview import bands, overview, reduced_size
from stitchbed.reading.views.straight_alpha import straightened


class Windows:
    """Pixels of one open picture; close it (or use `with`). notes : what of the file was ignored, for the user."""

    def __init__(self, header: Header, stored: Stored) -> None:
        self._header = header
        self._stored = stored
        self.raster: Raster = header.raster
        self.notes: tuple[str, ...] = header.notes

    def window(self, box: Box) -> Pixels:
        """(h, w, channels) color of a box that lies in the picture, dtype of the raster.

        Raises
        ------
        ValueError : the box is empty or leaves the picture. UnreadableTile : the file is damaged there.
        """
        pixels = self._read(box)
        color = pixels[..., : self.raster.shape[2]]
        if self._header.associated:
            color = straightened(color, pixels[..., -1:])
        return np.ascontiguousarray(color)

    def alpha(self, box: Box) -> Pixels | None:
        """(h, w) straight alpha of a box, 0 transparent; None when the file has none."""
        if not self.raster.alpha:
            self._check(box)
            return None
        return np.ascontiguousarray(self._read(box)[..., -1])

    def view(self, reduction: int) -> Pixels:
        """(ceil(h/r), ceil(w/r), channels): the whole picture, each cell the mean of its r x r px (or what is there).

        Colors are weighted by alpha; see `overview`.
        """
        if reduction < 1:
            raise ValueError(f"reduction must be at least 1, got {reduction}")
        return overview(self._header, self._stored, reduction)

    def level(self, halvings: int) -> Windows | None:
        """The picture at 1 / 2^halvings as the file itself keeps it, to be closed with this one; None when it does not,
        or when its pixels lie turned.
        """
        if halvings == 0:
            return self
        if self._header.orientation != 1 or halvings > len(self._stored.levels):
            return None
        stored = self._stored.levels[halvings - 1]
        shape = (stored.height, stored.width, self.raster.shape[2])
        return Windows(replace(self._header, raster=replace(self.raster, shape=shape)), stored)

    def reduced(self, reduction: int, scratch: Path | None = None) -> Windows:
        """The same as `view`, to be read by windows: a large one is kept in `scratch`, not in memory. Close it too."""
        header, stored = self._header, self._stored
        size = reduced_size(header, stored, reduction)
        shown = (*swapped(size, header.orientation), self.raster.shape[2])
        own = replace(header, raster=replace(self.raster, shape=shown, alpha=False), associated=False)
        kept = spilled(in_bands(bands(header, stored, reduction)), (*size, shown[2]), stored.dtype, scratch=scratch)
        return Windows(own, kept)

    def flipped(self) -> Windows:
        """The picture flipped left to right, to be closed instead of this one."""
        return Windows(replace(self._header, orientation=MIRRORED[self._header.orientation]), self._stored)

    def close(self) -> None:
        """Close the file and drop what was decoded of it."""
        self._stored.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _read(self, box: Box) -> Pixels:
        self._check(box)
        turn = self._header.orientation
        return turned(self._stored.read(stored_box(box, self._stored.height, self._stored.width, turn)), turn)

    def _check(self, box: Box) -> None:
        rows, cols, _ = self.raster.shape
        if box.empty or box.row < 0 or box.col < 0 or box.bottom > rows or box.right > cols:
            raise ValueError(f"{box} does not lie in a picture of {rows} rows and {cols} columns")
