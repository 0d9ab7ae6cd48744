"""I know which picture of which file a path names: `scan.pdf:3` is the third picture in scan.pdf.

In: a path as the user or the house wrote it. Out: the file, and the number of the picture in it.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Address:
    """file : to be opened. number : of the picture in it, from 1; None when the path names the file alone."""

    file: Path
    number: int | None = None

    @property
    def path(self) -> Path:
        """The path that names this picture."""
        return self.file if self.number is None else self.file.with_name(f"{self.file.name}:{self.number}")


NUMBERED = re.compile(r"(.+):([1-9][0-9]{0,5})", re.DOTALL)


def address_of(path: Path) -> Address:
    """What a path names. Where a file of that very name exists, colon and all, it is that file."""
    parts = NUMBERED.fullmatch(path.name)
    if parts is None or os.path.lexists(path):
        return Address(path)
    file = path.with_name(parts[1])
    return Address(file, int(parts[2])) if os.path.isfile(file) else Address(path)


def file_of(path: Path) -> Path:
    """The file in which the picture that `path` names lies."""
    return address_of(path).file
