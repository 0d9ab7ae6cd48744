"""I am what one step of a job is asked to do.

In: what there is to work on, where to write, settings. Out: a frozen value that every step's function takes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from stitchbed.core.progress import Progress

# what there is to work on: the pieces as given; the one picture made of them so far; layers lifted off it
PIECES, PAGE, LINES, FLATS = "pieces", "page", "lines", "flats"


@dataclass(frozen=True)
class Call:
    """One step to do. sources : what there is to work on -> files. output : to write. settings : the step's own.

    notes : its record, where the step names its files itself.
    replace : what lies there and was not made here is kept aside instead of being refused.
    """

    sources: Mapping[str, tuple[Path, ...]]
    output: Path
    settings: Any
    progress: Progress
    replace: bool = False
    notes: Path | None = None
