"""I show how far long work has come, on a terminal only.

In: (step, done, total) from a story. Out: one line per step on standard error, and one that moves while none does.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

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
        yield _reporting(bars)


def _reporting(bars: Progress) -> Report:
    """Show each step as a bar, begun anew for the next page; between steps a bar without end says work goes on."""
    tasks: dict[str, TaskID] = {}
    last: dict[str, int] = {}
    between = bars.add_task("working", total=None)

    def report(step: str, done: int, total: int) -> None:
        if step not in tasks:
            tasks[step] = bars.add_task(step, total=total)
        elif done < last[step]:
            bars.reset(tasks[step], total=total)
        last[step] = done
        bars.update(tasks[step], completed=done, total=total)
        bars.update(between, visible=done >= total)

    return report
