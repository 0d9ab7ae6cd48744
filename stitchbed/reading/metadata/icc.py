"""I check that an embedded profile is one, and fits the picture it came with.

In: bytes of a file's profile field. Out: the same bytes, or None and a note why they are ignored.

Reference: ICC.1:2022, 7.2 (profile header): size at byte 0, color space at 16, signature "acsp" at 36.
"""

from __future__ import annotations

import struct

SPACES = {1: (b"GRAY",), 3: (b"RGB ",)}
LEAST_BYTES = 132  # the header and the number of its tags
MOST_BYTES = 64 * 2**20  # profiles with large tables stay below 10 MiB; common practice, no source


def checked_profile(icc: bytes | None, channels: int) -> tuple[bytes | None, tuple[str, ...]]:
    """The profile when it is whole and made for `channels`; else None and one note. Trailing bytes are cut off."""
    if not icc:
        return None, ()
    fault = profile_fault(icc, channels)
    return (None, (f"its color profile is ignored: {fault}",)) if fault else (icc[: _size(icc)], ())


def profile_fault(icc: bytes, channels: int) -> str | None:
    """What is wrong with a profile, or None."""
    if len(icc) < LEAST_BYTES or icc[36:40] != b"acsp" or _size(icc) < LEAST_BYTES:
        return "it is no ICC profile"
    size = _size(icc)
    if size > len(icc):
        return f"it is cut off ({len(icc):,} of {size:,} bytes)"
    if icc[16:20] not in SPACES[channels]:
        space = icc[16:20].decode("latin-1").strip()
        return f"it is made for {space or 'another color space'}, the picture has {channels} channel(s)"
    return None


def _size(icc: bytes) -> int:
    """Bytes a profile says it has."""
    return struct.unpack(">I", icc[:4])[0]
