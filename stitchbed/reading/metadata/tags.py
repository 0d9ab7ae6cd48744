"""I read the directories of a TIFF file, and the small one inside EXIF.

In: a source of bytes whose size is known. Out: directories of tags; every pointer is checked against the file's size.

Reference: TIFF 6.0 (1992), section 2; BigTIFF design (magic 43, 8-byte offsets).
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from stitchbed.reading.base.faults import unreadable

# field type -> (numpy kind, bytes); 5 and 10 are pairs and read on their own
FIELD_TYPES = {
    1: ("u1", 1), 2: ("u1", 1), 3: ("u2", 2), 4: ("u4", 4), 5: ("u4", 8), 6: ("i1", 1), 7: ("u1", 1), 8: ("i2", 2),
    9: ("i4", 4), 10: ("i4", 8), 11: ("f4", 4), 12: ("f8", 8), 13: ("u4", 4), 16: ("u8", 8),
    17: ("i8", 8), 18: ("u8", 8),
}  # fmt: skip
INTEGERS = (1, 3, 4, 6, 8, 9, 13, 16, 17, 18)
MOST_TAGS = 4096  # files hold a few dozen; more is damage
MOST_PAGES = 4096


@dataclass(frozen=True)
class Source:
    """Bytes of a file: read(offset, size) gives exactly `size` bytes or raises `UnreadableTile`."""

    path: Path
    size: int
    read: Callable[[int, int], bytes]


@dataclass(frozen=True)
class Entry:
    """One tag: its field type, count, and where its bytes lie (or the bytes themselves when they fit in)."""

    kind: int
    count: int
    offset: int
    inline: bytes


@dataclass(frozen=True)
class Directory:
    """One image file directory. order : "<" or ">"."""

    source: Source
    order: str
    big: bool
    entries: dict[int, Entry]


def source_of(path: Path, size: int, read: Callable[[int, int], bytes]) -> Source:
    """A source over `read`, which may return fewer bytes than asked for at the end."""

    def exactly(offset: int, count: int) -> bytes:
        if offset < 0 or count < 0 or offset + count > size:
            raise unreadable(
                path, f"is cut off or damaged: it points to byte {offset + count:,}, but has {size:,} bytes"
            )
        data = read(offset, count)
        if len(data) != count:
            raise unreadable(path, f"is cut off: bytes {offset:,} to {offset + count:,} could not be read")
        return data

    return Source(path, size, exactly)


def source_in(path: Path, file: IO[bytes]) -> Source:
    """The bytes of an open file."""
    size = file.seek(0, 2)

    def read(offset: int, count: int) -> bytes:
        file.seek(offset)
        return file.read(count)

    return source_of(path, size, read)


def directories(source: Source) -> Iterator[Directory]:
    """Directories in the file's order.

    Raises
    ------
    UnreadableTile : no TIFF, a pointer outside the file, a circle of directories.
    """
    order, big = _preamble(source)
    place = struct.unpack(order + ("Q" if big else "I"), source.read(8, 8) if big else source.read(4, 4))[0]
    seen: set[int] = set()
    while place:
        if place in seen or len(seen) > MOST_PAGES:
            raise unreadable(source.path, "is damaged: its directories point in a circle")
        seen.add(place)
        directory, place = _directory(source, order, big, place)
        yield directory


def directory_at(beside: Directory, place: int) -> Directory:
    """The directory at byte `place` of the same file."""
    return _directory(beside.source, beside.order, beside.big, place)[0]


def numbers(directory: Directory, tag: int) -> NDArray[np.int64] | None:
    """All whole numbers of a tag, (N,) int64; None when the tag is absent or holds something else."""
    entry = directory.entries.get(tag)
    if entry is None or entry.kind not in INTEGERS:
        return None
    values = np.frombuffer(_bytes_of(directory, entry), directory.order + FIELD_TYPES[entry.kind][0])
    return values.astype(np.int64)


def number(directory: Directory, tag: int, default: int) -> int:
    """First whole number of a tag, or `default`."""
    found = numbers(directory, tag)
    return default if found is None or found.size == 0 else int(found[0])


def fraction(directory: Directory, tag: int) -> tuple[int, int]:
    """First fraction of a tag as (numerator, denominator); (0, 0) when absent. Whole numbers are accepted."""
    entry = directory.entries.get(tag)
    if entry is None or entry.count < 1:
        return 0, 0
    if entry.kind in (5, 10):
        pair = np.frombuffer(_bytes_of(directory, entry), directory.order + FIELD_TYPES[entry.kind][0])
        return int(pair[0]), int(pair[1])
    return number(directory, tag, 0), 1


def blob(directory: Directory, tag: int) -> bytes | None:
    """A tag's bytes as they are, or None."""
    entry = directory.entries.get(tag)
    return None if entry is None else _bytes_of(directory, entry)


def _preamble(source: Source) -> tuple[str, bool]:
    head = source.read(0, min(16, source.size))
    order = {b"II": "<", b"MM": ">"}.get(head[:2])
    if order is None or len(head) < 8:
        raise unreadable(source.path, "is cut off: the TIFF header is not whole")
    magic = struct.unpack(order + "H", head[2:4])[0]
    if magic == 42:
        return order, False
    if magic == 43 and len(head) == 16 and struct.unpack(order + "HH", head[4:8]) == (8, 0):
        return order, True
    raise unreadable(source.path, f"begins like a TIFF but with the number {magic} instead of 42 or 43")


def _directory(source: Source, order: str, big: bool, place: int) -> tuple[Directory, int]:
    head, width = (8, 20) if big else (2, 12)
    count = struct.unpack(order + ("Q" if big else "H"), source.read(place, head))[0]
    if not 0 < count <= MOST_TAGS:
        raise unreadable(source.path, f"is damaged: a directory claims {count:,} tags")
    table = source.read(place + head, count * width)
    entries: dict[int, Entry] = {}
    for index in range(count):
        tag, entry = _entry(table[index * width : (index + 1) * width], order, big)
        if tag not in entries and entry is not None:
            entries[tag] = entry
    end = place + head + count * width
    link = 8 if big else 4
    # the link to the next page is read leniently: a file cut right behind its only directory is still whole
    following = source.read(end, link) if end + link <= source.size else bytes(link)
    return Directory(source, order, big, entries), struct.unpack(order + ("Q" if big else "I"), following)[0]


def _entry(row: bytes, order: str, big: bool) -> tuple[int, Entry | None]:
    tag, kind = struct.unpack(order + "HH", row[:4])
    count = struct.unpack(order + ("Q" if big else "I"), row[4 : 12 if big else 8])[0]
    value = row[12:] if big else row[8:]
    if kind not in FIELD_TYPES:
        return tag, None
    size = FIELD_TYPES[kind][1] * count
    if size <= len(value):
        return tag, Entry(kind, count, -1, value[:size])
    return tag, Entry(kind, count, struct.unpack(order + ("Q" if big else "I"), value)[0], b"")


def _bytes_of(directory: Directory, entry: Entry) -> bytes:
    if entry.offset < 0:
        return entry.inline
    return directory.source.read(entry.offset, FIELD_TYPES[entry.kind][1] * entry.count)
