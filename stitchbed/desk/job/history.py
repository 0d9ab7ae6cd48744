"""I keep every version of the job file with a sentence of what changed, and go back and forth among them.

In: a job file, new text for it, a sentence. Out: the file, and beside it a folder with all its versions.

The folder `.desk/history` of a job holds `0000.toml`, `0001.toml` ... and one list, `list.json`, that names their
sentences and says which one stands. A file that somebody changed by hand meanwhile becomes a version of its own first.
"""

from __future__ import annotations

import json
import os
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path

from stitchbed.core.files import cannot_write
from stitchbed.core.kept import sync_folder

FOLDER = ".desk"
LIST = "list.json"
BY_HAND = "changed by hand"


@dataclass(frozen=True)
class Version:
    """number : of its file. sentence : what changed. at : local time, ISO 8601."""

    number: int
    sentence: str
    at: str


@dataclass(frozen=True)
class History:
    """versions : oldest first. place : which of them stands; those after it can be gone forth to."""

    versions: tuple[Version, ...] = ()
    place: int = -1

    @property
    def undoes(self) -> str | None:
        """The sentence that going back takes back; None at the beginning."""
        return self.versions[self.place].sentence if self.place > 0 else None

    @property
    def redoes(self) -> str | None:
        """The sentence that going forth does again; None at the end."""
        return self.versions[self.place + 1].sentence if self.place + 1 < len(self.versions) else None


def opened(job: Path) -> History:
    """The history of a job file; what was changed by hand since is taken in as a version.

    Raises
    ------
    CannotWrite : the folder cannot be written.
    """
    history = _listed(job)
    if not job.is_file():
        return history
    text = job.read_bytes().decode("utf-8")  # line ends as they are
    if not history.versions:
        return _added(job, History(), text, "as it was found")
    return history if _text(job, history) == text else _added(job, history, text, BY_HAND)


def changed(job: Path, text: str, sentence: str) -> History:
    """The job file with a new text, as a version after the one that stands; what could be gone forth to is let go of.

    Raises
    ------
    CannotWrite : the folder is gone, or there is no room.
    """
    history = opened(job)
    if history.versions and _text(job, history) == text:
        return history
    written = _added(job, history, text, sentence)
    _write(job, text)
    return written


def moved(job: Path, by: int) -> History:
    """The version before (-1) or after (+1) put in its place; at an end nothing happens.

    Raises
    ------
    CannotWrite : the folder is gone, or there is no room.
    """
    history = opened(job)
    place = history.place + by
    if not 0 <= place < len(history.versions):
        return history
    gone = replace(history, place=place)
    _write(job, _text(job, gone) or "")
    _save(job, gone)
    return gone


def folder_of(job: Path) -> Path:
    """Where the versions lie."""
    return job.parent / FOLDER / "history"


def _text(job: Path, history: History) -> str | None:
    with suppress(OSError, UnicodeDecodeError):
        return _file(job, history.versions[history.place]).read_bytes().decode("utf-8")
    return None


def _file(job: Path, version: Version) -> Path:
    return folder_of(job) / f"{version.number:04d}.toml"


def _listed(job: Path) -> History:
    """What the list says; an unreadable list is as good as none, its versions stay where they are."""
    with suppress(OSError, ValueError, KeyError, TypeError):
        said = json.loads((folder_of(job) / LIST).read_text(encoding="utf-8"))
        versions = tuple(Version(int(one["number"]), str(one["sentence"]), str(one["at"])) for one in said["versions"])
        if 0 <= int(said["place"]) < len(versions):
            return History(versions, int(said["place"]))
    return History()


def _added(job: Path, history: History, text: str, sentence: str) -> History:
    kept = history.versions[: history.place + 1]
    # numbers are never used again, so that a list that was lost does not cost a version
    taken = [int(path.stem) for path in folder_of(job).glob("*.toml") if path.stem.isdecimal()]
    version = Version(max(taken, default=-1) + 1, sentence, datetime.now().isoformat(timespec="seconds"))
    longer = History((*kept, version), len(kept))
    try:
        if not job.parent.is_dir():
            raise FileNotFoundError(2, "the job's folder is gone")
        folder_of(job).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise cannot_write(job, error) from error
    _write(_file(job, version), text)
    _save(job, longer)
    return longer


def _save(job: Path, history: History) -> None:
    _write(folder_of(job) / LIST, json.dumps(asdict(history), indent=1) + "\n")


def _write(path: Path, text: str) -> None:
    """The text whole or not at all. The job file is the person's own: it is changed here, and listed nowhere as made.

    Raises
    ------
    CannotWrite : the folder is gone, or there is no room.
    """
    partial = path.with_name(f".{path.name}.{os.getpid()}.partial")
    try:
        with partial.open("w", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        partial.replace(path)
        sync_folder(path.parent)
    except OSError as error:
        with suppress(OSError):
            partial.unlink(missing_ok=True)
        raise cannot_write(path, error) from error
