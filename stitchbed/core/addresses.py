"""I know which picture of which file a path names: `scan.pdf:3` is the third picture in scan.pdf.

In: a path as the user or the house wrote it. Out: the file, the number of the picture in it, the dpi it is drawn at.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Address:
    """file : to be opened. number : of the picture in it, from 1; None when the path names the file alone.

    dpi : at which a page is to be drawn (`scan.pdf:3@600`), or None for its stored picture.
    """

    file: Path
    number: int | None = None
    dpi: int | None = None

    @property
    def suffix(self) -> str:
        """What stands behind the file's name."""
        number = "" if self.number is None else f":{self.number}"
        return number if self.dpi is None else f"{number}@{self.dpi}"

    @property
    def path(self) -> Path:
        """The path that names this picture."""
        return self.file.with_name(self.file.name + self.suffix)


NUMBERED = re.compile(r"(.+?)(?::([1-9][0-9]{0,5}))?(?:@([1-9][0-9]{0,4}))?", re.DOTALL)


def address_of(path: Path) -> Address:
    """What a path names. Where a file of that very name exists, colon and all, it is that file."""
    parts = NUMBERED.fullmatch(path.name)
    if parts is None or parts[1] == path.name or os.path.lexists(path):
        return Address(path)
    number, dpi = (None if part is None else int(part) for part in parts.groups()[1:])
    file = path.with_name(parts[1])
    if os.path.isfile(file):
        return Address(file, number, dpi)
    return Address(path)


def file_of(path: Path) -> Path:
    """The file in which the picture that `path` names lies."""
    return address_of(path).file
