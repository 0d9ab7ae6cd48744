"""I tell pages what changed, one stream for each page, numbered so that a page that slept catches up.

In: names and data of what happened. Out: server-sent events (WHATWG HTML, section 9.2).
"""

from __future__ import annotations

import asyncio
import json
from collections import deque
from collections.abc import AsyncIterator
from typing import Any

REMEMBERED = 200  # events; a page that slept longer draws itself anew anyway
BREATH = 10.0  # seconds between signs of life, by which both ends notice that the other has gone


class Hub:
    """Who listens, and what was said last; close it, and every stream ends."""

    def __init__(self) -> None:
        self.number = 0
        self._said: deque[tuple[int, str]] = deque(maxlen=REMEMBERED)
        self._waiting: set[asyncio.Event] = set()
        self._open = True

    def tell(self, name: str, data: Any) -> None:
        """Say it to all streams; from the thread of the loop only."""
        self.number += 1
        text = json.dumps(data, separators=(",", ":"), allow_nan=False)
        self._said.append((self.number, f"id: {self.number}\nevent: {name}\ndata: {text}\n\n"))
        self._wake()

    async def stream(self, after: int) -> AsyncIterator[str]:
        """Events after the one of that number, for as long as somebody listens."""
        waiting = asyncio.Event()
        self._waiting.add(waiting)
        if after > self.number:  # of a desk that was ended since: everything may have changed
            after = self.number
            yield f'id: {after}\nevent: changed\ndata: "anew"\n\n'
        try:
            yield ": here\n\n"
            while self._open:
                waiting.clear()
                for number, text in [one for one in self._said if one[0] > after]:
                    after = number
                    yield text
                try:
                    await asyncio.wait_for(waiting.wait(), BREATH)
                except TimeoutError:
                    yield ": still here\n\n"
        finally:
            self._waiting.discard(waiting)

    def close(self) -> None:
        """End all streams."""
        self._open = False
        self._wake()

    def _wake(self) -> None:
        for one in self._waiting:
            one.set()
