"""I gather every bad or odd input: broken files, and sound files at odd places.

In: a folder to write to. Out: `Case` values, each a path and what must come of it.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

import pytest
from bad_case import Bad
from bad_stills import bad_stills
from bad_tiffs import bad_tiffs
from picture_files import scene
from tiff_bytes import Plan, tiff

from stitchbed.core.errors import StitchbedError, UnreadableTile

ROOT = hasattr(os, "geteuid") and os.geteuid() == 0


@dataclass(frozen=True)
class Case:
    """place(folder) makes the input and returns its path; fault and words as in `Bad`."""

    name: str
    place: Callable[[Path], Path]
    fault: type[StitchbedError] | None = UnreadableTile
    words: str = ""


@cache
def cases() -> tuple[Case, ...]:
    """Every case."""
    files = [*bad_tiffs(), *bad_stills()]
    return (*(Case(bad.name, partial(written, bad), bad.fault, bad.words) for bad in files), *odd_places())


def written(bad: Bad, folder: Path) -> Path:
    """The file, written."""
    path = folder / bad.name
    path.write_bytes(bad.data)
    return path


def sound(path: Path) -> Path:
    """A sound picture at `path`."""
    path.write_bytes(tiff(scene(), Plan(compression=8)))
    return path


def odd_places() -> list[Case]:
    """Names, links and folders."""
    names = {
        "not-ascii": "scan \u00fc \u6d77 \u0440.tif", "emoji": "\U0001f6a2.tif", "line-break": "two\nlines.tif",
        "spaces": "  .tif  ", "dash": "-rf.tif", "percent": "%s %d {0}.tif", "quotes": "'\"`$(x).tif",
        "long": "n" * 250 + ".tif", "no-suffix": "scan", "hidden": ".scan.tif", "bell": "a\x07b.tif",
        "backward": "a\u202eb.tif",
    }  # fmt: skip
    fine = [Case(f"name-{word}", partial(named, name), None) for word, name in names.items()]
    return [
        *fine,
        Case("name-no-text", lambda folder: sound(folder / os.fsdecode(b"\xff\xfe.tif")), None),
        Case("name-too-long", lambda folder: folder / ("n" * 300 + ".tif"), words="could not be read"),
        Case("name-with-zero", lambda folder: folder / "a\0b.tif"),
        Case("missing", lambda folder: folder / "missing.tif", words="does not exist"),
        Case("missing-folder", lambda folder: folder / "no" / "such.tif", words="does not exist"),
        Case("below-a-file", lambda folder: sound(folder / "a.tif") / "b.tif", words="could not be read"),
        Case("folder.tif", made_folder, words="is a folder, not a picture"),
        Case("link", partial(linked, "real.tif"), None),
        Case("link-dangling", lambda folder: to(folder / "gone.tif", folder / "link.tif"), words="does not exist"),
        Case("link-in-a-circle", circle, words="could not be read"),
        Case("link-to-a-folder", lambda folder: to(made_folder(folder), folder / "link.tif"), words="is a folder"),
        Case("pipe", pipe, words="a device or a pipe"),
        Case("device", lambda folder: to(Path("/dev/zero"), folder / "zero.tif"), words="a device or a pipe"),
        Case("not-allowed", locked, words="permission denied"),
        Case("folder-not-allowed", locked_folder, words="permission denied"),
    ]


def named(name: str, folder: Path) -> Path:
    """A sound picture of that name."""
    return sound(folder / name)


def made_folder(folder: Path) -> Path:
    """A folder named like a picture."""
    path = folder / "folder.tif"
    path.mkdir()
    return path


def to(target: Path, link: Path) -> Path:
    """A symbolic link."""
    link.symlink_to(target)
    return link


def linked(name: str, folder: Path) -> Path:
    """A link to a sound picture."""
    return to(sound(folder / name), folder / "link.tif")


def circle(folder: Path) -> Path:
    """Two links to one another."""
    to(folder / "b.tif", folder / "a.tif")
    return to(folder / "a.tif", folder / "b.tif")


def pipe(folder: Path) -> Path:
    """A named pipe, which would never end."""
    if not hasattr(os, "mkfifo"):
        pytest.skip("this system has no named pipes")
    os.mkfifo(folder / "pipe.tif")
    return folder / "pipe.tif"


def locked(folder: Path) -> Path:
    """A file that may not be read."""
    if ROOT:
        pytest.skip("root may read everything")
    path = sound(folder / "locked.tif")
    path.chmod(0)
    return path


def locked_folder(folder: Path) -> Path:
    """A file in a folder that may not be entered."""
    if ROOT:
        pytest.skip("root may read everything")
    inner = folder / "inner"
    inner.mkdir()
    path = sound(inner / "a.tif")
    inner.chmod(0)
    return path
