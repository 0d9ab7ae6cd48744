"""I make what several tiles see of one sheet's light, with gains, offsets and shading that are known.

In: a grid, numbers of luck, faults. Out: `Scene`: patches as the survey would have them, and the true light.
Tiles are 400 x 500 px at 4 px per mm; the model is `true = (seen + offset) * gain * exp(shading)`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitchbed.imaging.transfer import srgb_decode, srgb_encode
from stitchbed.mosaic.photometry.overlap_samples import CLIPPED, Patches, Seen

Array = NDArray[np.float64]
SIZE = (400, 500)
PX_PER_MM = 4.0
STEP = (288, 360)  # px between tiles: overlaps of 28 %


@dataclass(frozen=True)
class Scene:
    """patches : what is seen. true : (P, 3) light at `patches.xy`. origins : (T, 2) px, (x, y) of each tile."""

    names: list[str]
    sizes: list[tuple[int, int]]
    patches: Patches
    weight: list[Array]
    true: Array
    origins: Array


def scene(
    rows: int,
    cols: int,
    rng: np.random.Generator,
    *,
    gain: Array | None = None,
    offset: Array | None = None,
    shading: Callable[[int, Array, Array], Array] = lambda tile, u, v: 0 * u,
    exponent: Array | None = None,
    noise: float = 0.002,
    step: tuple[int, int] = STEP,
    spacing: float = 14.0,
) -> Scene:
    """gain, offset : (T, 3) of the model. shading(tile, u, v) : log, u and v run from -1 to 1. exponent : (T, 3)
    a program put on each tile's encoded values, light clipped at 1 before. noise : relative. step : see `STEP`.
    spacing : px of the grid.
    """
    count = rows * cols
    gain = np.ones((count, 3)) if gain is None else gain
    offset = np.zeros((count, 3)) if offset is None else offset
    origins = np.array([[k % cols * step[1], k // cols * step[0]] for k in range(count)], float)
    width, height = origins.max(0) + np.array([SIZE[1], SIZE[0]])
    xs, ys = np.arange(8, width, spacing), np.arange(8, height, spacing)
    xy = np.stack(np.meshgrid(xs, ys), -1).reshape(-1, 2)
    true = np.exp(rng.normal(np.log(0.6), 0.35, (len(xy), 1))) * rng.uniform(0.85, 1, (len(xy), 3))
    true = np.clip(true, 0.04, 0.92)
    inside = [((xy - o > 2) & (xy - o < (SIZE[1] - 3, SIZE[0] - 3))).all(1) for o in origins]
    shared = np.sum(inside, axis=0) >= 2
    number = np.cumsum(shared) - 1
    seen = []
    for k, here in enumerate(inside):
        index = np.flatnonzero(here & shared)
        at = xy[index] - origins[k]
        u, v = 2 * at[:, 0] / (SIZE[1] - 1) - 1, 2 * at[:, 1] / (SIZE[0] - 1) - 1
        light = true[index] / gain[k] / np.exp(shading(k, u, v))[:, None] - offset[k]
        light = light * (1 + rng.normal(0, noise, light.shape))
        if exponent is not None:
            light = srgb_decode(srgb_encode(np.clip(light, 0, 1)) ** exponent[k])
        unrest, clipped = rng.uniform(0, 0.1, len(index)), (light > CLIPPED).astype(float)
        seen.append(Seen(number[index], light, unrest, np.zeros_like(light), clipped, at))
    names = [f"t{k}" for k in range(count)]
    weight = [np.ones(len(one.index)) for one in seen]
    return Scene(names, [SIZE] * count, Patches(xy[shared], tuple(seen)), weight, true[shared], origins)
