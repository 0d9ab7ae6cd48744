"""I settle the dpi of a layout from what its pieces declare.

In: a layout, declared dpi. Out: one dpi for the sheet, notes.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from stitchbed.mosaic.registration.pose_graph import Layout


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

    declared : dpi of the sheet over dpi of the tile.
    """
    scales, warnings = {}, []
    for name, matrix in layout.sheet_from_tile.items():
        found = float(np.hypot(matrix[0, 0], matrix[1, 0]))
        said = declared[name]
        if abs(found / said - 1) > 0.01:
            warnings.append(
                f"{name}: the file's dpi does not fit its picture (size is {found / said:.3f} times what dpi says); "
                "the picture was believed"
            )
        scales[name] = found if abs(found / said - 1) > 0.01 else said
    return scales, warnings
