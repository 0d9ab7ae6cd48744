"""I look at captures before joining and say what to redo and why.

In: paths of scans of one sheet. Out: a record with findings per piece and for the set, a verdict for each, and the
text.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import combinations
from typing import Any

import numpy as np

from stitchbed.core.arrays import Array, Pixels
from stitchbed.core.errors import UnreadableTile
from stitchbed.core.memory import workers_within
from stitchbed.core.progress import Cancel, Progress, never, silent, watched
from stitchbed.core.record import plain
from stitchbed.imaging.box import Box
from stitchbed.imaging.transfer import Transfer, transfer_of
from stitchbed.imaging.transforms import between
from stitchbed.inspection.checks.lying import SAME_SHARE
from stitchbed.inspection.checks.verdicts import judged
from stitchbed.inspection.differences import difference_of
from stitchbed.inspection.findings import Evidence, believed_dpi, usual_profile
from stitchbed.inspection.glass import Grain, grains
from stitchbed.inspection.looks import Look, look_at
from stitchbed.inspection.overlaps import compare
from stitchbed.inspection.patches import course_of
from stitchbed.inspection.smears import Smear, smear_shown, usual_sized
from stitchbed.matching.features import detect
from stitchbed.matching.pairs import PairSettings, choose
from stitchbed.matching.similarity_links import Link, sight_of
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.mosaic.survey.implied_overlaps import shared
from stitchbed.mosaic.survey.judgment import BeliefSettings, PieceView
from stitchbed.pipelines.contract.inputs import Inputs, paths_of
from stitchbed.pipelines.contract.records import CheckRecord
from stitchbed.pipelines.scanning.laying import laid_as_joined
from stitchbed.pipelines.scanning.lone_pieces import SURE, held_by_mirrored, thinly_held
from stitchbed.pipelines.scanning.seen import FEATURES, SIGHT_SIDE, Seen, link_between
from stitchbed.pipelines.scanning.softness import sharper_of_pairs
from stitchbed.reading.base.faults import shown
from stitchbed.reading.base.tile import Tile
from stitchbed.reading.formats import format_of, open_windows
from stitchbed.reading.intake import take_what_can

LEAST_SIDE = 160  # px; smaller pictures hold no window that could be judged
WORKER_BYTES = 160 * 2**20  # one thread's share: the windows of a piece and its points, measured
IMPLIED_SHARE = 0.1  # of a piece: neighbors side by side, not those that touch at a corner
SCALES = (1.0, 2.0, 0.5, 1.5, 1 / 1.5)  # tried where dpi seems to be wrong
OTHER_SCALES = replace(SURE, other_scale=0.0)


@dataclass(frozen=True)
class Kept:
    """What earlier checks saw, for whoever checks again when a piece has come: by name, sha256 and profile of a piece,
    and by two such pieces and the scale of dpi between them.
    """

    seen: dict[Any, Seen] = field(default_factory=dict)
    links: dict[Any, Link | None] = field(default_factory=dict)


@dataclass(frozen=True)
class CheckSettings:
    """memory : bytes to work in. workers : threads."""

    memory: int = 2**30
    workers: int = 2


def _nobody(told: dict[str, Any]) -> None:
    """Tell nobody."""


def check(
    inputs: Inputs,
    output: None = None,
    settings: CheckSettings | None = None,
    *,
    progress: Progress = silent,
    cancel: Cancel = never,
) -> CheckRecord:
    """Findings on all pieces; nothing is written.

    Raises
    ------
    UnreadableTile : no picture can be read, or one is too small to judge.
    """
    return check_again(inputs, Kept(), settings, progress=progress, cancel=cancel)


def check_again(
    inputs: Inputs,
    kept: Kept,
    settings: CheckSettings | None = None,
    *,
    progress: Progress = silent,
    cancel: Cancel = never,
    laid: Callable[[dict[str, Any]], None] = _nobody,
) -> CheckRecord:
    """As `check`, but only what `kept` does not know is looked at; it then knows more.

    laid : is told names, paths and places of the pieces as soon as they are known, well before all is judged.

    Raises
    ------
    UnreadableTile : as `check`.
    """
    begun = time.perf_counter()
    settings, progress = settings or CheckSettings(), watched(progress, cancel)
    workers = workers_within(settings.workers, settings.memory, WORKER_BYTES)
    tiles, warnings, faults = take_what_can(paths_of(inputs), memory=settings.memory)
    profile = usual_profile(tiles)
    once = partial(_seen_once, profile=profile, transfer=transfer_of(profile), kept=kept, memory=settings.memory)
    with ThreadPoolExecutor(workers) as pool:
        seen = []
        for index, one in enumerate(pool.map(once, tiles), start=1):
            seen.append(one)
            progress("look", index, len(tiles))
        progress("compare", 0, 1)
        views = list(pool.map(Seen.at, seen, believed_dpi(tiles)))
        links = _links(tiles, views, pool, kept)
        progress("compare", 1, 1)
        looks = [one.look for one in seen]
        layouts, mirrored = laid_as_joined(
            tiles, views, links, profile=profile, memory=settings.memory, workers=workers
        )
        named = [{"name": tile.name, "path": tile.path} for tile in tiles]
        laid(dict(plain({"pieces": named, "placements": _placements(tiles, layouts)})))
        evidence = _evidence(tiles, looks, layouts, settings.memory, pool)
        beside = held_by_mirrored(tiles, looks, views, (evidence.layouts, mirrored), pool)
        thin = thinly_held(tiles, looks, evidence.layouts, mirrored | beside.keys(), pool)
        evidence = replace(evidence, mirrored=mirrored, beside_mirrored=beside, thin=thin)
    record = {
        "command": "check",
        **judged(evidence, faults),
        "placements": _placements(tiles, evidence.layouts),
        "warnings": warnings,
        "seconds": round(time.perf_counter() - begun, 2),
    }
    told: CheckRecord = plain(record)
    return told


def _seen_once(tile: Tile, profile: bytes | None, transfer: Transfer, kept: Kept, memory: int) -> Seen:
    mark = tile.name, tile.sha256, profile
    if mark not in kept.seen:
        kept.seen[mark] = _see(tile, transfer, memory)
    return kept.seen[mark]


def _placements(tiles: Sequence[Tile], layouts: Sequence[Layout]) -> list[dict[str, Any]]:
    """Where each piece lies by what was seen of it: rough, and one sheet for each island."""
    dpi = dict(zip((tile.name for tile in tiles), believed_dpi(tiles), strict=True))
    return [
        {
            "tile": tile.name, "island": number, "sheet_from_tile": layout.sheet_from_tile[tile.name],
            "width": tile.raster.shape[1], "height": tile.raster.shape[0], "dpi": dpi[tile.name],
        }
        for number, layout in enumerate(layouts)
        for tile in tiles
        if tile.name in layout.sheet_from_tile
    ]  # fmt: skip


def _see(tile: Tile, transfer: Transfer, memory: int) -> Seen:
    rows, cols, _ = tile.raster.shape
    if min(rows, cols) < LEAST_SIDE:
        raise UnreadableTile(
            f"{shown(tile.path)} is only {cols} x {rows} px",
            expected=f"scans of at least {LEAST_SIDE} px a side",
            attempt="check the scanner's resolution, or leave the file out",
        )
    with open_windows(tile.path, memory=memory) as windows:
        look = look_at(windows, transfer)
    gray = look.gray.astype(np.float32)
    points = detect(tile.name, look.gray[..., None], look.reduction, FEATURES)
    return Seen(look, points, sight_of(gray, look.reduction, SIGHT_SIDE))


def _links(tiles: Sequence[Tile], views: Sequence[PieceView], pool: ThreadPoolExecutor, kept: Kept) -> list[Link]:
    """Links at the scale dpi says; for pieces that stay alone, at other scales too."""
    if len(tiles) < 2:
        return []
    dpi = believed_dpi(tiles)
    pairs = choose([view.keypoints for view in views], PairSettings())

    def once(pair: tuple[int, int], scales: Sequence[float], belief: BeliefSettings) -> Link | None:
        mark = *((tiles[index].name, tiles[index].sha256, dpi[index]) for index in pair), tuple(scales)
        if mark not in kept.links:
            kept.links[mark] = link_between((views[pair[0]], views[pair[1]]), scales, belief)
        return kept.links[mark]

    found = list(pool.map(lambda pair: once(pair, (dpi[pair[1]] / dpi[pair[0]],), BeliefSettings()), pairs))
    linked = {index for pair, got in zip(pairs, found, strict=True) if got for index in pair}
    alone = [index for index in range(len(tiles)) if index not in linked]
    again = [pair for pair in pairs if set(pair) & set(alone)]
    found += list(pool.map(lambda pair: once(pair, SCALES, OTHER_SCALES), again))
    return [item for item in found if item is not None]


def _evidence(
    tiles: Sequence[Tile], looks: Sequence[Look], layouts: Sequence[Layout], memory: int, pool: ThreadPoolExecutor
) -> Evidence:
    """Everything the judge is told; pairs are looked at side by side, and told in their order."""
    index = {tile.name: number for number, tile in enumerate(tiles)}
    kept = [item for layout in layouts for item in layout.links]
    pairs = [(index[item.a], index[item.b]) for item in kept]
    motions = [item.b_from_a for item in kept]
    comparisons = tuple(pool.map(lambda pair, motion: compare(looks, pair, motion), pairs, motions))

    def read(end: int, boxes: Sequence[Box]) -> list[Pixels]:
        with open_windows(tiles[end].path, memory=memory) as windows:
            return [windows.window(box) for box in boxes]

    linked = list(zip(pairs, motions, strict=True))
    beside = {end for pair, seen in zip(pairs, comparisons, strict=True) if seen.shared > IMPLIED_SHARE for end in pair}
    broad = [
        item
        for item, seen in zip(linked, comparisons, strict=True)
        if seen.shared > IMPLIED_SHARE or not beside >= set(item[0])  # a corner shows too little to tell who is sharper
    ]
    sharpness = sharper_of_pairs(looks, [look.noise for look in looks], broad, read, pool)
    dpi = believed_dpi(tiles)
    followed = linked + _implied(tiles, layouts[0], frozenset(pairs))
    courses = tuple(pool.map(lambda at: course_of(looks, at[0], at[1], dpi[at[0][1]] / dpi[at[0][0]]), followed))
    differences = pool.map(lambda pair, motion: difference_of(looks, pair, motion), pairs, motions)
    again = {pair[1] for pair, seen in zip(pairs, comparisons, strict=True) if seen.shared > SAME_SHARE}
    specks, patch = _on_glass([look for number, look in enumerate(looks) if number not in again])
    return Evidence(
        tuple(tiles),
        tuple(format_of(tile.path) for tile in tiles),
        tuple(looks),
        layouts,
        comparisons,
        sharpness,
        specks,
        courses=courses,
        differences=tuple(item for item in differences if item is not None),
        smear=patch,
    )


def _implied(
    tiles: Sequence[Tile], layout: Layout, linked: frozenset[tuple[int, int]]
) -> list[tuple[tuple[int, int], Array]]:
    """Pairs without a link of their own that lie on each other by a layout, b_from_a: what parts them may be told."""
    sizes = {tile.name: (tile.raster.shape[0], tile.raster.shape[1]) for tile in tiles}
    places = layout.sheet_from_tile
    found = []
    for (a, one), (b, other) in combinations(enumerate(tiles), 2):
        if (a, b) in linked or (b, a) in linked or not {one.name, other.name} <= places.keys():
            continue
        if shared(places, sizes, one.name, other.name) > IMPLIED_SHARE:
            found.append(((a, b), between(places[one.name], places[other.name])))
    return found


def _on_glass(looks: Sequence[Look]) -> tuple[tuple[Grain, ...], Smear | None]:
    """Grains and a smear among the pieces that have the usual size in px, in full-resolution px."""
    alike = usual_sized(looks)
    found = grains([look.gray.astype(np.float32) for look in alike])
    r = alike[0].reduction
    specks = tuple(Grain((g.x + 0.5) * r, (g.y + 0.5) * r, g.area * r * r, g.depth, g.seen) for g in found)
    return specks, smear_shown(alike)
