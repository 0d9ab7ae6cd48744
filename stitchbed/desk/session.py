"""I work on one open job: its acts, what runs, what failed, who is told.

In: acts and wishes of pages. Out: a changed job file, work begun or stopped, and events for all pages.

Everything that matters stands in the job's folder; what I hold besides is how far the running work is, and what failed
last.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stitchbed.core.errors import BadSettings, Cancelled, StitchbedError
from stitchbed.desk.job import acts, history
from stitchbed.desk.job.folders import Folders
from stitchbed.desk.job.pieces import Piece
from stitchbed.desk.job.text import value_at
from stitchbed.desk.look.tiles import Pictures
from stitchbed.desk.open_job import CHECKED, PLACED, OpenJob
from stitchbed.desk.stops import AT_WORK, BY_NAME, Standing
from stitchbed.desk.work.events import Hub
from stitchbed.desk.work.worker import Failed, Worker

WATCH_SECONDS = 1.0  # between looks at the folders of pieces: a file that did not grow meanwhile is whole


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
        self.job = OpenJob(job)
        self.hub, self.worker, self.pictures, self.folders = Hub(), Worker(), Pictures(), Folders()
        self.running: Running | None = None
        self.trouble: dict[str, Trouble] = {}
        self._given = {"workers": workers, "memory": memory}
        self._work: asyncio.Task[None] | None = None
        self._looked_for = self._watched_for = ""

    def stops(self) -> list[Standing]:
        """How each stop stands, with what runs and what failed."""
        return [self._now(one) for one in self.job.stops()]

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
        await asyncio.to_thread(history.moved, self.job.file, by)
        await self.look_about()
        self.changed()

    def changed(self) -> None:
        """Tell all pages to draw anew."""
        self.hub.tell("changed", "")

    # work

    async def look_about(self) -> None:
        """Look at pieces that were not looked at yet, once for each set of them, when nothing else runs."""
        pieces = await asyncio.to_thread(self.job.pieces)
        mark, checked = self.job.mark(pieces), self.job.checked()
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
                mark = await asyncio.to_thread(self.job.mark)
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
            request = {"task": "place", "job": str(self.job.file), **self._given}
            self._begin(stop, lambda: self._place(self.job.place_mark(), request))
            return
        steps = [one for one in BY_NAME[stop].steps if value_at(self.job.text(), one.split(".")) is not None]
        if not steps:
            raise BadSettings(f"nothing to do at {BY_NAME[stop].title}", expected="a step", attempt="switching one on")
        request = {"task": "run", "job": str(self.job.file), "upto": steps[-1], "replace": replace, **self._given}
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
        text = self.job.text()
        scene = acts.Scene(self.job.folder, {one.id: one for one in self.job.pieces()}, self.folders.known)
        self._ensured()
        history.changed(self.job.file, *acts.done(text, name, taken, scene))

    def _ensured(self, pieces: Path | None = None) -> None:
        """A job file, where there was none yet. pieces : a folder it has to name."""
        text = self.job.text()
        if not self.job.file.exists():
            history.changed(self.job.file, text, "the job was begun")
        if pieces is not None:
            history.changed(
                self.job.file, acts.with_source(text, pieces, self.job.folder), f"pieces dropped into {pieces.name}"
            )

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
        request = {"task": "check", "paths": paths, "pages": self.job.single(), **self._given}

        def part(told: dict[str, Any]) -> None:
            self.job.early = {"mark": mark, "record": told}
            self.changed()

        record = await self.worker.do(request, self._told, part=part)
        await asyncio.to_thread(self.job.keep, CHECKED, {"mark": mark, "record": record})

    async def _place(self, mark: str, request: Mapping[str, Any]) -> None:
        about = {"mark": mark, "pieces": self.job.mark(), "said": value_at(self.job.text(), ("join", "hints"), {})}
        record = await self.worker.do(dict(request), self._told)
        await asyncio.to_thread(self.job.keep, PLACED, {**about, "record": record})

    async def _run(self, stop: str, request: Mapping[str, Any]) -> None:
        record = await self.worker.do(dict(request), self._told)
        failed = [one for one in record.get("works", ()) if not one["ok"]]
        if failed:
            names = ", ".join(one["name"] for one in failed)
            found = f"{len(failed)} of {len(record['works'])} pages are not done: {names}. {failed[0]['found']}"
            self.trouble[stop] = Trouble(found, failed[0]["expected"], failed[0]["try"], "Pages")
