"""I tell how far a canvas may be off for sheets that moved while they were scanned.

In: what each sheet did in a scan, and where the pieces lie. Out: px.

What was scanned after a turn lies turned on the sheet, and all that hangs on it alone does too. What other pieces hold
as well is held by them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.memory import late
from stitchbed.inspection.checks.moved import Moved
from stitchbed.mosaic.registration.placement import Placement, from_sheet, to_sheet
from stitchbed.mosaic.registration.uncertainty import shown_places, without_whole

nx = late("networkx")

SHARE = 0.95  # of the places lie below the figure told
SLIPPED = 2.0  # times what is seen across: half of all directions have more than once that along, one in four 2.4 times


def error_of(moved: Sequence[Moved], places: Sequence[Placement], pairs: Sequence[tuple[int, int]]) -> float:
    """Px of the sheet that most places are off by at most, a turn and a size of the whole apart. pairs : of pieces
    that lie on each other."""
    index, points = shown_places(places)
    sheet = np.concatenate([to_sheet(places[i], xy[None]) for i, xy in zip(index, points, strict=True)])
    seen, unseen = np.zeros_like(sheet), np.zeros_like(sheet)
    for one in moved:
        beyond = np.isin(index, list(_beyond(one, places, pairs))) | ((index == one.index) & (points[:, 1] > one.row))
        seen[beyond] += _moves(one, places[one.index], sheet[beyond])
        unseen[beyond] += _unseen(one, places[one.index])
    even = np.ones(len(sheet))
    shown, hidden = (without_whole(off.T.reshape(-1, 1), sheet, even) for off in (seen, unseen))
    return float(np.hypot(np.quantile(shown, SHARE), np.quantile(hidden, SHARE)))


def with_error(told: Mapping[str, Any], off_px: float) -> dict[str, Any]:
    """What the record tells of the error, with so many px more that have causes of their own."""
    if not off_px or told.get("error_px") is None:
        return dict(told)
    larger = {name: round(float(np.hypot(told[name], off_px)), 3) for name in ("error_px", "error_px_axes_known")}
    return {**told, **larger, "error_mm": round(told["error_mm"] * larger["error_px"] / told["error_px"], 4)}


def _moves(one: Moved, place: Placement, sheet: Array) -> Array:
    """(N, 2) px of the sheet by which places of it are off that moved with it."""
    at = from_sheet(place, sheet) - np.array([(place.size[1] - 1) / 2, one.row])
    own = np.stack([one.step - one.turn * at[:, 1], one.turn * at[:, 0]], axis=1)
    result: Array = own @ place.sheet_from_tile[:2, :2].T
    return result


def _unseen(one: Moved, place: Placement) -> Array:
    """(2,) px of the sheet, one sd by which what moved may be off along the head's way, which its sides do not show: a
    turn may be about any place across the sheet, a slip is seldom straight across."""
    along = np.hypot(SLIPPED * one.step, one.turn * place.size[1] / np.sqrt(12))
    result: Array = place.sheet_from_tile[:2, 1] * along
    return result


def _beyond(one: Moved, places: Sequence[Placement], pairs: Sequence[tuple[int, int]]) -> set[int]:
    """Pieces that hang on the part of a piece scanned after its sheet moved, and on nothing else."""
    graph = nx.Graph(pairs)
    if one.index not in graph:
        return set()
    neighbors = list(graph[one.index])
    graph.remove_node(one.index)
    found: set[int] = set()
    for part in nx.connected_components(graph):
        touching = [i for i in neighbors if i in part]
        if touching and all(_after(one, places, i) for i in touching):
            found |= part
    return found


def _after(one: Moved, places: Sequence[Placement], other: int) -> bool:
    """Whether what a piece shares with another lies beyond the row at which its sheet moved."""
    h, w = places[other].size
    grid = np.stack(np.meshgrid(np.linspace(0, w - 1, 12), np.linspace(0, h - 1, 12)), -1).reshape(-1, 2)
    at = from_sheet(places[one.index], to_sheet(places[other], grid))
    high, wide = places[one.index].size
    shared = np.all((at > 0) & (at < (wide, high)), axis=1)
    return bool(shared.any() and np.median(at[shared, 1]) > one.row)
