"""I am the options every command takes, and how a command answers.

In: words from the shell. Out: a `Shared` value; text or JSON on standard output.
"""

from __future__ import annotations

import functools
import json
import os
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from stitchbed.cli.screen import say
from stitchbed.core.errors import printable
from stitchbed.core.record import beside
from stitchbed.core.settings import SHELL_ONLY

if TYPE_CHECKING:
    from stitchbed.pipelines.contract.records import StepRecord

Command = TypeVar("Command", bound=Callable[..., Any])
UNITS = {"": 1, "KIB": 2**10, "MIB": 2**20, "GIB": 2**30, "KB": 10**3, "MB": 10**6, "GB": 10**9}
MOST_MEMORY = 2**50  # bytes; more than any machine has
MOST_WORKERS = 64  # threads; more would only wait for each other


@dataclass(frozen=True)
class Shared:
    """json: record on standard output. quiet: no progress. memory: bytes. workers: threads. replace: keep aside what
    lies where a result goes and was not made here. full_paths: in records.
    """

    json: bool
    quiet: bool
    memory: int
    workers: int
    replace: bool = False
    full_paths: bool = False


class Bytes(click.ParamType[int]):
    """A size such as 512MiB or 1.5GB."""

    name = "size"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Bytes as int."""
        match = re.fullmatch(r"\s*([0-9]+(?:\.[0-9]+)?)\s*([A-Za-z]*)\s*", str(value))
        if not match or match[2].upper() not in UNITS:
            self.fail(f"{value!r} is not a size; write it like 512MiB or 1GiB", param, ctx)
        size = float(match[1]) * UNITS[match[2].upper()]
        if not 1 <= size <= MOST_MEMORY:
            self.fail(f"{value!r} is no memory to work in; write it like 512MiB or 1GiB", param, ctx)
        return int(size)


def shared_options(function: Command) -> Command:
    """Add --json, --quiet, --memory, --workers, --full-paths and --replace; the command receives them as `shared`."""

    @functools.wraps(function)
    def wrapped(*args: Any, json: bool, quiet: bool, **kwargs: Any) -> Any:
        own = {name: kwargs.pop(name) for name in SHELL_ONLY if name in kwargs}
        shared = Shared(json, quiet or json, **own)
        return function(*args, shared=shared, **kwargs)

    options = [
        click.option("--json", is_flag=True, help="Print the record as JSON, nothing else."),
        click.option("--quiet", is_flag=True, help="No progress on the screen."),
        click.option("--memory", type=Bytes(), default="1GiB", show_default=True, help="Memory to work in."),
        click.option(
            "--workers",
            type=click.IntRange(1, MOST_WORKERS),
            default=min(MOST_WORKERS, os.cpu_count() or 1),
            help="Threads to use.",
        ),
        click.option("--full-paths", is_flag=True, help="Name files by their whole paths in records."),
        click.option("--replace", is_flag=True, help="Keep a file in the way under a name with a number."),
    ]
    for option in reversed(options):
        wrapped = option(wrapped)
    return wrapped  # type: ignore[return-value]


def report(record: Mapping[str, Any], shared: Shared, text: str) -> None:
    """Answer the user: the record as JSON, which names files from where it was written, else from here; or `text`."""
    told = beside(dict(record), Path(), full=shared.full_paths) if shared.json else None
    if told is None:
        say(printable(text))
    else:
        click.echo(json.dumps(told, indent=1, allow_nan=False))


def prove(proof: Path | None, record: StepRecord, sources: Sequence[Path], output: Path) -> None:
    """Write the proof page of a step where one is asked for; `record` then tells of it."""
    if proof:
        from stitchbed.pipelines.proof import prove_step

        prove_step(proof, record, sources, output)
