"""I write down what a survey found, so that it can be checked without the program.

In: a `Survey`. Out: plain dicts for `NAME.json` (layout documented in DEVELOPERS.md).
"""

from __future__ import annotations

import importlib.metadata
import platform
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.core.memory import late
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.core.record import VERSION, Record, plain
from stitchbed.imaging.transforms import scale_of, turn_of
from stitchbed.mosaic.compositing.plan import Plan
from stitchbed.mosaic.hints.preparing import flip_of
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.mosaic.registration.bundle_adjustment import misses
from stitchbed.mosaic.registration.placement import Placement, from_sheet, to_sheet
from stitchbed.mosaic.registration.tie_points import residuals_of
from stitchbed.mosaic.survey.survey import Survey
from stitchbed.reading.base.tile import Tile

nx = late("networkx")
spatial = late("scipy.spatial")

SAME_MM = 0.25  # a grain's middle is found within a pixel of a 300 dpi view twice over; specks by chance lie farther
MOST_GRAINS = 500


def grain_rows(plan: Plan) -> list[dict[str, Any]]:
    """One row per grain that was replaced in at least two pieces at the same place of the bed; largest number first.

    x_mm, y_mm : from the piece's top left pixel. size_mm : its diameter. seen_on : pieces. replaced : places on the
    canvas px with the piece shown there. may_show : places where another piece shows this part of the bed and nothing
    was replaced: either the grain is hidden by drawing, or no other piece sees the place.
    """
    if len(plan.spots) < 2:
        return []
    places = _on_bed(plan)
    rows: list[dict[str, Any]] = []
    for group in _groups(places, np.array([spot.seen_in for spot in plan.spots])):
        spots = [plan.spots[n] for n in group]
        middle = places[group].mean(axis=0)
        size = float(np.median([2 * (spot.radius - 1) / _px_per_mm(plan, spot.seen_in) for spot in spots]))
        rows.append({
            "x_mm": round(float(middle[0]), 2), "y_mm": round(float(middle[1]), 2), "size_mm": round(size, 3),
            "seen_on": sorted({plan.places[spot.seen_in].tile for spot in spots}),
            "replaced": [_grain_row(spot.x, spot.y, plan.places[spot.seen_in].tile) for spot in spots],
            "may_show": _left_over(plan, middle, {spot.seen_in for spot in spots}),
        })  # fmt: skip
    rows.sort(key=lambda row: (-len(row["seen_on"]), row["y_mm"], row["x_mm"]))
    return rows[:MOST_GRAINS]


def _px_per_mm(plan: Plan, index: int) -> float:
    """Pixels of one piece per mm of the bed."""
    return plan.canvas.dpi / MM_PER_INCH / scale_of(plan.places[index].sheet_from_tile)


def _on_bed(plan: Plan) -> Array:
    """(N, 2) mm: every speck in the frame of the piece it was seen in."""
    found = np.zeros((len(plan.spots), 2))
    seen_in = np.array([spot.seen_in for spot in plan.spots])
    at = np.array([(spot.x, spot.y) for spot in plan.spots])
    for index in np.unique(seen_in):
        mine = seen_in == index
        found[mine] = from_sheet(plan.places[index], at[mine]) / _px_per_mm(plan, int(index))
    return found


def _groups(places: Array, seen_in: NDArray[np.int64]) -> list[list[int]]:
    """Specks within SAME_MM of each other in different pieces of one bed."""
    together = nx.Graph()
    for a, b in sorted(spatial.cKDTree(places).query_pairs(SAME_MM)):
        if seen_in[a] != seen_in[b]:
            together.add_edge(a, b)
    return [sorted(group) for group in nx.connected_components(together)]


def _left_over(plan: Plan, middle: Array, done: set[int]) -> list[dict[str, Any]]:
    """Where pieces of the same size show that place of the bed and nothing was replaced."""
    sizes = {plan.places[index].size for index in done}
    cell, labels = plan.seams.cell, plan.seams.labels
    found: list[dict[str, Any]] = []
    for index, place in enumerate(plan.places):
        if index in done or place.size not in sizes:
            continue
        x, y = (float(v) for v in to_sheet(place, (middle * _px_per_mm(plan, index))[None])[0])
        row, col = int(y // cell), int(x // cell)
        if 0 <= row < labels.shape[0] and 0 <= col < labels.shape[1] and labels[row, col] == index:
            found.append(_grain_row(x, y, place.tile))
    return found


def _grain_row(x: float, y: float, tile: str) -> dict[str, Any]:
    return {"x": round(x, 1), "y": round(y, 1), "piece": tile}


MOST_RESIDUALS = 3000
LIBRARIES = (
    "numpy",
    "opencv-python-headless",
    "scipy",
    "scikit-image",
    "networkx",
    "tifffile",
    "imagecodecs",
    "Pillow",
)


def survey_record(found: Survey, plan: Plan) -> dict[str, Any]:
    """Everything of a join's record but inputs, canvas and the steps that follow."""
    return {
        "reference": found.layout.reference,
        "placements": _placements(plan, frozenset(one.piece for one in found.context.hints.mirrored)),
        "links": _links(found),
        "residuals": _residuals(found, plan),
        "gains": _gains(plan),
        "bed": _beds(found),
        "accuracy": _accuracy(found),
        "lift": _lift(found),
        "dust": _dust(plan),
        "changes": [asdict(change) for change in found.changes],
        "hints": list(found.effects),
        "seams": {"cell_px": plan.seams.cell, "shape": plan.seams.labels.shape},
        "steps": [_step(r) for r in found.steps],
        "warnings": list(found.warnings),
    }  # fmt: skip


def _step(record: Record) -> dict[str, Any]:
    numbers = plain(record.numbers)
    return {"step": record.step, "seconds": record.seconds, "numbers": numbers, "warnings": record.warnings}


def tile_rows(tiles: Sequence[Tile]) -> list[dict[str, Any]]:
    """One row per original: name, path, hash, size, dpi, channels, bits."""
    return [
        {
            "name": t.name, "path": t.path, "sha256": t.sha256, "height": t.raster.shape[0],
            "width": t.raster.shape[1], "dpi": t.raster.dpi, "channels": t.raster.shape[2], "bits": t.raster.bits,
        }
        for t in tiles
    ]  # fmt: skip


def versions() -> dict[str, str]:
    """Versions of what took part."""
    found = {name: importlib.metadata.version(name) for name in LIBRARIES}
    return {"stitchbed": VERSION, "python": platform.python_version(), **found}


def _placements(plan: Plan, flipped: frozenset[str]) -> list[dict[str, Any]]:
    return [
        {
            "tile": place.tile, "canvas_from_tile": _from_stored(place, tile, flipped).tolist(),
            "sigma_px": round(place.sigma, 4),
            "rotation_deg": round(float(np.degrees(turn_of(place.sheet_from_tile))), 4),
            "scale": round(scale_of(place.sheet_from_tile), 6),
            "warp_max_px": round(float(np.abs(place.warp.shift).max()), 3) if place.warp is not None else 0.0,
        }
        for place, tile in zip(plan.places, plan.tiles, strict=True)
    ]  # fmt: skip


def _from_stored(place: Placement, tile: Tile, flipped: frozenset[str]) -> Array:
    """3x3 to the canvas from the px of the file, which of a mirrored piece run the other way."""
    there = place.sheet_from_tile
    return np.asarray(there @ flip_of(tile), np.float64) if place.tile in flipped else there


def link_rows(layout: Layout) -> dict[tuple[str, str], dict[str, Any]]:
    """One row per pair that was linked or dropped."""
    rows = {(link.a, link.b): _row(link.a, link.b, link.weak, None) for link in layout.links}
    for link, reason in layout.dropped:
        rows[link.a, link.b] = _row(link.a, link.b, link.weak, reason)
    return rows


def _links(found: Survey) -> list[dict[str, Any]]:
    """One row per pair that was linked, measured or dropped, the worst first."""
    rows = link_rows(found.layout)
    if found.ties is not None and found.alignment is not None:
        left = _left(found)
        kept = found.alignment.weight > 0.25
        names = [place.tile for place in found.plan.places]
        pair = found.ties.a * len(names) + found.ties.b
        for key in np.unique(pair[kept]):
            mine = kept & (pair == key)
            a, b = names[int(key) // len(names)], names[int(key) % len(names)]
            row = rows.setdefault((a, b), _row(a, b, False, None))
            rms = float(np.sqrt((left[mine] ** 2).mean()))
            row |= {"points": int(mine.sum()), "rms_px": round(rms, 3), "worst_px": round(float(left[mine].max()), 3)}
            row["weak"] = row["weak"] or bool(mine.sum() < 4)
    return sorted(rows.values(), key=lambda row: (-(row["rms_px"] or 0), row["a"], row["b"]))


def _row(a: str, b: str, weak: bool, reason: str | None) -> dict[str, Any]:
    return {
        "a": a, "b": b, "points": 0, "rms_px": None, "worst_px": None,
        "weak": weak, "dropped": reason is not None, "reason": reason,
    }  # fmt: skip


def _left(found: Survey) -> NDArray[np.float64]:
    if found.ties is None:
        return np.zeros(0)
    return misses(found.plan.places, found.ties)


def _residuals(found: Survey, plan: Plan) -> list[dict[str, Any]]:
    """What is left at the ties the robust loss kept, thinned evenly to MOST_RESIDUALS."""
    if found.ties is None or found.alignment is None:
        return []
    kept = np.flatnonzero(found.alignment.weight > 0.25)
    kept = kept[:: max(1, -(-len(kept) // MOST_RESIDUALS))]
    left = residuals_of(plan.places, found.ties)
    rows = []
    for n in kept:
        a, b = int(found.ties.a[n]), int(found.ties.b[n])
        x, y = to_sheet(plan.places[a], found.ties.xy_a[n][None])[0]
        dx, dy = left[n]
        where = {"x": round(float(x), 1), "y": round(float(y), 1), "dx": round(float(dx), 3), "dy": round(float(dy), 3)}
        rows.append({**where, "a": plan.places[a].tile, "b": plan.places[b].tile})
    return rows


def _gains(plan: Plan) -> list[dict[str, Any]]:
    return [
        {
            "tile": level.tile, "gain": np.round(level.gain, 5).tolist(), "offset": np.round(level.offset, 6).tolist(),
            "curve": np.round(np.broadcast_to(level.curve, level.gain.shape), 4).tolist(),
            "shading_range": [round(float(level.shading.min()), 5), round(float(level.shading.max()), 5)],
        }
        for level in plan.levels
    ]  # fmt: skip


def _beds(found: Survey) -> dict[str, Any]:
    """The bed most tiles share (others under "more")."""
    if found.alignment is None or not found.alignment.beds:
        return {}
    beds = [
        {
            "axis_ratio": round(bed.axis_ratio, 6), "shear_rad": round(bed.shear_rad, 6),
            "travel_mm": np.round(bed.travel_mm, 2), "offset_x_mm": np.round(bed.offset_x_mm, 5),
            "offset_y_mm": np.round(bed.offset_y_mm, 5), "observed": np.round(bed.observed, 3),
            "observed_names": ["axis_ratio", "shear", "offset_x", "offset_y"],
        }
        for _, bed in sorted(found.alignment.beds.items())
    ]  # fmt: skip
    return plain({**beds[0], "more": beds[1:]})


def _accuracy(found: Survey) -> dict[str, Any]:
    """Agreement of neighbors, and bounds that 95 % of the places keep in 95 of 100 cases, a turn and a size of the
    whole apart."""
    numbers = next(step.numbers for step in found.steps if step.step == "measure")
    names = ("rms_px", "p99_px", "error_px", "error_mm", "error_px_axes_known", "local_px", "travel_seen")
    surely = {"placed_surely": bool(numbers.get("placed_surely", True))} if "error_px" in numbers else {}
    return plain({name: numbers[name] for name in names if name in numbers} | surely)


def _lift(found: Survey) -> list[dict[str, Any]]:
    """Centers of lifted cells, thinned, with the tile's largest loss of light."""
    rows = []
    for lift in found.lifts:
        row, col = np.nonzero(lift.mask) if lift.any else (np.zeros(0, int), np.zeros(0, int))
        step = max(1, len(row) // 200)
        for r, c in zip(row[::step], col[::step], strict=True):
            rows.append({
                "tile": lift.tile, "x": round((c + 0.5) * lift.cell, 1), "y": round((r + 0.5) * lift.cell, 1),
                "depth": round(lift.loss, 4),
            })  # fmt: skip
    return plain(rows)


def _dust(plan: Plan) -> dict[str, Any]:
    spots = [
        {"x": round(s.x, 1), "y": round(s.y, 1), "radius_px": round(s.radius, 2), "from": plan.places[s.clean_in].tile}
        for s in plan.spots
    ]
    return {"replaced": len(spots), "spots": spots[:5000], "grains": grain_rows(plan)}
