"""I check that every command's record is what its schema says, and that a command run again gives the same bytes.

The schemas are judged by a validator from the registry (jsonschema, draft 2020-12); our generator is checked against
its meta schema.
"""

from __future__ import annotations

import hashlib
import json
import time
from pathlib import Path
from typing import Any, Literal, NotRequired, TypedDict

import jsonschema
import pytest
from small_jobs import JOBS, invoke

from stitchbed.core.schema import schema_of
from stitchbed.pipelines.contract.records import RECORDS

DATED = ("card", "join-proof", "export", "color")  # kinds of files that could hold a date: PDF, HTML, ZIP, ICC
TOLD = (".json", ".html", ".txt")  # what may be passed on: it names no folders above, and no machine
TIMES = ("started", "seconds")  # of a record: when and how long, the only things that may differ


class Inner(TypedDict):
    """A mapping in a mapping."""

    x: float


class Example(TypedDict):
    """One field of every kind a record has."""

    name: Literal["a", "b"]
    count: int | None
    inner: list[Inner]
    more: dict[str, bool]
    free: dict[str, Any]
    maybe: NotRequired[str]


def test_a_schema_takes_what_fits_and_nothing_else() -> None:
    schema = schema_of(Example)
    jsonschema.Draft202012Validator.check_schema(schema)
    good: dict[str, Any] = {"name": "a", "count": None, "inner": [{"x": 1.5}], "more": {"k": True}, "free": {"k": [1]}}
    jsonschema.validate(good, schema)
    for wrong in (
        {"name": "c"},
        {"count": 1.5},
        {"inner": [{}]},
        {"inner": [{"x": 1, "y": 2}]},
        {"more": {"k": "yes"}},
        {"maybe": 3},
        {"else": 1},
    ):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate({**good, **wrong}, schema)
    with pytest.raises(TypeError, match="JSON form"):
        schema_of(bytes)


@pytest.mark.parametrize("name", JOBS)
def test_the_record_is_what_its_schema_says_and_the_same_again(name: str, tmp_path: Path) -> None:
    given, outs = tmp_path / "in", [tmp_path / "one" / "out", tmp_path / "two" / "out"]
    given.mkdir()
    job = JOBS[name](given)
    told = []
    for out in outs:
        out.mkdir(parents=True)
        done = invoke((*job.words, "--json"), out)
        assert done.exception is None, done.exception
        told.append(json.loads(done.stdout))
        time.sleep(1.1 if name in DATED else 0)  # dates in files are of whole seconds
    command = job.words[0]
    if command in RECORDS:  # `run` tells of steps, each by a record of its own
        jsonschema.validate(told[0], schema_of(RECORDS[command]))
        for path in outs[0].rglob("*.json"):
            content = json.loads(path.read_text(encoding="utf-8"))
            jsonschema.validate(content, schema_of(RECORDS[content["command"]]))
    for words in (done.stdout, *[path.read_text("utf-8") for path in _seen(tmp_path) if path.suffix in TOLD]):
        assert str(tmp_path) not in words, words
    first, second = ({str(path.relative_to(out)): _bytes(path) for path in _seen(out)} for out in outs)
    assert first == second


def test_whole_paths_stand_in_a_record_that_is_asked_for_them(tmp_path: Path) -> None:
    given, out = tmp_path / "in", tmp_path / "out"
    for folder in (given, out):
        folder.mkdir()
    assert invoke((*JOBS["join"](given).words, "--full-paths"), out).exception is None
    record = json.loads((out / "canvas.json").read_text())
    assert record["inputs"][0]["path"] == str(given / "piece.tif")


def _seen(folder: Path) -> list[Path]:
    """All that was written, but for hidden notes: they name hashes of records, and so change with the time."""
    return [path for path in sorted(folder.rglob("*")) if not path.name.startswith(".")]


def _bytes(path: Path) -> str:
    """Content of a file, without the times in records."""
    if path.is_dir():
        return "folder"
    if path.suffix != ".json":
        return hashlib.sha256(path.read_bytes()).hexdigest()
    return json.dumps(_timeless(json.loads(path.read_text(encoding="utf-8"))), sort_keys=True)


def _timeless(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(_timeless(key)): _timeless(item) for key, item in value.items() if key not in TIMES}
    if isinstance(value, list):
        return [_timeless(item) for item in value]
    return value.replace("/one/out", "/OUT").replace("/two/out", "/OUT") if isinstance(value, str) else value
