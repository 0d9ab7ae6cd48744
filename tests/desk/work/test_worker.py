"""I check the worker with a process of our own in place of the one that works: answers, errors, stops, and its loss."""

from __future__ import annotations

import asyncio
import sys
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from stitchbed.core.errors import Cancelled, StitchbedError
from stitchbed.desk.work import worker
from stitchbed.desk.work.worker import Failed, Worker

CHILD = """#!{python} -S
import json, os, signal, sys, time
print(json.dumps(dict(ready=True)), flush=True)
for line in sys.stdin:
    asked = json.loads(line)
    print(json.dumps(dict(progress=["look", 1, 2])), flush=True)
    if asked["task"] == "echo":
        print(json.dumps(dict(part=dict(half=asked["words"]))), flush=True)
        print(json.dumps(dict(done=[os.getpid(), asked["words"]])), flush=True)
    elif asked["task"] == "fail":
        print(json.dumps(dict(error={{"found": "a", "expected": "b", "try": "c", "kind": "MixedTiles"}})), flush=True)
    elif asked["task"] == "die":
        os._exit(3)
    elif asked["task"] == "deaf":
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
        print(json.dumps(dict(progress=["deaf", 1, 1])), flush=True)
        time.sleep(60)
    else:
        time.sleep(60)
"""


@pytest.fixture(autouse=True)
def child(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A small process that answers as the real one does."""
    path = tmp_path / "child"
    path.write_text(CHILD.format(python=sys.executable))
    path.chmod(0o755)
    monkeypatch.setattr(worker.sys, "executable", str(path))


def told(go: Callable[[Worker, list[Any]], Awaitable[Any]]) -> tuple[Any, list[Any]]:
    """What a request answers, and the progress passed on."""
    steps: list[Any] = []

    async def run() -> Any:
        one = Worker()
        try:
            return await go(one, steps)
        finally:
            await one.close()

    return asyncio.run(asyncio.wait_for(run(), 20)), steps


def ask(one: Worker, steps: list[Any], **request: Any) -> Awaitable[Any]:
    """A request whose progress is written down."""
    return one.do(request, lambda *step: steps.append(step), part=lambda known: steps.append(known["half"]))


def test_answers_come_with_progress_and_the_process_stays() -> None:
    async def go(one: Worker, steps: list[Any]) -> Any:
        await one.warm()
        return [await ask(one, steps, task="echo", words="Straße\n") for _ in range(2)]

    (first, second), steps = told(go)
    assert first == second and first[1] == "Straße\n"
    assert steps == [("look", 1, 2), "Straße\n"] * 2  # what is known before all is comes in between


def test_an_error_keeps_its_words_and_kind_and_work_goes_on() -> None:
    async def go(one: Worker, steps: list[Any]) -> Any:
        with pytest.raises(Failed, match="Found: a") as caught:
            await ask(one, steps, task="fail")
        assert caught.value.kind == "MixedTiles"
        return await ask(one, steps, task="echo", words="on")

    assert told(go)[0][1] == "on"


def test_a_process_that_is_lost_is_told_and_the_next_one_works() -> None:
    async def go(one: Worker, steps: list[Any]) -> Any:
        with pytest.raises(StitchbedError, match="ended without a word"):
            await ask(one, steps, task="die")
        return await ask(one, steps, task="echo", words="anew")

    assert told(go)[0][1] == "anew"


@pytest.mark.parametrize("task", ["sleep", "deaf"])
def test_stopped_it_ends_within_a_breath_though_it_hears_nothing(task: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(worker, "PATIENCE", 0.2)

    async def go(one: Worker, steps: list[Any]) -> float:
        work = asyncio.ensure_future(ask(one, steps, task=task))  # type: ignore[arg-type]
        while len(steps) < (2 if task == "deaf" else 1):
            await asyncio.sleep(0.01)
        begun = time.monotonic()
        await one.stop()
        with pytest.raises(Cancelled):
            await work
        return time.monotonic() - begun

    assert told(go)[0] < 5


def test_stopping_what_does_not_run_is_nothing() -> None:
    async def go(one: Worker, steps: list[Any]) -> None:
        await one.stop()

    assert told(go) == (None, [])
