"""I find where the paper is stained: warm tones with no line in them, as coffee, tea and age leave.

In: `Cells` of a page. Out: what the stain leaves of the light in each cell, 1 where there is none.

A stain takes most from blue and least from red; gray tones are pencil or a marker's and stay.
"""

from __future__ import annotations

import numpy as np

from stitchbed.core.arrays import Floats
from stitchbed.imaging.gray import mean_of
from stitchbed.page.underneath.cells import Cells, bridged

SMOOTH = 0.8  # cells, one sd; the rim of a ring is not wider than two
PALEST, SURE = 0.006, 0.016  # of the paper's light, blue lacks so much more than red: from paper to a stain
GREEN = 0.8  # of what blue lacks at most; more is gray, or a red


def stains_of(cells: Cells, strength: float) -> tuple[Floats, float]:
    """(gh, gw, 3) share of light left by stains, and the share of light the strongest place takes.

    strength : share of light evened at most; what a place takes beyond that stays.
    """
    seen = np.clip(bridged(cells.light, cells.weight, SMOOTH), 0.05, 1)
    lacking = 1 - seen
    warm = lacking[..., 2] - lacking[..., 0]
    sure = np.clip((warm - PALEST) / (SURE - PALEST), 0, 1)
    sure *= np.clip((GREEN * lacking[..., 2] - lacking[..., 1]) / (0.1 * np.maximum(lacking[..., 2], 1e-3)), 0, 1)
    sure *= lacking[..., 0] <= lacking[..., 1] + 0.01
    taken = mean_of(lacking) * sure
    share = sure * np.minimum(1, strength / np.maximum(taken, 1e-6))
    return np.asarray(1 - lacking * share[..., None], np.float32), float(taken.max(initial=0.0))
