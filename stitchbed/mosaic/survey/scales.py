"""I settle the dpi of a layout from what its pieces declare, and that of the canvas from what they cover.

In: a layout, declared dpi. Out: one dpi for the sheet, one for the canvas, notes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.mosaic.registration.placement import Placement, edge_distance, from_sheet, outline

SAME_DPI = 0.03  # pieces whose dpi differ by less are of one dpi: scanners round, pictures are trusted to 1 %
PICTURE = 0.01  # share by which a picture may miss a piece's size
MOST = 0.5  # share of the sheet that a dpi must cover to become the canvas's
GRID_MM = 5.0


def sheet_dpi(layout: Layout, dpi: Mapping[str, float]) -> float:
    """Dpi of the sheet (the reference tile's pixels) as most tiles' own dpi imply it; the reference's when in doubt.

    dpi : of every tile, as declared.
    """
    implied = {name: dpi[name] * float(np.hypot(m[0, 0], m[1, 0])) for name, m in layout.sheet_from_tile.items()}
    support = {name: sum(abs(other / mine - 1) < 0.01 for other in implied.values()) for name, mine in implied.items()}
    best = max(support.values())
    if support[layout.reference] == best:
        return dpi[layout.reference]
    found = float(np.median([implied[name] for name in sorted(implied) if support[name] == best]))
    return float(round(found)) if abs(round(found) / found - 1) < 0.003 else found


def agreed_scales(layout: Layout, declared: Mapping[str, float]) -> tuple[dict[str, float], list[str]]:
    """Sheet px per tile px expected of each tile: what dpi says, unless the pictures clearly say otherwise.

    declared : dpi of the sheet over dpi of the tile. A picture tells a size to within `PICTURE`; where another piece
    has one as near as that, the two are one: scanners repeat far better.
    """
    found = {name: float(np.hypot(matrix[0, 0], matrix[1, 0])) for name, matrix in layout.sheet_from_tile.items()}
    kept = {name: declared[name] for name in found if _alike(found[name], declared[name])}
    strange = {name: size for name, size in found.items() if name not in kept}
    warnings = [
        f"{name}: the file's dpi does not fit its picture (size is {size / declared[name]:.3f} times what dpi says); "
        "the picture was believed"
        for name, size in strange.items()
    ]
    scales = {name: kept[name] if name in kept else _of_others(found[name], [*kept.values()]) for name in found}
    return scales, warnings


def _alike(size: float, other: float) -> bool:
    return abs(size / other - 1) <= PICTURE


def _of_others(size: float, others: Sequence[float]) -> float:
    """The nearest of `others` that `size` may be, else `size`."""
    return min((one for one in others if _alike(size, one)), key=lambda one: abs(one - size), default=size)


def canvas_dpi(places: Sequence[Placement], dpi: Array, sheet: float) -> tuple[float, list[str]]:
    """The finest dpi that covers most of the sheet, and words where pieces differ.

    places : on the sheet. dpi : (T,) of each piece. sheet : dpi of the sheet's pixels, kept where it is that dpi.
    """
    kinds = _kinds(dpi)
    if len(kinds) == 1:
        return sheet, []
    finest = _finest_seen(places, dpi, sheet)
    shares = [float((finest > kind * (1 - SAME_DPI)).mean()) for kind in kinds]
    chosen = next(k for k, share in enumerate(shares) if share > MOST or k == len(kinds) - 1)
    wanted = sheet if abs(kinds[chosen] / sheet - 1) < SAME_DPI else kinds[chosen]
    listed = ", ".join(f"{kind:.0f}" for kind in kinds[:-1]) + f" and {kinds[-1]:.0f}"
    words = f"the pieces have {listed} dpi; the result has {wanted:.0f}, the finest that covers most of the sheet"
    if chosen > 0:
        words += f"; what the finer pieces show beyond that on {100 * shares[chosen - 1]:.0f} % of it is left out"
    if shares[chosen] < 0.995:
        words += f"; {100 * (1 - shares[chosen]):.0f} % of it was seen at fewer dpi only and is softer"
    return wanted, [words]


def _kinds(dpi: Array) -> list[float]:
    """Dpi that differ, the finest first: the median of each group of like ones."""
    ordered = np.sort(np.asarray(dpi, np.float64))[::-1]
    cuts = np.flatnonzero(ordered[1:] < ordered[:-1] * (1 - SAME_DPI)) + 1
    return [float(np.median(group)) for group in np.split(ordered, cuts)]


def _finest_seen(places: Sequence[Placement], dpi: Array, sheet: float) -> Array:
    """(N,) the finest dpi among the pieces that see each point of a grid over the sheet."""
    corners = np.concatenate([outline(place) for place in places])
    low, high = corners.min(0), corners.max(0)
    step = GRID_MM * sheet / MM_PER_INCH
    grid = np.stack(np.meshgrid(np.arange(low[0], high[0], step), np.arange(low[1], high[1], step)), -1).reshape(-1, 2)
    finest = np.zeros(len(grid))
    for place, own in zip(places, dpi, strict=True):
        sees = edge_distance(place.size, from_sheet(place, grid)) > 0
        finest[sees] = np.maximum(finest[sees], own)
    found: Array = finest[finest > 0]
    return found
