"""I write files whole or not at all, and never over an original.

In: a path, what must stay untouched. Out: a file that appears when it is complete.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from stitchbed.core.errors import CannotWrite, WouldTouchOriginal
from stitchbed.core.kept import sync_folder
from stitchbed.core.record import plain


def sha256_of(path: Path) -> str:
    """Hash of a file, streamed."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def refuse_touching(path: Path, originals: Sequence[Path]) -> None:
    """Raise when writing `path` would alter an original.

    Raises
    ------
    WouldTouchOriginal : `path` is one of `originals` (same file, also through links).
    """
    for original in originals:
        same = path == original
        # a path that leads nowhere (links in a circle, a zero in its name) is no file, so it is nobody's original
        with suppress(OSError, RuntimeError, ValueError):
            same = same or path.resolve() == original.resolve()
        with suppress(OSError, ValueError):
            same = same or os.path.samefile(path, original)
        if same:
            raise WouldTouchOriginal(
                f"the output {path} is one of the input files",
                expected="an output path of its own; originals are never written to",
                attempt=f"another name, such as {path.with_stem(path.stem + '_joined').name}",
            )


@contextmanager
def claimed(path: Path, *, originals: Sequence[Path] = (), overwrite: bool = True) -> Iterator[Path]:
    """A path beside `path` to write to; renamed to `path` (after fsync) when the block ends well, removed when not.

    Raises
    ------
    WouldTouchOriginal : see `refuse_touching`; also when `overwrite` is False and the file exists.
    CannotWrite : the folder is missing or not writable, the disk is full.
    """
    refuse_touching(path, originals)
    if path.exists() and not overwrite:
        raise WouldTouchOriginal(
            f"{path} exists already",
            expected="a name that is free",
            attempt="another name, or --replace to write over it",
        )
    partial = path.with_name(f".{path.name}.{os.getpid()}.partial")
    try:
        partial.touch()
        yield partial
        with partial.open("rb+") as file:
            os.fsync(file.fileno())
        os.replace(partial, path)
        sync_folder(path.parent)
    except OSError as error:
        raise cannot_write(path, error) from error
    finally:
        with suppress(OSError):
            partial.unlink(missing_ok=True)


def write_json(path: Path, content: object, *, originals: Sequence[Path] = ()) -> None:
    """Write `content` as JSON, whole or not at all."""
    with claimed(path, originals=originals) as partial:
        partial.write_text(json.dumps(plain(content), indent=1, allow_nan=False) + "\n", encoding="utf-8")


def cannot_write(path: Path, error: OSError) -> CannotWrite:
    """The error of a failed write in words."""
    reason = error.strerror or str(error)
    return CannotWrite(
        f"writing {path} failed ({reason.lower()}); no file was left under that name by this job",
        expected="an existing folder that can be written to, with room for the result",
        attempt="another folder or disk with -o, or make room, then run the same command again",
    )
