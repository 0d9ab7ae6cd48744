"""I lay pieces out as an earlier record says, and let the pictures correct it by some millimeters.

In: the record of a join, tiles. Out: where it says each tile lies; links of all pairs that lie on each other so.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from itertools import combinations
from pathlib import Path, PurePath
from typing import Any

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.errors import BadSettings
from stitchbed.imaging.transforms import between, moved
from stitchbed.matching.overlap_evidence import aligned, probability
from stitchbed.matching.similarity_links import Link
from stitchbed.matching.sliding import SlidingSettings, slid_near
from stitchbed.mosaic.hints.preparing import flip_of
from stitchbed.mosaic.linking.link_graph import corners
from stitchbed.mosaic.survey.context import Recorded, SurveyContext
from stitchbed.mosaic.survey.implied_overlaps import LEAST_SHARE, shared
from stitchbed.mosaic.survey.preview import Preview
from stitchbed.reading.base.tile import Tile

MOVED_MM, TURNED_DEGREES = 15.0, 2.5  # how far a sheet lies off when it is laid down again by hand
BELIEVED = 0.5  # probability from which the pictures are asked how far
AS_RECORDED = 0.8  # that the record is right about two pieces whose pictures tell nothing
LOOSE_MM = 3.0  # how far the record may then be off


def recorded_places(path: Path, tiles: Sequence[Tile], flipped: frozenset[str]) -> Recorded:
    """Where a record says that tiles lie; flipped : those that are shown flipped.

    Pieces go by name, else by name without ending, else, where there are as many, by their order.

    Raises
    ------
    BadSettings : no record of a join, or one of other pieces.
    """
    record = _record(path)
    rows = {row["tile"]: np.array(row["canvas_from_tile"], np.float64) for row in record["placements"]}
    sizes = {row["name"]: row for row in record["inputs"]}
    names = _paired([tile.name for tile in tiles], list(rows))
    missing = [tile.name for tile in tiles if tile.name not in names]
    if missing:
        raise BadSettings(
            f"{path.name} does not say where {', '.join(missing)} lies",
            expected="a record of the same pieces, by name or in the same number",
            attempt="the same names, or leaving the new pieces out (--leave-out)",
        )
    places = {}
    for tile in tiles:
        old = sizes.get(names[tile.name])
        there = rows[names[tile.name]] @ _old_from_new(tile, old)
        there = there @ np.linalg.inv(flip_of(tile)) if tile.name in flipped else there
        if np.linalg.det(there[:2, :2]) < 0:
            raise BadSettings(
                f"{tile.name}, which {path.name} holds mirrored",
                expected="the hint again",
                attempt=f"--mirrored {tile.name}",
            )
        places[tile.name] = np.asarray(there, np.float64)
    return Recorded(places, float(record["canvas"]["dpi"]))


def recorded_links(context: SurveyContext, previews: Sequence[Preview]) -> list[Link]:
    """Links of all pairs that the record lays on each other: as the pictures show, else as the record says."""
    if context.recorded is None:
        raise ValueError("no record")
    places, by_name = context.recorded.places, {one.keypoints.tile: one for one in previews}
    sizes = {tile.name: tile.raster.shape[:2] for tile in context.tiles}
    apart = {frozenset((one.a, one.b)) for one in context.hints.apart}
    links = []
    for a, b in combinations([tile.name for tile in context.tiles], 2):
        if frozenset((a, b)) not in apart and shared(places, sizes, a, b) > LEAST_SHARE:
            links.append(_link(context, (by_name[a], by_name[b]), sizes[a]))
    return links


def _link(context: SurveyContext, pair: tuple[Preview, Preview], size: tuple[int, int]) -> Link:
    names = (pair[0].keypoints.tile, pair[1].keypoints.tile)
    recorded, evidence = context.recorded, context.settings.evidence
    if recorded is None:
        raise ValueError("no record")
    guess = between(recorded.places[names[0]], recorded.places[names[1]])
    details = (pair[0].detail, pair[1].detail)
    motion, seen = aligned(guess, details, evidence)
    chance = probability(seen, evidence)
    if chance < BELIEVED:
        near = slid_near(details, guess, MOVED_MM, SlidingSettings(), tilt_degrees=TURNED_DEGREES)
        tried = [aligned(one, details, evidence) for one in near]
        motion, seen = max(tried, key=lambda one: probability(one[1], evidence), default=(motion, seen))
        chance = probability(seen, evidence)
    if chance >= BELIEVED and (seen.likeness > BELIEVED).sum() > 1:
        at = seen.middle[seen.likeness > BELIEVED]
        return Link(*names, motion, at, moved(motion, at), 1.0, seen.score, 0.0, False, max(chance, AS_RECORDED))
    at = corners(size)
    alike = max(seen.score, 0.01)
    return Link(*names, guess, at, moved(guess, at), 1.0, alike, 0.0, True, AS_RECORDED, loose_mm=LOOSE_MM)


def _record(path: Path) -> dict[str, Any]:
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        rows = [(row["tile"], np.array(row["canvas_from_tile"], float).shape) for row in record["placements"]]
        good = record["command"] == "join" and rows and all(shape == (3, 3) for _, shape in rows)
        float(record["canvas"]["dpi"]), [row["name"] for row in record["inputs"]]
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise _no_record(path, f" ({error})" if isinstance(error, OSError) else "") from error
    if not good:
        raise _no_record(path, "")
    found: dict[str, Any] = record
    return found


def _no_record(path: Path, why: str) -> BadSettings:
    return BadSettings(
        f"{path}, which is no record of a join{why}",
        expected="the .json that lies beside a canvas or a layout",
        attempt="--from-record canvas.json",
    )


def _paired(new: Sequence[str], old: Sequence[str]) -> dict[str, str]:
    """Name of a tile -> name in the record."""
    stems = {PurePath(name).stem: name for name in old}
    found = {name: name if name in old else stems.get(PurePath(name).stem, "") for name in new}
    if all(found.values()):
        return found
    if not any(found.values()) and len(new) == len(old):
        return dict(zip(new, old, strict=True))
    return {name: other for name, other in found.items() if other}


def _old_from_new(tile: Tile, old: Mapping[str, Any] | None) -> Array:
    """3x3 from px of a tile to px of the piece in the record, where both say their dpi."""
    if old is None or not old.get("dpi") or not tile.raster.dpi:
        return np.eye(3)
    ratio = float(np.mean(old["dpi"])) / float(np.mean(tile.raster.dpi))
    return np.array([[ratio, 0, (ratio - 1) / 2], [0, ratio, (ratio - 1) / 2], [0, 0, 1]])
