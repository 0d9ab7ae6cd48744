"""I run one piece of work at a time in a process of its own, pass on how far it is, and stop it.

In: a request. Out: its result, or the error of the pipeline in its own words.

The process is started before it is needed and stays, as half of a short work's time would go into starting. To stop,
it is asked; when it does not end within a breath (compiled loops hear nothing), it is ended. Results appear whole or
not at all, and a join goes on after its last whole row.
"""

from __future__ import annotations

import asyncio
import json
import sys
from asyncio.subprocess import DEVNULL, PIPE, Process
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from stitchbed.core.errors import Cancelled, StitchbedError

PATIENCE = 0.6  # seconds between asking a process to end and ending it
LINE = 2**26  # bytes of one answer at most: the record of a check of 150 pieces has some hundred thousand
LOST = "the process that did the work ended without a word"


class Failed(StitchbedError):
    """A work failed; kind : name of the error's class in the process."""

    def __init__(self, words: dict[str, str]) -> None:
        super().__init__(words["found"], expected=words["expected"], attempt=words["try"])
        self.kind = words["kind"]


class Worker:
    """At most one process; close it."""

    def __init__(self) -> None:
        self._process: Process | None = None
        self._starting = asyncio.Lock()
        self._stopped = False

    async def warm(self) -> None:
        """Have a process ready."""
        async with self._starting:
            if self._process is None or self._process.returncode is not None:
                self._process = await asyncio.create_subprocess_exec(
                    sys.executable, "-m", "stitchbed.desk.work.child", stdin=PIPE, stdout=PIPE, stderr=DEVNULL,
                    limit=LINE, start_new_session=True,
                )  # fmt: skip

    async def do(
        self,
        request: dict[str, Any],
        progress: Callable[[str, int, int], None],
        *,
        part: Callable[[dict[str, Any]], None] = lambda told: None,
    ) -> Any:
        """The result of a request. part : is told what is known before all is.

        Raises
        ------
        Failed : what the pipeline said. Cancelled : it was stopped.
        """
        await self.warm()
        process, self._stopped = self._process, False
        if process is None or process.stdin is None or process.stdout is None:
            raise self._gone()
        with suppress(ConnectionError):
            process.stdin.write(json.dumps(request).encode() + b"\n")
            await process.stdin.drain()
        while line := await process.stdout.readline():
            told = json.loads(line)
            if "progress" in told:
                progress(*told["progress"])
            elif "part" in told:
                part(told["part"])
            elif "error" in told:
                raise Failed(told["error"])
            elif "done" in told:
                return told["done"]
        await process.wait()
        if self._stopped:
            raise Cancelled("working")
        raise self._gone()

    async def stop(self) -> None:
        """End what runs."""
        process, self._stopped = self._process, True
        if process is None or process.returncode is not None:
            return
        with suppress(ProcessLookupError):
            process.terminate()
        try:
            await asyncio.wait_for(process.wait(), PATIENCE)
        except TimeoutError:
            with suppress(ProcessLookupError):
                process.kill()
            await process.wait()

    async def close(self) -> None:
        """End the process."""
        await self.stop()

    def _gone(self) -> StitchbedError:
        return StitchbedError(
            LOST, expected="a result or a reason", attempt="the same again; with less memory, where the system is short"
        )
