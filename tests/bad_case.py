"""I am one bad or odd file and what must come of it.

In: bytes and an expectation. Out: a frozen value.
"""

from __future__ import annotations

from dataclasses import dataclass

from stitchbed.core.errors import StitchbedError, UnreadableTile


@dataclass(frozen=True)
class Bad:
    """data : the file. fault : the error it must raise, or None. words : in that error's `found`, or in a note."""

    name: str
    data: bytes
    fault: type[StitchbedError] | None = UnreadableTile
    words: str = ""
