"""I look at every path a pipeline reads and every path it writes, before it begins.

In: paths and settings. Out: words on what will be kept under another name, or an error while nothing is lost yet.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path

from stitchbed.core.errors import BadSettings
from stitchbed.core.files import claim
from stitchbed.core.locks import sweep


def claim_outputs(
    writes: Sequence[Path], inputs: Sequence[Path], settings: object = None, *, scratch: Sequence[Path] = ()
) -> list[str]:
    """`core.files.claim` for a pipeline: what it reads are its inputs, the pieces in them, and files named by settings.

    What jobs that were killed left of these results is taken away. settings : those with a field `replace` say whether
    what was not made here is kept aside or refused.

    Raises
    ------
    WouldTouchOriginal : see `core.files.claim`. BadSettings : a result without a name.
    """
    for path in writes:
        if not path.name:
            raise BadSettings("an empty name for a result", expected="the name of a file", attempt="a name for it")
    reads = [one for path in inputs for one in (path, *_inside(path))]
    replace = bool(getattr(settings, "replace", False))
    sweep(writes)
    return claim(writes, [*reads, *paths_in(settings)], replace=replace, scratch=scratch)


def claim_page(page: Path | None, output: Path, inputs: Sequence[Path], settings: object = None) -> None:
    """The proof page a command writes beside its result, which is claimed by the pipeline itself.

    Raises
    ------
    WouldTouchOriginal : see `core.files.claim`.
    """
    if page is not None:
        folder = page.parent / f"{page.stem}_files"
        claim_outputs([page], [*inputs, output, output.with_suffix(".json")], settings, scratch=[folder])


def paths_in(settings: object) -> Iterator[Path]:
    """Every path among the settings, those of nested settings too."""
    if isinstance(settings, Path):
        yield settings
    elif is_dataclass(settings) and not isinstance(settings, type):
        for one in fields(settings):
            yield from paths_in(getattr(settings, one.name))
    elif isinstance(settings, tuple | list):
        for item in settings:
            yield from paths_in(item)


def _inside(path: Path) -> list[Path]:
    return [one for one in path.iterdir() if not one.is_dir()] if os.path.isdir(path) else []
