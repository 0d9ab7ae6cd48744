"""I photograph one painting in overlapping parts with one camera, so that tests know what joining them must give.

In: a generator. Out: a scene, cameras that see a part each, and the painting's own light to compare with.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from synthetic_camera import Camera, Scene, aimed, laid_round, painted, scene_with_cards

from stitchbed.card.board import Piece

Array = NDArray[np.float64]
Floats = NDArray[np.float32]


@dataclass(frozen=True)
class PhotoSet:
    """scene : with cards. work : (h, w, 3) linear, the painting alone. dots : (N, 2) mm from its middle."""

    scene: Scene
    work: Floats
    dots: Array
    cameras: tuple[Camera, ...]


def photo_set(
    rng: np.random.Generator,
    *,
    size: tuple[float, float],
    density: float,
    photo: tuple[int, int],
    count: int = 3,
    cards: tuple[int, ...] = (1, 2, 3, 4),
) -> PhotoSet:
    """Photos side by side along the painting's width, each overlapping the next by about two fifths.

    cards : numbers of the corner cards that lie round it.
    """
    work, dots = painted(size, density, rng)
    work = with_brushwork(work, dots, density, rng)
    pieces: dict[Piece, Array] = {p: pose for p, pose in laid_round(size, rng).items() if int(p.name[-1]) in cards}
    scene = scene_with_cards(work, density, pieces, margin=150, table=(0.25, 0.23, 0.2))
    reach = size[0] + 190
    width = reach / (1 + 0.6 * (count - 1))
    middles = (np.arange(count) - (count - 1) / 2) * 0.6 * width
    first = aimed(rng, size=photo, field_mm=(width, size[1] + 40), tilt_deg=4)
    cameras = []
    for middle in middles:
        one = aimed(rng, size=photo, field_mm=(width, size[1] + 40), tilt_deg=10)
        shift = np.array([[1.0, 0, -middle], [0, 1, 0], [0, 0, 1]])
        exposure = float(rng.uniform(0.75, 0.95))
        light = {"slope": 1.3, "azimuth": 0.7, "vignetting": 0.25, "exposure": exposure}
        cameras.append(replace(one, view=one.view @ shift, lens=first.lens, **light))
    return PhotoSet(scene, work, dots, tuple(cameras))


def with_brushwork(work: Floats, dots: Array, density: float, rng: np.random.Generator) -> Floats:
    """Short strokes all over but on the dots, so that places can be told from each other."""
    painted_over = work.copy()
    h, w = work.shape[:2]
    for _ in range(int(h * w / density**2 / 25)):
        at = rng.uniform([0, 0], [w, h])
        turn, length = rng.uniform(0, np.pi), rng.uniform(2, 9) * density
        end = at + length * np.array([np.cos(turn), np.sin(turn)])
        tone = np.clip(work[int(at[1]), int(at[0])] * rng.uniform(0.75, 1.3), 0.03, 0.9)
        ink = tuple(float(v) for v in tone)
        cv2.line(
            painted_over,
            at.astype(int).tolist(),
            end.astype(int).tolist(),
            ink,
            max(1, round(0.7 * density)),
            cv2.LINE_AA,
        )
    for x, y in np.rint(dots * density + [(w - 1) / 2, (h - 1) / 2]).astype(int):
        part = (
            slice(y - round(6 * density), y + round(6 * density)),
            slice(x - round(6 * density), x + round(6 * density)),
        )
        painted_over[part] = work[part]
    return painted_over
