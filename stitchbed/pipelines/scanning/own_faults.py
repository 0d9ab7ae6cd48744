"""I tell which pieces of a join are to be scanned again for what each of them is by itself, as `check` does.

In: pieces; how a join levels them. Out: words. No overlap tells of it in a single piece, or in all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.imaging.transforms import between
from stitchbed.inspection.checks.pieces import (
    WHITE_SHARE,
    clipped_finding,
    cut_off_finding,
    few_tones_finding,
    noise_finding,
    streak_finding,
)
from stitchbed.inspection.checks.sets import light_findings, unusual
from stitchbed.inspection.findings import Finding
from stitchbed.inspection.looks import Glance, glance_at, view_reduction
from stitchbed.inspection.sensor.bands import Banded, banded
from stitchbed.inspection.sensor.drawn_lines import is_drawn
from stitchbed.mosaic.photometry.gain_compensation import Level, leveled
from stitchbed.mosaic.survey.context import SurveyContext
from stitchbed.reading.base.tile import Tile

# of the px round strokes alone: scans whose black was cut off had 4 to 10 %, ink that is black in places 1 %
BLACK_DRAWN = 0.02
PAPER = 0.6  # linear light by which gains, offsets and curves of pieces are compared


def seen_alone(context: SurveyContext) -> list[Banded]:
    """What each piece shows by itself."""
    with ThreadPoolExecutor(context.workers) as pool:
        return list(pool.map(partial(_banded, context), context.tiles))


def own_faults(context: SurveyContext, seen: Sequence[Banded], placed: Mapping[str, Array]) -> list[str]:
    """What the sensor or the driver did to pieces, in words. seen : see `seen_alone`. placed : name -> sheet_from_tile
    of those that lie on the sheet: what their neighbors show too is drawn.
    """
    every = [one.noise for one in seen if one.noise is not None]
    named = [(tile, _undrawn(context, tile, one, placed)) for tile, one in zip(context.tiles, seen, strict=True)]
    return together([(tile.name, finding) for tile, one in named for finding in _findings(one, every)])


def unlike_most(tiles: Sequence[Tile], seen: Sequence[Banded]) -> frozenset[str]:
    """Names of pieces beside which a good one may look soft, as `check` tells them by whole looks. seen : per tile."""
    marks = []
    every = [one.noise for one in seen if one.noise is not None]
    for tile, one in zip(tiles, seen, strict=True):
        ends = tuple(share > least for _, share, least in _ends(one))
        noisy = one.noise is not None and noise_finding(one.noise, every) is not None
        marks.append((*ends, one.tones is not None, bool(one.columns), tile.raster.shape[2], noisy))
    return frozenset(tiles[index].name for index in unusual(marks))


def together(found: Sequence[tuple[str, Finding]], apart: int = 1) -> list[str]:
    """Findings of pieces as warnings; where more than `apart` have one fault, one for all, of the worst."""
    faults = dict.fromkeys((finding.fault, finding.change) for _, finding in found)
    words = []
    for fault in faults:
        alike = [(name, finding) for name, finding in found if (finding.fault, finding.change) == fault]
        if len(alike) <= apart:
            words += [said(name, finding) for name, finding in alike]
            continue
        worst = max((finding for _, finding in alike), key=_measure)
        names = ", ".join(name for name, _ in alike)
        words.append(said(names, replace(worst, why=f"in the worst of them {worst.why}")))
    return words


def _measure(finding: Finding) -> float:
    """How much of its fault a piece has, by the first number that tells."""
    return next((float(n) for n in finding.numbers.values() if isinstance(n, int | float)), 0.0)


def light_faults(tiles: Sequence[Tile], levels: Sequence[Level]) -> list[str]:
    """Pieces so much darker or lighter than the others that leveling them costs something, in words."""
    paper = np.array([PAPER])
    logs = np.array([np.log(paper) - np.log(leveled(level, paper, np.zeros(1))) for level in levels])
    found = light_findings(logs - np.median(logs, axis=0))
    return [said(tiles[index].name, finding) for index, finding in found if finding.level == "redo"]


def said(name: str, finding: Finding) -> str:
    """A finding of a piece as a warning."""
    return f"{name}: {finding.why}; {finding.change}"


def glance(context: SurveyContext, tile: Tile) -> Glance:
    """What a piece is compared by."""
    shape = tile.raster.shape[0], tile.raster.shape[1]
    return glance_at(context.shelf.view(tile, view_reduction(shape)), shape, context.kind.transfer)


def _undrawn(context: SurveyContext, tile: Tile, seen: Banded, placed: Mapping[str, Array]) -> Banded:
    """The same without columns that others show at the same place of the sheet."""
    if not seen.columns or tile.name not in placed:
        return seen
    own, known = glance(context, tile), [one for one in context.tiles if one.name in placed and one != tile]
    others = [(glance(context, one), between(placed[tile.name], placed[one.name])) for one in known]
    kept = [column for column in seen.columns if not is_drawn(own, 1, column // own.reduction, others)]
    return replace(seen, columns=tuple(kept))


def _banded(context: SurveyContext, tile: Tile) -> Banded:
    return banded(partial(context.shelf.window, tile), tile.raster.shape, tile.raster.bits)


def _findings(seen: Banded, every: Sequence[float]) -> list[Finding]:
    """Of a piece, in a set where the noise is so in `every` one."""
    noisy = None if seen.noise is None else noise_finding(seen.noise, every)
    return [
        *([streak_finding("column", seen.columns)] if seen.columns else []),
        *([few_tones_finding(seen.tones)] if seen.tones else []),
        *([cut_off_finding(*seen.ended)] if seen.ended else []),
        *(clipped_finding(end, share) for end, share, least in _ends(seen) if share > least),
        *([noisy] if noisy and noisy.level == "redo" else []),
    ]


def _ends(seen: Banded) -> tuple[tuple[str, float, float], ...]:
    """(end, share cut off there, share from which on it is told)."""
    return ("white", seen.white, WHITE_SHARE), ("black", seen.black, BLACK_DRAWN)
