"""I keep decoded pieces of files within a byte budget, the least recently used going first.

In: a key and a function that makes the piece. Out: the piece, made once however many threads ask.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable

from stitchbed.core.arrays import Pixels


class PieceCache:
    """A cache of arrays with a ceiling in bytes; `close` empties it."""

    def __init__(self, budget_bytes: int) -> None:
        self._budget = budget_bytes
        self._bytes = 0
        self._pieces: OrderedDict[Hashable, Pixels] = OrderedDict()
        self._making: dict[Hashable, threading.Event] = {}
        self._lock = threading.Lock()

    def get(self, key: Hashable, make: Callable[[], Pixels]) -> Pixels:
        """The piece of that key, read-only; made now when it is not held. An error of `make` goes to its caller."""
        while True:
            with self._lock:
                if key in self._pieces:
                    self._pieces.move_to_end(key)
                    return self._pieces[key]
                busy = self._making.get(key)
                if busy is None:
                    mine = self._making[key] = threading.Event()
                    break
            busy.wait()
        try:
            piece = make()
            piece.flags.writeable = False
            self._keep(key, piece)
            return piece
        finally:
            with self._lock:
                del self._making[key]
            mine.set()

    def forget(self, owner: Hashable) -> None:
        """Drop every piece whose key is a tuple beginning with `owner`."""
        with self._lock:
            gone = [key for key in self._pieces if isinstance(key, tuple) and key[0] == owner]
            for key in gone:
                self._bytes -= self._pieces.pop(key).nbytes

    @property
    def held_bytes(self) -> int:
        """Bytes held now."""
        return self._bytes

    def close(self) -> None:
        """Drop everything."""
        with self._lock:
            self._pieces.clear()
            self._bytes = 0

    def _keep(self, key: Hashable, piece: Pixels) -> None:
        if piece.nbytes > self._budget:
            return
        with self._lock:
            self._pieces[key] = piece
            self._bytes += piece.nbytes
            while self._bytes > self._budget:
                _, dropped = self._pieces.popitem(last=False)
                self._bytes -= dropped.nbytes
