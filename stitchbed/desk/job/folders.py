"""I show the folders of this machine one level at a time, so that one of them can be chosen; they are only read.

In: an id that was handed out before, or none. Out: the folder's name and the folders in it, each with an id.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from stitchbed.desk.job.pieces import id_of, is_picture

MOUNTS = ("/media", "/mnt", "/Volumes", "/run/media")
MOST = 500  # folders listed of one; who has more finds them by another way
MOST_COUNTED = 5000  # entries of a folder that are looked at to count its pictures


@dataclass(frozen=True)
class Folder:
    """pictures : files in it that may be pieces, by their names."""

    id: str
    name: str
    pictures: int


@dataclass
class Folders:
    """known : id -> folder, of those that were listed; only these can be asked for."""

    known: dict[str, Path] = field(default_factory=dict)

    def starts(self, job: Path) -> list[Folder]:
        """Where looking begins: the person's own folder, the job's, and what is plugged in."""
        places = [Path.home(), job.parent, *(Path(one) for one in MOUNTS)]
        return [self._listed(one, str(one)) for one in dict.fromkeys(places) if one.is_dir()]

    def inside(self, id: str) -> tuple[Folder, list[Folder], Folder | None] | None:
        """A folder that was listed, those in it, and the one it lies in; None for an unknown id."""
        path = self.known.get(id)
        if path is None:
            return None
        found: list[Path] = []
        with suppress(OSError):
            found = sorted(one for one in path.iterdir() if not one.name.startswith(".") and _is_folder(one))
        above = self._listed(path.parent, path.parent.name or str(path.parent)) if path.parent != path else None
        return self._listed(path, str(path)), [self._listed(one, one.name) for one in found[:MOST]], above

    def _listed(self, path: Path, name: str) -> Folder:
        self.known[id_of(path)] = path
        return Folder(id_of(path), name, _pictures(path))


def _is_folder(path: Path) -> bool:
    with suppress(OSError):
        return path.is_dir()
    return False


def _pictures(path: Path) -> int:
    count = 0
    with suppress(OSError):
        for number, one in enumerate(path.iterdir()):
            if number >= MOST_COUNTED:
                break
            count += is_picture(one) and not one.name.startswith(".")
    return count
