"""I know the pieces of a job by ids that stand for their paths, and take in new ones byte for byte.

In: a job file's text and folder; the bytes of a dropped file. Out: pieces with the facts of their files.

A page never names a path: it names an id, and only what was listed has one. Dropped files go into `pieces/` beside the
job file, under their own names without folders; a name that is taken gets a number.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import AsyncIterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from stitchbed.core.errors import CannotWrite, StitchbedError, UnreadableTile
from stitchbed.core.files import cannot_write, sha256_of
from stitchbed.core.kept import sync_folder
from stitchbed.desk.job.text import sources_key, value_at
from stitchbed.reading.base.folder import may_be_piece

DROPPED = "pieces"  # folder beside the job file
LEFT_FREE = 256 * 2**20  # bytes of the disk that dropped files leave, for the system and the results to begin with
CHUNK = 2**20


@dataclass(frozen=True)
class Piece:
    """id : stands for the path. turn : quarters clockwise, for looking. stamp : changes with the file."""

    id: str
    name: str
    path: Path
    left_out: bool
    turn: int
    stamp: str


@dataclass(frozen=True)
class Facts:
    """What the header says; error : why it cannot be read, "" when it can."""

    width: int = 0
    height: int = 0
    dpi: float | None = None
    bits: int = 0
    channels: int = 0
    halvings: int = 0
    megabytes: float = 0.0
    profile: bool = False
    error: str = ""


def id_of(path: Path) -> str:
    """What stands for a path in a page."""
    return hashlib.sha256(os.fsencode(path.absolute())).hexdigest()[:16]


def stamp_of(path: Path) -> str:
    """What changes when the file does; "" when there is none."""
    with suppress(OSError):
        seen = path.stat()
        return f"{seen.st_mtime_ns:x}-{seen.st_size:x}-{seen.st_ino:x}"
    return ""


def endings() -> tuple[str, ...]:
    """Endings of the names of pictures that are read; the readers are loaded now."""
    from stitchbed.reading.formats import FORMATS

    return tuple(one for known in FORMATS.values() for one in known.suffixes)


def is_picture(path: Path) -> bool:
    """Whether a file is called as pictures are."""
    return path.suffix.lower() in endings()


def name_in(path: Path, folder: Path) -> str:
    """A path as the job file names it: from its folder on where it lies below, else whole."""
    path, folder = path.absolute(), folder.absolute()
    return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else str(path)


def pieces_of(text: str, folder: Path) -> list[Piece]:
    """All files the job names, those left out too, by name."""
    sources = value_at(text, (sources_key(text),), ["."])
    gone = value_at(text, ("leave_out",), [])
    turns = value_at(text, ("desk", "turned"), {})
    found: dict[Path, Piece] = {}
    for source in sources if isinstance(sources, list) else []:
        path = folder / str(source)
        with suppress(OSError):
            inside = sorted(one for one in path.iterdir() if _shown(one)) if path.is_dir() else [path] * path.is_file()
            for one in inside:
                name = name_in(one, folder)
                turn = int(turns.get(name, 0)) % 4 if isinstance(turns, dict) else 0
                found[one.absolute()] = Piece(id_of(one), one.name, one, name in gone, turn, stamp_of(one))
    return list(found.values())


def facts_of(path: Path) -> Facts:
    """What the file's header says; the readers are loaded now."""
    from stitchbed.reading.formats import read_header
    from stitchbed.report.tiles import halvings_of

    try:
        raster = read_header(path).raster
    except StitchbedError as error:
        return Facts(error=error.found)
    height, width, channels = raster.shape
    dpi = None if raster.dpi is None else sum(raster.dpi) / 2
    size = path.stat().st_size / 1e6
    bits = 16 if raster.dtype == "uint16" else 8
    return Facts(width, height, dpi, bits, channels, halvings_of(width, height), size, raster.icc is not None)


async def take_in(folder: Path, name: str, size: int, sha256: str, body: AsyncIterator[bytes]) -> Path:
    """A dropped file into the job's folder; returns where it lies.

    size : bytes announced. sha256 : of the file as the page read it, "" where it could not.

    Raises
    ------
    CannotWrite : no room, no folder. UnreadableTile : no picture, or other bytes than were sent.
    """
    into = folder / DROPPED
    target = into / _clean(name)
    _demand_room(folder, size)
    partial = into / f".{target.name}.{os.getpid()}.partial"
    try:
        into.mkdir(exist_ok=True)
        digest = await _written(partial, size, body)
        if (sha256 and sha256 != digest) or sha256_of(partial) != digest:
            raise UnreadableTile(
                f"{target.name} did not come as it was sent", expected="the same bytes", attempt="dropping it again"
            )
        _demand_picture(partial, target.name)
        target = _free(target, digest)
        partial.replace(target)
        sync_folder(into)
    except OSError as error:
        raise cannot_write(target, error) from error
    finally:
        with suppress(OSError):
            partial.unlink(missing_ok=True)
    return target


async def _written(partial: Path, size: int, body: AsyncIterator[bytes]) -> str:
    """sha256 of what was written.

    Raises
    ------
    OSError. UnreadableTile : more or less than was announced.
    """
    digest, got = hashlib.sha256(), 0
    with partial.open("wb") as file:
        async for part in body:
            got += len(part)
            if got > size:
                break
            digest.update(part)
            file.write(part)
        file.flush()
        os.fsync(file.fileno())
    if got != size:
        raise UnreadableTile(
            f"{min(got, size):,} of {size:,} bytes came" if got < size else "more bytes came than were announced",
            expected="the whole file",
            attempt="dropping it again",
        )
    return digest.hexdigest()


def _shown(path: Path) -> bool:
    return may_be_piece(path) and is_picture(path)


def _clean(name: str) -> str:
    """The file's own name.

    Raises
    ------
    UnreadableTile : it leads somewhere else, is hidden, or has an ending of no picture.
    """
    plain = name == Path(name).name and "\\" not in name and not name.startswith(".") and name.isprintable()
    if not plain or "\0" in name or len(os.fsencode(name)) > 200:
        raise UnreadableTile(
            f"a file called {name[:80]!r}", expected="a plain name without folders", attempt="another name for it"
        )
    if not is_picture(Path(name)):
        raise UnreadableTile(
            f"{name} has an ending of no picture that is read here",
            expected="one of " + ", ".join(endings()),
            attempt="scanning to TIFF",
        )
    return name


def _demand_room(folder: Path, size: int) -> None:
    """Raise where the file would fill the disk.

    Raises
    ------
    CannotWrite
    """
    try:
        free = shutil.disk_usage(folder).free
    except OSError as error:
        raise cannot_write(folder, error) from error
    if size > free - LEFT_FREE:
        raise CannotWrite(
            f"the file has {size / 1e6:,.0f} MB, and the disk of the job's folder {free / 1e6:,.0f} MB free",
            expected=f"room for it and {LEFT_FREE / 1e6:.0f} MB besides",
            attempt="making room, or choosing the folder the files lie in: nothing is copied then",
        )


def _demand_picture(path: Path, name: str) -> None:
    """Raise where the bytes are no picture.

    Raises
    ------
    UnreadableTile : it then says what they are.
    """
    from stitchbed.reading.formats import format_of

    try:
        format_of(path)
    except UnreadableTile as error:
        found = error.found.replace(str(path), name).replace(path.name, name)
        raise UnreadableTile(found, expected=error.expected, attempt=error.attempt) from error


def _free(target: Path, digest: str) -> Path:
    """The name, or the first with a number that is free; one that holds the same bytes counts as free."""
    number, path = 1, target
    while os.path.lexists(path) and not (path.is_file() and not path.is_symlink() and sha256_of(path) == digest):
        number, path = number + 1, target.with_stem(f"{target.stem}-{number + 1}")
    return path
