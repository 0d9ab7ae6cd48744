"""I write files whole or not at all, never over an original, and over a file only where this program made it.

In: a path, what must stay untouched. Out: a file that appears when it is complete.

What was made is known by its bytes: each folder that receives files has a list of their hashes, `.stitchbed.sha256`, in
the common format of checksum lists (`sha256sum -c` reads it). A line is added before a file appears under its name, so
the list knows it whenever the power goes. A retouched page is no longer what the list says, and is nobody's to replace.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import stat
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from itertools import count
from pathlib import Path

from stitchbed.core.addresses import address_of, file_of
from stitchbed.core.errors import CannotWrite, WouldTouchOriginal
from stitchbed.core.kept import sync_folder
from stitchbed.core.record import plain

MADE = ".stitchbed.sha256"  # the list in each folder: what was made there
MOST_READ = 64 * 2**20  # bytes of what is read whole
LEFT_BY_LOOKING = (".DS_Store", "Thumbs.db", "desktop.ini")  # by windows that show a folder: nobody's work


def sha256_of(path: Path) -> str:
    """Hash of a file, streamed; of a folder, of the list of all files in it; of a picture, see `sha256_of_each`."""
    if not path.is_dir():
        return sha256_of_each([path])[0]
    inside = sorted(one for one in path.rglob("*") if one.is_file() and one.name not in LEFT_BY_LOOKING)
    return hashlib.sha256(b"".join(_line(str(one.relative_to(path)), sha256_of(one)) for one in inside)).hexdigest()


def sha256_of_each(paths: Sequence[Path]) -> list[str]:
    """Hashes of files, and of pictures in files: of the file's bytes with ":3" behind them for the third picture.

    paths : all of one file, which is read once.

    Raises
    ------
    OSError
    """
    addresses = [address_of(path) for path in paths]
    with addresses[0].file.open("rb") as file:
        whole = hashlib.file_digest(file, "sha256")
    return [_with_suffix(whole, address.suffix) for address in addresses]


def read_file(path: Path, most: int = MOST_READ) -> bytes:
    """All bytes of a file that is read whole: a table, a list, a record.

    Raises
    ------
    OSError : it cannot be read, is a device or a pipe (which would be waited for), or is longer than `most`.
    """
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    with os.fdopen(handle, "rb") as file:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError(errno.EINVAL, "it is a folder, a device or a pipe", str(path))
        content = file.read(most + 1)
    if len(content) > most:
        raise OSError(errno.EFBIG, f"it is longer than {most / 2**20:.0f} MiB", str(path))
    return content


def is_ours(path: Path) -> bool:
    """Whether `path` is, byte for byte, something this program made under that name in that folder."""
    with suppress(OSError, ValueError):
        lines = set(read_file(path.with_name(MADE)).splitlines(keepends=True))
        listed = any(line.endswith(_line(path.name, "")) for line in lines)
        plain_one = not path.is_symlink() and (path.is_file() or path.is_dir())  # nothing that is waited for
        return listed and plain_one and _line(path.name, sha256_of(path)) in lines
    return False


def claim(
    writes: Sequence[Path], reads: Sequence[Path], *, replace: bool = False, scratch: Sequence[Path] = ()
) -> list[str]:
    """Look at all that a job will write and all that it reads, before it begins; returns words on what will be kept.

    writes : files, and folders that are replaced whole. replace : what lies there and was not made here is kept under
    a name with a number (see `claimed`) instead of being refused. scratch : folders that are taken away in the end.

    Raises
    ------
    WouldTouchOriginal : a path is read and written, or written twice; something lies there that was not made here.
    """
    for place, path in enumerate(writes):
        refuse_touching(path, reads)
        if any(_same(path, other) for other in writes[:place]):
            raise WouldTouchOriginal(
                f"{path} named for two results", expected="a name of its own for each", attempt="another name for one"
            )
    for folder in (*scratch, *writes):
        for original in reads:
            if _lies_in(original, folder):
                raise WouldTouchOriginal(
                    f"the input file {original} lies in {folder}, which is written anew",
                    expected="originals in a folder of their own",
                    attempt="moving it, or another name for the result",
                )
    foreign = [path for path in writes if os.path.lexists(path) and not is_ours(path)]
    if foreign and not replace:
        raise WouldTouchOriginal(
            f"{foreign[0]} exists and is not, or no longer, what this program wrote there",
            expected="a free name, or an earlier result as it was written",
            attempt="another name, moving it away, or --replace to keep it under a name with a number",
        )
    return [
        f"{path} was not written by this program as it is; it is kept as {_numbered(path).name}" for path in foreign
    ]


def refuse_touching(path: Path, originals: Sequence[Path]) -> None:
    """Raise when writing `path` would alter an original.

    Raises
    ------
    WouldTouchOriginal : `path` is one of `originals` (same file, also through links).
    """
    if any(_same(path, original) for original in originals):
        raise WouldTouchOriginal(
            f"the output {path} is one of the input files",
            expected="an output path of its own; originals are never written to",
            attempt=f"another name, such as {path.with_stem(path.stem + '_joined').name}",
        )


@contextmanager
def claimed(path: Path, *, originals: Sequence[Path] = ()) -> Iterator[Path]:
    """A path beside `path` to write to; renamed to `path` (after fsync) when the block ends well, removed when not.

    A file that lies there and was not made by this program is kept under a name with a number; `claim` asks first.

    Raises
    ------
    WouldTouchOriginal : see `refuse_touching`.
    CannotWrite : the folder is missing or not writable, the disk is full.
    """
    refuse_touching(path, originals)
    partial = path.with_name(f".{path.name}.{os.getpid()}.partial")
    try:
        partial.touch()
        yield partial
        _sync(partial)
        _appear(partial, path)
    except OSError as error:
        raise cannot_write(path, error) from error
    finally:
        with suppress(OSError):
            partial.unlink(missing_ok=True)


@contextmanager
def claimed_folder(path: Path) -> Iterator[Path]:
    """A folder beside `path` to fill; takes the place of `path` whole when the block ends well, removed when not.

    What lies there is treated as in `claimed`.

    Raises
    ------
    CannotWrite : the folder it lies in is missing or not writable, the disk is full.
    """
    partial = path.with_name(f".{path.name}.{os.getpid()}.partial")
    try:
        partial.mkdir()
        yield partial
        for file in partial.rglob("*"):
            if file.is_dir():
                sync_folder(file)
            else:
                _sync(file)
        _appear(partial, path)
    except OSError as error:
        raise cannot_write(path, error) from error
    finally:
        shutil.rmtree(partial, ignore_errors=True)


def write_json(path: Path, content: object, *, originals: Sequence[Path] = ()) -> None:
    """Write `content` as JSON, whole or not at all."""
    with claimed(path, originals=originals) as partial:
        partial.write_text(json.dumps(plain(content), indent=1, allow_nan=False) + "\n", encoding="utf-8")


def cannot_write(path: Path, error: OSError) -> CannotWrite:
    """The error of a failed write in words."""
    if isinstance(error, FileNotFoundError) and not path.parent.exists():
        return CannotWrite(
            f"there is no folder {path.parent} to write {path.name} into",
            expected="an existing folder that can be written to",
            attempt="making that folder, or another one with -o, then the same command again",
        )
    reason = error.strerror or str(error)
    return CannotWrite(
        f"writing {path} failed ({reason.lower()}); no file was left under that name by this job",
        expected="an existing folder that can be written to, with room for the result",
        attempt="another folder or disk with -o, or make room, then run the same command again",
    )


def _appear(partial: Path, path: Path) -> None:
    """List what was made, put it in its place and let that last; what must not be lost makes room first.

    Raises
    ------
    OSError
    """
    if path.is_dir() and not partial.is_dir():
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
    _list(path, sha256_of(partial))
    if os.path.lexists(path) and not is_ours(path):
        path.rename(_numbered(path))
    if path.is_dir():
        old = partial.with_suffix(".old.partial")
        path.rename(old)
        partial.rename(path)
        shutil.rmtree(old, ignore_errors=True)
    else:
        partial.replace(path)
    sync_folder(path.parent)


def _list(path: Path, digest: str) -> None:
    """Add a line to the list of the folder: one write at its end, so that jobs side by side do not mix theirs."""
    if path.parent.suffix == ".partial":
        return  # it is listed as a whole when it appears
    made = path.with_name(MADE)
    new = not made.exists()
    if not new and not made.is_file():
        raise OSError(errno.EINVAL, "the list of what was made there is a folder, a device or a pipe", str(made))
    try:
        with made.open("ab+") as file:
            file.seek(max(0, file.tell() - 1))
            torn = file.read() not in (b"", b"\n")  # by a power cut
            file.write(b"\n" * torn + _line(path.name, digest))
            file.flush()
            os.fsync(file.fileno())
    except OSError:
        if new:
            made.unlink(missing_ok=True)
        raise  # the folder itself is synced once the result has its name


def _sync(file: Path) -> None:
    with file.open("rb+") as written:
        os.fsync(written.fileno())


def _line(name: str, digest: str) -> bytes:
    """A line of a checksum list, as GNU coreutils writes it: odd names are escaped and the line says so."""
    raw = os.fsencode(name)
    safe = raw.replace(b"\\", b"\\\\").replace(b"\n", b"\\n").replace(b"\r", b"\\r")
    mark = b"\\" if safe != raw and digest else b""
    return mark + digest.encode() + b"  " + safe + b"\n"


def _numbered(path: Path) -> Path:
    """The first free name of that kind with a number."""
    names = (path.with_name(f"{path.stem}-{number}{path.suffix}") for number in count(1))
    return next(name for name in names if not os.path.lexists(name))


def _with_suffix(whole: hashlib._Hash, suffix: str) -> str:
    digest = whole.copy()
    digest.update(suffix.encode())
    return digest.hexdigest()


def _same(path: Path, other: Path) -> bool:
    """Whether both are one file: by spelling, through links, by any name, by the name of a picture in it."""
    other = file_of(other)
    if path == other:
        return True
    # a path that leads nowhere (links in a circle, a zero in its name) is no file, so it is nobody's original
    with suppress(OSError, RuntimeError, ValueError):
        if path.resolve() == other.resolve():
            return True
    with suppress(OSError, ValueError):
        return os.path.samefile(path, other)
    return False


def _lies_in(path: Path, folder: Path) -> bool:
    with suppress(OSError, RuntimeError, ValueError):
        return folder.is_dir() and path.resolve().is_relative_to(folder.resolve())
    return False
