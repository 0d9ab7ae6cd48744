"""I turn the map of who owns what into a small picture: its values are the pieces' numbers, its colors tell neighbors.

In: labels per cell. Out: a picture with a palette (up to 255 pieces) or 16-bit gray (more), and px per cell.
"""

from __future__ import annotations

import colorsys

import numpy as np
from numpy.typing import NDArray
from PIL import Image

Labels = NDArray[np.uint16]

LONGEST_SIDE = 2000  # cells; a sheet of two meters at one millimeter
NOBODY = 65535  # in the labels; the palette's last entry, white, in the picture
# Lightness of neighbors differs by a step at least, so that borders show in gray too; hues help where colors do.
LIGHT = (0.78, 0.46, 0.62, 0.30, 0.70, 0.38, 0.54)


def seam_picture(labels: Labels, cell: int) -> tuple[Image.Image, int]:
    """(picture, px of the canvas per px of it). labels : (h, w) index of the piece per cell of `cell` px, or NOBODY."""
    step = max(1, -(-max(labels.shape) // LONGEST_SIDE))
    small = np.ascontiguousarray(labels[step // 2 :: step, step // 2 :: step] if min(labels.shape) > step else labels)
    seen = small[small != NOBODY]
    if seen.size and int(seen.max()) > 254:
        return Image.fromarray(small), cell * step
    picture = Image.fromarray(np.where(small == NOBODY, 255, small).astype(np.uint8)).convert("P")
    picture.putpalette(_palette(small))
    return picture, cell * step


def neighbors_of(labels: Labels) -> dict[int, set[int]]:
    """Which pieces touch which, sideways or below."""
    found: dict[int, set[int]] = {int(label): set() for label in np.unique(labels) if label != NOBODY}
    for one, other in ((labels[:, 1:], labels[:, :-1]), (labels[1:], labels[:-1])):
        border = (one != other) & (one != NOBODY) & (other != NOBODY)
        for a, b in np.unique(np.stack([one[border], other[border]], axis=1), axis=0).tolist():
            found[a].add(b)
            found[b].add(a)
    return found


def _palette(labels: Labels) -> list[int]:
    """768 values. Greedy coloring: each piece takes the first lightness that no neighbor before it has."""
    taken: dict[int, int] = {}
    for label, beside in sorted(neighbors_of(labels).items()):
        used = {taken[other] for other in beside if other in taken}
        taken[label] = next(level for level in range(256) if level not in used)
    colors = [(255, 255, 255)] * 256
    for label, level in taken.items():
        hue = (0.58 + 0.381966 * label) % 1  # the golden angle spreads hues however many there are
        light = LIGHT[level % len(LIGHT)]
        red, green, blue = colorsys.hls_to_rgb(hue, light, 0.25)
        gray = 0.2126 * red + 0.7152 * green + 0.0722 * blue
        r, g, b = (min(255, max(0, round(255 * (v + light - gray)))) for v in (red, green, blue))
        colors[label] = (r, g, b)
    return [value for color in colors for value in color]
