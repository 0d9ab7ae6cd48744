"""I make the job file of a folder of pictures, for pieces of one sheet or for single pages, as I find them.

In: a folder without a job file, or one picture. Out: `job.toml` with every choice in it, and words on what it is for.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from stitchbed.core.errors import BadSettings, UnreadableTile
from stitchbed.core.files import claim, claimed, refuse_touching
from stitchbed.jobs.job_file import JOB, OUT

if TYPE_CHECKING:
    from stitchbed.core.progress import Progress
    from stitchbed.jobs.belonging import Belonging
    from stitchbed.reading.base.tile import Tile

KINDS = ("pieces", "pages")
SHOWN = 6  # names told of one kind


@dataclass(frozen=True)
class NewJob:
    """path : of the job file. words : what the folder was taken for, and why; "" when the file was there already."""

    path: Path
    words: str = ""


def job_path(folder: Path, out: Path | None = None) -> Path:
    """Where a folder's job file is: in it, or among the results where those are to go elsewhere."""
    inside = folder / JOB
    return inside if out is None or inside.is_file() else out / JOB


def prepared(
    path: Path, *, out: Path | None, kind: str | None, workers: int, progress: Progress, anew: bool = False
) -> NewJob:
    """The job file of a path; for a folder without one it is written now.

    out : the folder of results, None: `out` in the folder; originals then lie where nothing is written.
    kind : of KINDS, or None to look. anew : refuse what is there already.

    Raises
    ------
    BadSettings : the folder is both or neither. UnreadableTile : no picture in it. CannotWrite : it cannot be written.
    WouldTouchOriginal : a picture lies where the job file would.
    """
    if not path.is_dir() and not anew:
        return NewJob(path)
    if not path.is_dir():
        raise BadSettings(f"{path}, which is no folder", expected="a folder of pictures", attempt="the one it lies in")
    target = job_path(path, out)
    if target.parent != path:
        refuse_touching(target, list(path.iterdir()))
    if target.is_file():
        if anew:
            raise BadSettings(
                f"{target}, which is there already", expected="a folder without a job file",
                attempt="stitchbed run with it as it is, or another name for the old one",
            )  # fmt: skip
        return NewJob(target)
    kind, words = _told(path, kind, workers, progress)
    if out is not None:
        out.mkdir(parents=True, exist_ok=True)
    claim([target], [])
    with claimed(target) as partial:
        partial.write_text(text_of(kind, path, target.parent), encoding="utf-8")
    return NewJob(target, f"{words} The job: {target}")


def text_of(kind: str, folder: Path, home: Path) -> str:
    """The text of a new job file that lies in `home`."""
    whole = folder.resolve()
    here = whole == home.resolve()
    words = {
        "name": whole.name or "sheet",
        "folder": "." if here else os.path.relpath(whole, home.resolve()),
        "out": OUT if here else ".",
    }
    head = template(kind)
    for key, word in words.items():
        head = head.replace(f"{{{key}}}", json.dumps(word, ensure_ascii=False))  # a text in JSON is one in TOML
    return head + template("steps")


def template(name: str) -> str:
    """One of the texts that ship with the package."""
    return (files("stitchbed.jobs") / "templates" / f"{name}.toml").read_text(encoding="utf-8")


def _told(folder: Path, kind: str | None, workers: int, progress: Progress) -> tuple[str, str]:
    """What the folder holds, and the sentence on it.

    Raises
    ------
    BadSettings : some of its pictures belong together, and too many do not.
    """
    if kind is not None:
        return kind, f"{folder}: taken for {_name_of(kind)}, as told."
    from stitchbed.jobs.belonging import PAGES, UNCLEAR, belonging

    tiles, faults = _pictures(folder)
    found = belonging(tiles, workers=workers, progress=progress)
    reasons = [_reason(found, len(tiles)), *faults]
    if found.kind == UNCLEAR:
        raise BadSettings(
            f"{folder}: {'; '.join(reasons)}",
            expected="pieces of one sheet, most of which share places with others, or single pages, which do not",
            attempt="--as pieces or --as pages to say which, or a folder for each sheet",
        )
    other = "pieces" if found.kind == PAGES else "pages"
    again = f" (--as {other} where that is wrong)" if len(tiles) > 1 else ""
    return found.kind, f"{folder}: {'; '.join(reasons)}: taken for {_name_of(found.kind)}{again}."


def _pictures(folder: Path) -> tuple[list[Tile], list[str]]:
    """What can be read, and words on what cannot.

    Raises
    ------
    UnreadableTile : nothing can; it says what is wrong with the first file.
    """
    from stitchbed.reading.intake import take_in

    with suppress(UnreadableTile):
        return take_in([folder], allow_unreadable=True)
    return take_in([folder])


def _name_of(kind: str) -> str:
    return "pieces of one sheet" if kind == "pieces" else "single pages"


def _reason(found: Belonging, count: int) -> str:
    """What was seen, in words."""
    if count == 1:
        return "one picture"
    twice = f"; {_listed([f'{a} and {b}' for a, b in found.same])} show one page twice" if found.same else ""
    if not found.groups:
        return f"{count} pictures, none of which shows a place of another{twice}"
    sharing = sum(map(len, found.groups))
    groups = "" if len(found.groups) == 1 else f" in {len(found.groups)} groups"
    alone = f", {_listed(found.alone)} with none" if found.alone else ""
    return f"{sharing} of {count} pictures share places with another{groups}{alone}{twice}"


def _listed(names: Sequence[str]) -> str:
    more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
    return ", ".join(names[:SHOWN]) + more
