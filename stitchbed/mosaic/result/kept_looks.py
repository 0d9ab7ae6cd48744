"""I keep what a survey saw of each piece and each pair, so that the next one looks only at what is new.

In: a context and a folder. Out: what was looked at, taken up where it is whole and of the very same picture.

One file for each piece, named by its mark: picture, dpi, flipped or not, settings; one for all pairs, each under both
marks. What does not verify is looked at anew.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from stitchbed.core.files import cannot_write
from stitchbed.core.kept import keep, kept_bytes
from stitchbed.core.record import VERSION, fingerprint
from stitchbed.matching.similarity_links import Link, NoLink
from stitchbed.mosaic.result.plan_file import NOT_OURS
from stitchbed.mosaic.result.trees import flat, grown
from stitchbed.mosaic.survey.context import SurveyContext
from stitchbed.mosaic.survey.preview import Preview
from stitchbed.mosaic.survey.survey import Looked, look

PAIRS = "pairs.look"


def looks_are_kept(folder: Path) -> bool:
    """Whether an earlier survey left something to take up."""
    return any(folder.glob("*.look"))


def look_again(context: SurveyContext, folder: Path) -> Looked:
    """`look`, with what `folder` holds of it, which then holds all of it.

    Raises
    ------
    CannotWrite : no room, no folder.
    """
    marks = look_marks(context)
    names = [tile.name for tile in context.tiles]
    known = {i: one for i, mark in enumerate(marks) if (one := _kept_preview(folder, mark)) is not None}
    pairs = _kept_pairs(folder, dict(zip(names, marks, strict=True)))
    looked = look(context, known, pairs)
    try:
        for i, (mark, preview) in enumerate(zip(marks, looked.previews, strict=True)):
            if i not in known:
                _keep(folder / f"{mark[:24]}.look", {"holds": "look", "mark": mark}, flat(preview, "look"))
        if context.recorded is None:
            _keep_pairs(folder, dict(zip(names, marks, strict=True)), (*looked.links, *looked.no_links))
    except OSError as error:
        raise cannot_write(folder, error) from error
    return looked


def look_marks(context: SurveyContext) -> list[str]:
    """What a look at each piece depends on, as one word."""
    flipped = {one.piece for one in context.hints.mirrored}
    wishes = context.settings
    settings = (wishes.preview, wishes.features, wishes.specks, wishes.evidence, wishes.links, wishes.belief)
    icc = "" if context.kind.icc is None else context.kind.icc.hex()
    return [
        fingerprint(VERSION, tile.name, tile.sha256, float(dpi), tile.name in flipped, settings, icc)
        for tile, dpi in zip(context.tiles, context.dpi, strict=True)
    ]


def _keep(path: Path, head: Mapping[str, Any], arrays: Mapping[str, Any]) -> None:
    content = io.BytesIO()
    np.savez(content, **arrays)
    keep(path, head, [content.getvalue()], lasting=False)


def _kept_preview(folder: Path, mark: str) -> Preview | None:
    found = kept_bytes(folder / f"{mark[:24]}.look", {"holds": "look", "mark": mark})
    if found is None:
        return None
    with suppress(*NOT_OURS), np.load(io.BytesIO(found[1])) as arrays:
        preview: Preview = grown(Preview, dict(arrays), "look")
        return preview
    return None


def _keep_pairs(folder: Path, marks: Mapping[str, str], results: Sequence[Link | NoLink]) -> None:
    rows = [f"{marks[one.a]} {marks[one.b]} {isinstance(one, Link)}" for one in results]
    arrays = {key: array for k, one in enumerate(results) for key, array in flat(one, str(k)).items()}
    _keep(folder / PAIRS, {"holds": "pairs", "rows": rows}, arrays)


def _kept_pairs(folder: Path, marks: Mapping[str, str]) -> dict[tuple[str, str], Link | NoLink]:
    found = kept_bytes(folder / PAIRS, {"holds": "pairs"})
    known: dict[tuple[str, str], Link | NoLink] = {}
    if found is None:
        return known
    here = set(marks.values())
    with suppress(*NOT_OURS), np.load(io.BytesIO(found[1])) as packed:
        arrays = dict(packed)
        for k, row in enumerate(found[0]["rows"]):
            one, two, linked = row.split()
            if {one, two} <= here:
                item: Link | NoLink = grown(Link if linked == "True" else NoLink, arrays, str(k))
                known[item.a, item.b] = item
    return known
