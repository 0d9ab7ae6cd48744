"""I show how far long work has come, on a terminal only.

In: (step, done, total) from a story. Out: one line per step on standard error, and one that moves while none does;
plain lines where control codes are not wanted.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

from stitchbed.cli.screen import takes_codes

if TYPE_CHECKING:  # its module loads all numeric libraries; a run with nothing to do shall not wait for them
    from stitchbed.core.progress import Progress as Report


@contextmanager
def shown(quiet: bool) -> Iterator[Report]:
    """A progress function that says something only when standard error is a terminal and `quiet` is False: bars, or
    plain lines where control codes are not wanted.
    """
    if quiet or not sys.stderr.isatty():
        yield lambda step, done, total: None
        return
    if not takes_codes():
        yield _in_lines()
        return
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True)) as bars:
        yield _reporting(bars)


def _in_lines() -> Report:
    """A line for each quarter of a step."""
    told: dict[str, int] = {}

    def report(step: str, done: int, total: int) -> None:
        quarter = 4 * done // max(1, total)
        if told.get(step) != quarter:
            told[step] = quarter
            click.echo(f"{step}: {done} of {total}", err=True)

    return report


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
