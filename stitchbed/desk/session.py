"""I am one open job: its file and history, what runs, what was found, who is told.

In: acts and wishes of pages. Out: a changed job file, work begun or stopped, and events for all pages.

Everything that matters stands in the job's folder; what I hold besides is how far the running work is, what failed
last, and hashes of files by their size and time, so that they are not read at every look.
"""

from __future__ import annotations

import asyncio
import json
import os
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from stitchbed.core.errors import BadSettings, Cancelled, StitchbedError
from stitchbed.core.files import sha256_of
from stitchbed.core.record import fingerprint
from stitchbed.desk.job import acts, history
from stitchbed.desk.job.begin import new_text
from stitchbed.desk.job.folders import Folders
from stitchbed.desk.job.pieces import Facts, Piece, facts_of, pieces_of, stamp_of
from stitchbed.desk.job.text import sources_key, value_at
from stitchbed.desk.look.places import Known, best_known, placing_of
from stitchbed.desk.look.tiles import Pictures
from stitchbed.desk.stops import AT_WORK, BY_NAME, SINGLE_STOPS, STOPS, Standing, of_pieces, of_placing, of_steps
from stitchbed.desk.work.events import Hub
from stitchbed.desk.work.worker import Failed, Worker
from stitchbed.jobs.job_file import JobFile, job_of, page_jobs
from stitchbed.jobs.pages import together
from stitchbed.jobs.run import standing
from stitchbed.jobs.steps import STEPS

WATCH_SECONDS = 1.0  # between looks at the folders of pieces: a file that did not grow meanwhile is whole
PLACED = "places.json"  # beside it: where the last "place again" laid the pieces
CHECKED = "check.json"  # in the desk's folder: what the last check found


@dataclass
class Running:
    """stop : whose work it is. step, done, total : as told. since : monotonic seconds."""

    stop: str
    step: str = "beginning"
    done: int = 0
    total: int = 0
    since: float = field(default_factory=time.monotonic)

    @property
    def share(self) -> float | None:
        """0..1, None while nothing is counted."""
        return self.done / self.total if self.total else None


@dataclass(frozen=True)
class Trouble:
    """What went wrong at a stop. kind : name of the error's class."""

    found: str
    expected: str
    attempt: str
    kind: str


class Session:
    """One job, open; close it. workers, memory : of the work."""

    def __init__(self, job: Path, *, workers: int, memory: int) -> None:
        self.job = job
        self.folder = job.parent
        self.hub, self.worker, self.pictures, self.folders = Hub(), Worker(), Pictures(), Folders()
        self.running: Running | None = None
        self.trouble: dict[str, Trouble] = {}
        self._given = {"workers": workers, "memory": memory}
        self._digests: dict[tuple[Path, str], str] = {}
        self._facts: dict[tuple[Path, str], Facts] = {}
        self._work: asyncio.Task[None] | None = None
        self._pages: tuple[Any, list[JobFile]] = (None, [])
        self._early: dict[str, Any] | None = None
        self._looked_for = self._watched_for = ""

    # what stands

    def text(self) -> str:
        """The job file as it stands, or the one a new job begins with."""
        with suppress(FileNotFoundError):
            return self.job.read_bytes().decode("utf-8")  # line ends as they are
        return new_text(self.folder)

    def name(self) -> str:
        """What the job is called."""
        return str(value_at(self.text(), ("name",), self.folder.resolve().name))

    def history(self) -> history.History:
        """Versions of the job file."""
        return history.opened(self.job)

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
        return self._early if self._early is not None and self._early["mark"] == self.mark() else checked

    def known(self, rows: Sequence[Mapping[str, Any]] | None = None) -> Known | None:
        """The best that is known of where these pieces lie, besides the check. rows : of `rows`, where at hand."""
        text, mark = self.text(), self._place_mark()
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
                job = job_of(self.job, list(STEPS))
                self._pages = key, page_jobs(job) if job.pages else []
        return self._pages[1]

    def rows(self, page: str = "") -> list[dict[str, Any]]:
        """How each step stands; nothing while the job file cannot be read, or has no piece. page : of that one only."""
        with suppress(StitchbedError, OSError):
            pages = [one for one in self.pages() if page in ("", one.name)]
            if pages:
                return together({one.name: standing(one, self.digest) for one in pages})
            return standing(job_of(self.job, list(STEPS)), self.digest)
        return []

    def stops(self) -> list[Standing]:
        """How each stop stands."""
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
            found.append(self._now(one))
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

    # acts

    async def act(self, name: str, taken: Mapping[str, Any]) -> None:
        """Change the job file.

        Raises
        ------
        BadSettings : see `acts.done`. CannotWrite : the folder is gone or full.
        """
        await asyncio.to_thread(self._act, name, taken)
        await self.look_about()
        self.changed()

    async def dropped(self, path: Path) -> None:
        """A piece lies in the job's folder now: the job file is there for it, and names where it lies."""
        await asyncio.to_thread(self._ensured, path.parent)
        self.changed()

    async def move(self, by: int) -> None:
        """Undo (-1) or redo (+1)."""
        await asyncio.to_thread(history.moved, self.job, by)
        await self.look_about()
        self.changed()

    def changed(self) -> None:
        """Tell all pages to draw anew."""
        self.hub.tell("changed", "")

    # work

    async def look_about(self) -> None:
        """Look at pieces that were not looked at yet, once for each set of them, when nothing else runs."""
        pieces = await asyncio.to_thread(self.pieces)
        mark, checked = self.mark(pieces), self.checked()
        fresh = checked is not None and checked["mark"] == mark
        if fresh or mark == self._looked_for or not any(not one.left_out for one in pieces):
            return
        if self.running is not None and self.running.stop == "pieces":
            await self.stop()
        if self.running is None:
            self._looked_for = mark
            self._begin("pieces", lambda: self._look(mark, pieces))

    async def keep_watch(self) -> None:
        """Notice files that come or go, as a scanner's software writes them; a file that grows is waited for."""
        before = ""
        while True:
            await asyncio.sleep(WATCH_SECONDS)
            with suppress(OSError, StitchbedError):
                mark = await asyncio.to_thread(self.mark)
                if mark == before and mark != self._watched_for:
                    self._watched_for = mark
                    await self.look_about()
                    self.changed()
                before = mark

    async def start(self, stop: str, *, replace: bool = False) -> None:
        """Do the work of a stop and what it needs before.

        Raises
        ------
        BadSettings : something else is being worked on; nothing is to be done there.
        """
        if self.running is not None and self.running.stop == stop:
            return
        if self.running is not None and self.running.stop in ("pieces", "placing"):
            await self.stop()
        if self.running is not None:
            raise BadSettings(
                f"{BY_NAME[self.running.stop].title} is being worked on",
                expected="one work at a time",
                attempt="waiting for it, or stopping it first",
            )
        if stop == "pieces":
            self._looked_for = ""
            await self.look_about()
            return
        await asyncio.to_thread(self._ensured)
        if stop == "placing":
            request = {"task": "place", "job": str(self.job), **self._given}
            self._begin(stop, lambda: self._place(self._place_mark(), request))
            return
        steps = [one for one in BY_NAME[stop].steps if value_at(self.text(), one.split(".")) is not None]
        if not steps:
            raise BadSettings(f"nothing to do at {BY_NAME[stop].title}", expected="a step", attempt="switching one on")
        request = {"task": "run", "job": str(self.job), "upto": steps[-1], "replace": replace, **self._given}
        self._begin(stop, lambda: self._run(stop, request))

    async def stop(self) -> None:
        """End what runs."""
        work = self._work
        await self.worker.stop()
        if work is not None:
            await asyncio.wait([work])

    async def close(self) -> None:
        """End everything; the job's folder is whole."""
        self.hub.close()
        await self.stop()
        await self.worker.close()
        self.pictures.close()

    def _now(self, standing: Standing) -> Standing:
        stop = standing.stop
        if self.running is not None and self.running.stop == stop.name:
            return Standing(stop, AT_WORK, self.running.step, self.running.share, standing.stale)
        if stop.name in self.trouble:
            return Standing(stop, "needs a look", self.trouble[stop.name].found, None, standing.stale)
        return standing

    def _act(self, name: str, taken: Mapping[str, Any]) -> None:
        text = self.text()
        scene = acts.Scene(self.folder, {one.id: one for one in self.pieces()}, self.folders.known)
        self._ensured()
        history.changed(self.job, *acts.done(text, name, taken, scene))

    def _ensured(self, pieces: Path | None = None) -> None:
        """A job file, where there was none yet. pieces : a folder it has to name."""
        text = self.text()
        if not self.job.exists():
            history.changed(self.job, text, "the job was begun")
        if pieces is not None:
            history.changed(self.job, acts.with_source(text, pieces, self.folder), f"pieces dropped into {pieces.name}")

    def _begin(self, stop: str, work: Callable[[], Any]) -> None:
        self.running = Running(stop)
        self.trouble.pop(stop, None)
        self.changed()
        self._work = asyncio.get_running_loop().create_task(self._finished(stop, work))

    async def _finished(self, stop: str, work: Callable[[], Any]) -> None:
        try:
            await work()
        except Cancelled:
            pass
        except Failed as error:
            self.trouble[stop] = Trouble(error.found, error.expected, error.attempt, error.kind)
        except StitchbedError as error:
            self.trouble[stop] = Trouble(error.found, error.expected, error.attempt, type(error).__name__)
        finally:
            self.running = None
            self.changed()

    def _told(self, step: str, done: int, total: int) -> None:
        if self.running is not None:
            self.running.step, self.running.done, self.running.total = step, done, total
            seconds = round(time.monotonic() - self.running.since, 1)
            said = {"stop": self.running.stop, "step": step, "done": done, "total": total, "seconds": seconds}
            self.hub.tell("progress", said)

    async def _look(self, mark: str, pieces: Sequence[Piece]) -> None:
        paths = [str(one.path) for one in pieces if not one.left_out]
        request = {"task": "check", "paths": paths, "pages": self.single(), **self._given}

        def part(told: dict[str, Any]) -> None:
            self._early = {"mark": mark, "record": told}
            self.changed()

        record = await self.worker.do(request, self._told, part=part)
        await asyncio.to_thread(self._keep, CHECKED, {"mark": mark, "record": record})

    async def _place(self, mark: str, request: Mapping[str, Any]) -> None:
        about = {"mark": mark, "pieces": self.mark(), "said": value_at(self.text(), ("join", "hints"), {})}
        record = await self.worker.do(dict(request), self._told)
        await asyncio.to_thread(self._keep, PLACED, {**about, "record": record})

    async def _run(self, stop: str, request: Mapping[str, Any]) -> None:
        record = await self.worker.do(dict(request), self._told)
        failed = [one for one in record.get("works", ()) if not one["ok"]]
        if failed:
            names = ", ".join(one["name"] for one in failed)
            found = f"{len(failed)} of {len(record['works'])} pages are not done: {names}. {failed[0]['found']}"
            self.trouble[stop] = Trouble(found, failed[0]["expected"], failed[0]["try"], "Pages")

    def _place_mark(self) -> str:
        return fingerprint(self.mark(), value_at(self.text(), ("join",)))

    def _kept(self, name: str) -> dict[str, Any] | None:
        with suppress(OSError, ValueError):
            content = json.loads((self.job.parent / history.FOLDER / name).read_text(encoding="utf-8"))
            if isinstance(content, dict) and content.keys() >= {"mark", "record"}:
                return content
        return None

    def _keep(self, name: str, content: Mapping[str, Any]) -> None:
        folder = self.job.parent / history.FOLDER
        with suppress(OSError):  # a full disk costs only that it is looked at again
            folder.mkdir(exist_ok=True)
            partial = folder / f".{name}.{os.getpid()}.partial"
            partial.write_text(json.dumps(content), encoding="utf-8")
            partial.replace(folder / name)
