"""I hand out tiles of pictures by ids: of pieces, of results, each opened once and closed when others are looked at.

In: an id that was handed out, halvings, row, column. Out: JPEG.
"""

from __future__ import annotations

import importlib
import threading
from collections import OrderedDict
from pathlib import Path
from typing import TYPE_CHECKING

from stitchbed.desk.job.pieces import id_of, stamp_of

if TYPE_CHECKING:
    from stitchbed.reading.base.cache import PieceCache
    from stitchbed.report.one_tile import OnePicture

CACHE_BYTES = 96 * 2**20  # decoded pieces of all open pictures together
WHITE = 255  # sRGB code
MOST_OPEN = 32  # pictures; each keeps a small view of some 7 MB at most


class Pictures:
    """Open pictures, the one looked at last staying longest; close it. `warm` loads the readers, or the first tile."""

    def __init__(self) -> None:
        self._known: dict[str, Path] = {}
        self._paper: set[str] = set()
        self._open: OrderedDict[tuple[str, str], OnePicture] = OrderedDict()
        self._cache: PieceCache | None = None
        self._lock = threading.Lock()

    def known(self, path: Path, *, paper: bool = False) -> tuple[str, str]:
        """(id, stamp) by which tiles of the picture can be asked for from now on. paper : white where nothing is."""
        self._known[id_of(path)] = path
        if paper:
            self._paper.add(id_of(path))
        return id_of(path), stamp_of(path)

    def tile(self, id: str, stamp: str, halvings: int, row: int, col: int) -> bytes | None:
        """The tile; None for an unknown picture, one that changed since, or a place outside.

        Raises
        ------
        StitchbedError : the file cannot be read.
        """
        path = self._known.get(id)
        if path is None or stamp_of(path) != stamp:
            return None
        return self.picture(path).tile(halvings, row, col)

    def picture(self, path: Path) -> OnePicture:
        """The picture, opened.

        Raises
        ------
        StitchbedError : the file cannot be read.
        """
        from stitchbed.reading.base.cache import PieceCache
        from stitchbed.report.one_tile import OnePicture
        from stitchbed.report.tiles import NOTHING

        key = id_of(path), stamp_of(path)
        with self._lock:
            if self._cache is None:
                self._cache = PieceCache(CACHE_BYTES)
            if key not in self._open:
                self._open[key] = OnePicture(path, self._cache, nothing=WHITE if key[0] in self._paper else NOTHING)
            self._open.move_to_end(key)
            # what is dropped here may still be read by another thread: it closes when that one lets go of it
            while len(self._open) > MOST_OPEN:
                self._open.popitem(last=False)
            return self._open[key]

    def warm(self) -> None:
        """Load the readers, so that the first tile need not wait for them."""
        importlib.import_module("stitchbed.report.one_tile")

    def close(self) -> None:
        """Close all."""
        with self._lock:
            for one in self._open.values():
                one.close()
            self._open.clear()
