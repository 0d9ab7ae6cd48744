"""I tell which pieces of a join are to be scanned again for what each of them is by itself, as `check` does.

In: pieces; how a join levels them. Out: words. No overlap tells of it in a single piece, or in all.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial

import numpy as np

from stitchbed.inspection.findings import Finding
from stitchbed.inspection.piece_checks import (
    BLACK_SHARE,
    WHITE_SHARE,
    clipped_finding,
    cut_off_finding,
    few_tones_finding,
    noise_finding,
    streak_finding,
)
from stitchbed.inspection.sensor import Banded, banded
from stitchbed.inspection.set_checks import light_findings
from stitchbed.mosaic.photometry.gain_compensation import Level, leveled
from stitchbed.mosaic.survey.context import SurveyContext
from stitchbed.reading.base.tile import Tile

PAPER = 0.6  # linear light by which gains, offsets and curves of pieces are compared


def own_faults(context: SurveyContext) -> list[str]:
    """What the sensor or the driver did to pieces, in words."""
    with ThreadPoolExecutor(context.workers) as pool:
        seen = list(pool.map(partial(_banded, context), context.tiles))
    every = [one.noise for one in seen if one.noise is not None]
    pairs = zip(context.tiles, seen, strict=True)
    return [said(tile.name, finding) for tile, one in pairs for finding in _findings(one, every)]


def light_faults(tiles: Sequence[Tile], levels: Sequence[Level]) -> list[str]:
    """Pieces so much darker or lighter than the others that leveling them costs something, in words."""
    paper = np.array([PAPER])
    logs = np.array([np.log(paper) - np.log(leveled(level, paper, np.zeros(1))) for level in levels])
    found = light_findings(logs - np.median(logs, axis=0))
    return [said(tiles[index].name, finding) for index, finding in found if finding.level == "redo"]


def said(name: str, finding: Finding) -> str:
    """A finding of a piece as a warning."""
    return f"{name}: {finding.why}; {finding.change}"


def _banded(context: SurveyContext, tile: Tile) -> Banded:
    return banded(partial(context.shelf.window, tile), tile.raster.shape, tile.raster.bits)


def _findings(seen: Banded, every: Sequence[float]) -> list[Finding]:
    """Of a piece, in a set where the noise is so in `every` one."""
    noisy = None if seen.noise is None else noise_finding(seen.noise, every)
    ends = (("white", seen.white, WHITE_SHARE), ("black", seen.black, BLACK_SHARE))
    return [
        *([streak_finding("column", seen.columns)] if seen.columns else []),
        *([few_tones_finding(seen.tones)] if seen.tones else []),
        *([cut_off_finding(*seen.ended)] if seen.ended else []),
        *(clipped_finding(end, share) for end, share, least in ends if share > least),
        *([noisy] if noisy and noisy.level == "redo" else []),
    ]
