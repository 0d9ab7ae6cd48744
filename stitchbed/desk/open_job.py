"""I read one job: its file, its pieces, what was found of them, how each stop stands.

In: the job's folder. Out: what the pages of the desk show.

Everything that matters stands in the folder; what I hold besides are hashes and headers of files by their size and
time, so that they are not read at every look.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from stitchbed.core.errors import StitchbedError
from stitchbed.core.files import sha256_of
from stitchbed.core.record import fingerprint
from stitchbed.desk.job import history
from stitchbed.desk.job.begin import new_text
from stitchbed.desk.job.pieces import Facts, Piece, facts_of, pieces_of, stamp_of
from stitchbed.desk.job.text import sources_key, value_at
from stitchbed.desk.look.places import Known, best_known, placing_of
from stitchbed.desk.stops import SINGLE_STOPS, STOPS, Standing, of_pieces, of_placing, of_steps
from stitchbed.jobs.job_file import JobFile, job_of, page_jobs
from stitchbed.jobs.pages import together
from stitchbed.jobs.run import standing
from stitchbed.jobs.steps import STEPS

PLACED = "places.json"  # beside it: where the last "place again" laid the pieces
CHECKED = "check.json"  # in the desk's folder: what the last check found


class OpenJob:
    """One job's folder as it stands. file : the job file, which need not be there yet."""

    def __init__(self, file: Path) -> None:
        self.file, self.folder = file, file.parent
        self.early: dict[str, Any] | None = None  # as much of a check that runs as says where pieces lie
        self._digests: dict[tuple[Path, str], str] = {}
        self._facts: dict[tuple[Path, str], Facts] = {}
        self._pages: tuple[Any, list[JobFile]] = (None, [])

    def text(self) -> str:
        """The job file as it stands, or the one a new job begins with."""
        with suppress(FileNotFoundError):
            return self.file.read_bytes().decode("utf-8")  # line ends as they are
        return new_text(self.folder)

    def name(self) -> str:
        """What the job is called."""
        return str(value_at(self.text(), ("name",), self.folder.resolve().name))

    def history(self) -> history.History:
        """Versions of the job file."""
        return history.opened(self.file)

    def pieces(self) -> list[Piece]:
        """All pieces, those left out too."""
        return pieces_of(self.text(), self.folder)

    def facts(self, piece: Piece) -> Facts:
        """What the header of a piece says; read once."""
        key = piece.path, piece.stamp
        if key not in self._facts:
            self._facts[key] = facts_of(piece.path)
        return self._facts[key]

    def digest(self, path: Path) -> str:
        """sha256 of a file, read once for each size and time it has; of a folder, each time."""
        if path.is_dir():
            return sha256_of(path)
        key = path, stamp_of(path)
        if key not in self._digests:
            self._digests[key] = sha256_of(path)
        return self._digests[key]

    def mark(self, pieces: Sequence[Piece] | None = None) -> str:
        """What changes when the pieces that are taken do."""
        staying = [one for one in (self.pieces() if pieces is None else pieces) if not one.left_out]
        return fingerprint([(str(one.path), one.stamp) for one in staying])

    def checked(self) -> dict[str, Any] | None:
        """What the last check found: {"mark", "record"}."""
        return self._kept(CHECKED)

    def laid(self) -> dict[str, Any] | None:
        """As much of a check as says where pieces lie: of the last one, or of the one that runs."""
        checked = self.checked()
        if checked is not None and checked["mark"] == self.mark():
            return checked
        return self.early if self.early is not None and self.early["mark"] == self.mark() else checked

    def known(self, rows: Sequence[Mapping[str, Any]] | None = None) -> Known | None:
        """The best that is known of where these pieces lie, besides the check. rows : of `rows`, where at hand."""
        text, mark = self.text(), self.place_mark()
        said = value_at(text, ("join", "hints"), {})
        return best_known(self.rows() if rows is None else rows, self._kept(PLACED), (self.mark(), mark), said)

    def single(self) -> bool:
        """Whether the pictures are pages of their own, not pieces of one sheet."""
        return sources_key(self.text()) == "pages"

    def pages(self) -> list[JobFile]:
        """The job of each page; none of a job of one picture, or while the job file cannot be read."""
        key = self.text(), self.mark()
        if self._pages[0] != key:
            self._pages = key, []
            with suppress(StitchbedError, OSError):
                job = job_of(self.file, list(STEPS))
                self._pages = key, page_jobs(job) if job.pages else []
        return self._pages[1]

    def rows(self, page: str = "") -> list[dict[str, Any]]:
        """How each step stands; nothing while the job file cannot be read, or has no piece. page : of that one only."""
        with suppress(StitchbedError, OSError):
            pages = [one for one in self.pages() if page in ("", one.name)]
            if pages:
                return together({one.name: standing(one, self.digest) for one in pages})
            return standing(job_of(self.file, list(STEPS)), self.digest)
        return []

    def stops(self) -> list[Standing]:
        """How each stop stands by what lies in the folder."""
        pieces = [one for one in self.pieces() if not one.left_out]
        rows, checked = self.rows(), self.checked()
        record, fresh = (None, False) if checked is None else (checked["record"], checked["mark"] == self.mark(pieces))
        found = []
        for stop in SINGLE_STOPS if self.single() else STOPS:
            if stop.name == "pieces":
                one = replace(of_pieces(len(pieces), record, fresh), stop=stop)
            elif stop.name == "placing":
                known = self.known(rows)
                told = placing_of(record) if known is None else known.told()
                one = of_placing(
                    len(pieces), told, fresh or known is not None, since=known is not None and not known.fresh
                )
            else:
                one = of_steps(stop, [row for row in rows if row["step"] in stop.steps])
            found.append(one)
        return found

    def coming(self) -> dict[str, Any]:
        """What to scan next, as `pipelines.scanning.coverage` tells; {} while sizes or places are missing."""
        from stitchbed.pipelines.scanning.coverage import next_of

        text, checked = self.text(), self.checked()
        art, bed = (value_at(text, ("desk", key)) for key in ("sheet_mm", "bed_mm"))
        if checked is None or not (isinstance(art, list) and isinstance(bed, list)):
            return {}
        with suppress(OSError, StitchbedError, ValueError, KeyError):
            order = sorted(self.pieces(), key=lambda one: one.path.stat().st_mtime_ns)
            sizes = (float(art[0]), float(art[1])), (float(bed[0]), float(bed[1]))
            return next_of(checked["record"], [str(one.path) for one in order], sizes)
        return {}

    def place_mark(self) -> str:
        """What changes when the pieces do, or what is said of how to lay them."""
        return fingerprint(self.mark(), value_at(self.text(), ("join",)))

    def keep(self, name: str, content: Mapping[str, Any]) -> None:
        """Keep what work found in the desk's folder. name : CHECKED or PLACED."""
        folder = self.folder / history.FOLDER
        with suppress(OSError):  # a full disk costs only that it is looked at again
            folder.mkdir(exist_ok=True)
            partial = folder / f".{name}.{os.getpid()}.partial"
            partial.write_text(json.dumps(content), encoding="utf-8")
            partial.replace(folder / name)

    def _kept(self, name: str) -> dict[str, Any] | None:
        with suppress(OSError, ValueError):
            content = json.loads((self.folder / history.FOLDER / name).read_text(encoding="utf-8"))
            if isinstance(content, dict) and content.keys() >= {"mark", "record"}:
                return content
        return None
