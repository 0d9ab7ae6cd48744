"""I write the chunks a PNG is made of.

In: a chunk's name and content. Out: its bytes, checksum included.
"""

from __future__ import annotations

import struct
import zlib


def chunk(name: bytes, content: bytes) -> bytes:
    """One chunk: length, name, content, CRC-32 of both. Reference: ISO/IEC 15948:2004, 5.3."""
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(content, zlib.crc32(name)))
