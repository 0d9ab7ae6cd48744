"""I check the process that works: an answer for each request, an error in words, an end when nobody asks more."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from stitchbed.desk.work import child


def test_it_answers_each_request_in_turn_and_ends_with_its_asker(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("no picture")
    asked = [
        {"task": "run", "job": str(tmp_path / "none.toml"), "upto": "join", "memory": 2**28, "workers": 1},
        {"task": "check", "paths": [str(tmp_path / "a.txt")], "memory": 2**28, "workers": 1},
    ]
    process = subprocess.Popen(
        [sys.executable, "-m", child.__name__], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdin is not None and process.stdout is not None
    assert json.loads(process.stdout.readline()) == {"ready": True}
    for request in asked:
        process.stdin.write(json.dumps(request) + "\n")
        process.stdin.flush()
        told = json.loads(process.stdout.readline())
        assert set(told) == {"error"} and set(told["error"]) == {"found", "expected", "try", "kind"}
        name = str(request.get("job") or request["paths"][0])  # type: ignore[index]
        assert Path(name).name in told["error"]["found"]
    process.stdin.close()
    assert process.wait(20) in (143, -15)  # it asked itself to end
    process.stdout.close()


def test_progress_is_told_no_more_often_than_eyes_follow(monkeypatch: pytest.MonkeyPatch) -> None:
    told = child.Told.__new__(child.Told)  # without taking over standard output
    said: list[Any] = []
    clock = iter([0.0, 0.05, 0.09, 0.25, 0.26, 0.27])
    monkeypatch.setattr(child.time, "monotonic", lambda: next(clock))
    told._last = -1.0
    monkeypatch.setattr(told, "say", lambda **words: said.append(words["progress"][1]))
    for done in (1, 2, 3, 4, 5, 10):
        told.progress("look", done, 10)
    assert said == [1, 4, 10]  # the last one always
