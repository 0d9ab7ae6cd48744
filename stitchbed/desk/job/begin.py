"""I find the job file a person means, and write the one a new job begins with.

In: a folder or a TOML file. Out: where the job file lies, or would; its first text.
"""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path

from stitchbed.core.errors import BadSettings
from stitchbed.desk.job.pieces import DROPPED, is_picture
from stitchbed.jobs.folder import template
from stitchbed.jobs.job_file import JOB, OUT
from stitchbed.reading.base.folder import may_be_piece


def new_text(folder: Path) -> str:
    """The text a job begins with: pieces lie in the folder itself where pictures do, else in `pieces` within it."""
    inside = "."
    with suppress(OSError):
        if not any(may_be_piece(one) and is_picture(one) for one in folder.iterdir()):
            inside = DROPPED
    said = {"name": folder.resolve().name or "sheet", "folder": inside, "out": OUT}
    text = template("pieces")
    for key, word in said.items():
        text = text.replace(f"{{{key}}}", json.dumps(word, ensure_ascii=False))  # a text in JSON is one in TOML
    return text.rstrip() + "\n"


def job_at(path: Path) -> Path:
    """The job file a person means: a TOML file, or the one in a folder, which need not be there yet.

    Raises
    ------
    BadSettings : no such folder.
    """
    if path.suffix.lower() == ".toml":
        folder, job = path.parent, path
    else:
        folder, job = path, path / JOB
    if not folder.is_dir():
        raise BadSettings(
            f"no folder {folder}", expected="a folder for the job, or a job file", attempt=f"mkdir {folder}, then again"
        )
    return job.absolute()
