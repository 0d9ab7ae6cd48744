"""I check what the bars say: each step, a page's steps anew for the next page, and that work goes on between steps."""

from __future__ import annotations

import io

from rich.console import Console
from rich.progress import Progress

from stitchbed.cli.progress import _reporting


def test_steps_begin_anew_and_work_goes_on_between_them() -> None:
    with Progress(console=Console(file=io.StringIO(), force_terminal=True)) as bars:
        report = _reporting(bars)
        assert [task.visible for task in bars.tasks] == [True]  # before anything was said
        report("cleaning", 1, 4)
        assert [(task.description, task.visible) for task in bars.tasks] == [("working", False), ("cleaning", True)]
        report("cleaning", 4, 4)
        assert bars.tasks[0].visible and bars.tasks[1].finished
        report("cleaning", 1, 8)  # of the next page
        cleaning = bars.tasks[1]
        assert not cleaning.finished and (cleaning.completed, cleaning.total) == (1, 8) and not bars.tasks[0].visible
