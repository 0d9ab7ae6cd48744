"""I show how far long work has come, on a terminal only.

In: (step, done, total) from a story. Out: one line per step on standard error.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

if TYPE_CHECKING:  # its module loads all numeric libraries; a run with nothing to do shall not wait for them
    from stitchbed.core.progress import Progress as Report


@contextmanager
def shown(quiet: bool) -> Iterator[Report]:
    """A progress function; it draws only when standard error is a terminal and `quiet` is False."""
    if quiet or not sys.stderr.isatty():
        yield lambda step, done, total: None
        return
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True)) as bars:
        tasks: dict[str, object] = {}

        def report(step: str, done: int, total: int) -> None:
            if step not in tasks:
                tasks[step] = bars.add_task(step, total=total)
            bars.update(tasks[step], completed=done, total=total)  # type: ignore[arg-type]

        yield report
