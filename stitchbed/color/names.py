"""I name colors as people do: light blue, dark green, gray.

In: CIELAB under D50. Out: a plain name. Equal names are a family: colors that one would call the same.
"""

from __future__ import annotations

import numpy as np

from stitchbed.color.cielab import hue_angle
from stitchbed.core.arrays import Array

# CIELAB hue in degrees from which on a name holds; primaries of sRGB lie at 41, 100, 134, 296 (D50), its mixtures at
# 196 (cyan) and 328 (magenta). Where a name ends is common use, no standard.
HUES = ((0, "pink"), (20, "red"), (48, "orange"), (76, "yellow"), (108, "green"), (170, "turquoise"), (208, "blue"),
        (303, "violet"), (332, "pink"))  # fmt: skip
GRAY_CHROMA = 7.0  # less is no color to the eye beside white paper
LIGHT, DARK = 75.0, 40.0  # L* above which a color is light, under which it is dark
WHITE, BLACK = 94.0, 15.0
BROWN = 55.0  # L* under which orange and dark yellow are brown
SKIN, PALE_CHROMA = (30.0, 88.0), 32.0  # hues whose pale colors are beige or brown, not light red or light orange


def color_name(lab: Array) -> str:
    """The name of one color, (3,) CIELAB."""
    lightness, chroma = float(lab[0]), float(np.hypot(lab[1], lab[2]))
    tone = "light " if lightness > LIGHT else "dark " if lightness < DARK else ""
    if chroma < GRAY_CHROMA:
        return "white" if lightness > WHITE else "black" if lightness < BLACK else f"{tone}gray"
    hue = float(hue_angle(lab))
    if SKIN[0] <= hue < SKIN[1] and chroma < PALE_CHROMA:
        return "beige" if lightness > BROWN + 10 else "dark brown" if lightness < DARK else "brown"
    name = hue_name(lab)
    if name in ("orange", "yellow") and lightness < BROWN:
        return "dark brown" if lightness < DARK else "brown"
    if name == "yellow" and tone == "light " and lightness > LIGHT:
        return "yellow" if chroma > 45 else "light yellow"
    return f"{tone}{name}"


def hue_name(lab: Array) -> str:
    """The name of the hue of one color, (3,) CIELAB, however pale it is."""
    hue = float(hue_angle(lab))
    return next(word for start, word in reversed(HUES) if hue >= start)
