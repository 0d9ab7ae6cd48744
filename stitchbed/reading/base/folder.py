"""I say which files of a folder may be pieces, by their names alone.

In: a path. Out: yes or no; files are not looked into.
"""

from __future__ import annotations

from pathlib import Path

# job files, records, notes, what systems drop into folders: they lie beside pieces and are no reason for a warning
SIDE_FILES = frozenset({".toml", ".json", ".txt", ".md", ".db", ".ini"})


def may_be_piece(path: Path) -> bool:
    """True for a file that is neither hidden nor one of SIDE_FILES; False for folders."""
    return not path.name.startswith(".") and path.suffix.lower() not in SIDE_FILES and not path.is_dir()
