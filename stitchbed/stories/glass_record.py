"""I tell which of the replaced specks are grains on the glass: they keep their place on the bed from piece to piece.

In: a plan with its specks. Out: rows for the record: place on the bed in mm, size, pieces, places on the canvas.
"""

from __future__ import annotations

from typing import Any

import networkx as nx
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from stitchbed.core.arrays import Array
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.transforms import scale_of
from stitchbed.mosaic.compositing.plan import Plan
from stitchbed.mosaic.registration.placement import from_sheet, to_sheet

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
            "replaced": [_row(spot.x, spot.y, plan.places[spot.seen_in].tile) for spot in spots],
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
    for a, b in sorted(cKDTree(places).query_pairs(SAME_MM)):
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
            found.append(_row(x, y, place.tile))
    return found


def _row(x: float, y: float, tile: str) -> dict[str, Any]:
    return {"x": round(x, 1), "y": round(y, 1), "piece": tile}
