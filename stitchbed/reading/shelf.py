"""I hand out windows and reduced views of tiles within a byte budget.

In: tiles and a budget. Out: arrays; whatever is kept between two calls stays inside the budget.
"""

from __future__ import annotations

import tempfile
import threading
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from pathlib import Path
from types import TracebackType
from typing import Self

from stitchbed.core.arrays import Pixels
from stitchbed.imaging.box import Box
from stitchbed.reading.base.cache import PieceCache
from stitchbed.reading.base.tile import Tile
from stitchbed.reading.formats import MEMORY, open_windows
from stitchbed.reading.windows import Windows

MOST_OPEN = 32  # files; far below the 256 some systems allow


class Shelf:
    """Windows of many tiles; thread-safe; the result of a call never depends on what is held."""

    def __init__(
        self,
        tiles: Sequence[Tile],
        budget_bytes: int,
        scratch: Path | None = None,
        *,
        memory: int = MEMORY,
        flipped: frozenset[str] = frozenset(),
    ) -> None:
        """budget_bytes : of what is kept. memory : of the whole job, which decoding a piece must fit into. flipped :
        names of tiles that are handed out flipped left to right."""
        self._flipped = flipped
        self._tiles = {tile.name: tile for tile in tiles}
        self._pieces = PieceCache(7 * budget_bytes // 8)
        self._views = PieceCache(budget_bytes // 8)  # looked at once, as a rule
        self._own = None if scratch else tempfile.TemporaryDirectory(prefix="stitchbed-")
        self.scratch: Path = scratch or Path(self._own.name if self._own else ".")
        self._open: OrderedDict[str, Windows] = OrderedDict()
        self._users: dict[str, int] = {}
        self._opening: dict[str, threading.Lock] = {name: threading.Lock() for name in self._tiles}
        self._lock = threading.Lock()
        self._decoding = threading.Lock()  # held while a piece is decoded as a whole, which may take most of the memory
        self._memory = memory

    def window(self, tile: Tile, box: Box) -> Pixels:
        """(h, w, channels) of a box that lies in the tile; see `windows.Windows.window`."""
        with self._using(tile) as windows:
            return windows.window(box)

    def alpha(self, tile: Tile, box: Box) -> Pixels | None:
        """(h, w) straight alpha of a box, or None."""
        with self._using(tile) as windows:
            return windows.alpha(box)

    def view(self, tile: Tile, reduction: int) -> Pixels:
        """The whole tile reduced by a whole factor (read-only array); see `windows.Windows.view`."""

        def make() -> Pixels:
            with self._using(tile) as windows:
                return windows.view(reduction)

        return self._views.get((tile.name, reduction), make)

    @contextmanager
    def reduced(self, tile: Tile, reduction: int) -> Iterator[Windows]:
        """The same, to be read by windows and not held in memory."""
        with self._using(tile) as windows:
            view = windows.reduced(reduction, self.scratch)
        with view:
            yield view

    @property
    def held_bytes(self) -> int:
        """Bytes of decoded pieces and views held now."""
        return self._pieces.held_bytes + self._views.held_bytes

    @property
    def open_files(self) -> int:
        """Files open now."""
        return len(self._open)

    def close(self) -> None:
        """Close all files and remove scratch of its own."""
        with self._lock:
            for windows in self._open.values():
                windows.close()
            self._open.clear()
        self._pieces.close()
        self._views.close()
        if self._own is not None:
            self._own.cleanup()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @contextmanager
    def _using(self, tile: Tile) -> Iterator[Windows]:
        """The tile's open windows, held open while the block runs."""
        with self._opening[tile.name]:
            with self._lock:
                windows = self._open.get(tile.name)
                if windows is not None:
                    self._open.move_to_end(tile.name)
                    self._users[tile.name] = self._users.get(tile.name, 0) + 1
            if windows is None:
                with nullcontext() if tile.raster.windowed else self._decoding:
                    windows = open_windows(tile.path, scratch=self.scratch, cache=self._pieces, memory=self._memory)
                    windows = windows.flipped() if tile.name in self._flipped else windows
                with self._lock:
                    self._open[tile.name] = windows
                    self._users[tile.name] = self._users.get(tile.name, 0) + 1
        try:
            yield windows
        finally:
            with self._lock:
                self._users[tile.name] -= 1
                self._close_unused()

    def _close_unused(self) -> None:
        """Close the files used longest ago until at most MOST_OPEN are open; those in use stay."""
        for name in list(self._open):
            if len(self._open) <= MOST_OPEN:
                return
            if self._users.get(name, 0) == 0:
                self._open.pop(name).close()
