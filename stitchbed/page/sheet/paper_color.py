"""I tell what color a page's paper has, and how much of the page is lighter than it.

In: the map of its paper, the page seen small. Out: a color name or none, a share.

A pale frame painted all round a picture, and gray, blue or brown paper, look alike: what goes round. Neither is white,
so whoever makes it white has to say so; and where something lies on it that is lighter, as chalk on toned paper or a
white cup before a pale blue ground, white would swallow that.
"""

from __future__ import annotations

import cv2
import numpy as np

from stitchbed.color.cielab import SPACES, chroma_of, hue_angle, lab_from_xyz, xyz_from_rgb
from stitchbed.color.names import GRAY_CHROMA, color_name, hue_name
from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.page.page import luminance

# hues of CIELAB and chroma to which paper is cream or has yellowed, and is wanted white as a rule: book papers have a
# chroma of 8 to 13, from memory; paper with brighteners is bluish to 7, which is `GRAY_CHROMA` too
CREAM, CREAM_CHROMA = (60.0, 105.0), 13.0
TINTED = 2.0  # chroma; two papers laid side by side look alike below
LIGHT = 85.0  # L*; drawing papers and newsprint in a usual scan have 84 to 97
LIGHTER = 1.06  # times the paper's light; what a lamp's map leaves over is 2 % at most
LIGHTER_CELLS = 3  # across, of the page seen small: a millimeter; noise and single glints are smaller


def color_of(mean: Floats) -> str:
    """The name of a paper of (c,) linear light as the eye sees it beside white, or nothing where it is near white."""
    lab = _lab_of(mean)
    chroma, hue = float(chroma_of(lab)), float(hue_angle(lab))
    most = CREAM_CHROMA if CREAM[0] <= hue <= CREAM[1] else GRAY_CHROMA
    return color_name(lab) if chroma > most or lab[0] < LIGHT else ""


def tint_of(mean: Floats) -> str:
    """What paper of (c,) linear light looks like, also where it is near white and no frame can be told from paper."""
    lab = _lab_of(mean)
    chroma = float(chroma_of(lab))
    if chroma > GRAY_CHROMA or lab[0] < LIGHT:
        return color_name(lab)
    return f"nearly white, a little {hue_name(lab)}" if chroma > TINTED else "nearly white"


def _lab_of(mean: Floats) -> Array:
    """(3,) CIELAB of (c,) linear light; the primaries are taken for sRGB's."""
    return lab_from_xyz(xyz_from_rgb(SPACES["srgb"]) @ np.broadcast_to(mean, 3).astype(np.float64))


def lighter_share(view: Floats, paper: Floats, corners: Array) -> float:
    """Share 0..1 of a page seen small that is clearly lighter than its paper, in places a millimeter wide.

    view, paper : (h, w, c) light seen and of bare paper. corners : (4, 2) px of the view, of the sheet.
    """
    sheet = sheet_of(view.shape[:2], corners)
    return float(lighter_places(view, paper, sheet).sum() / max(int(sheet.sum()), 1))


def lighter_places(view: Floats, paper: Floats, sheet: Mask) -> Mask:
    """(h, w) of a page seen small: places of the sheet, a millimeter wide and more, clearly lighter than the paper."""
    lighter = (luminance(view) > LIGHTER * luminance(paper)) & sheet
    side = np.ones((LIGHTER_CELLS,) * 2, np.uint8)
    return np.asarray(cv2.morphologyEx(lighter.astype(np.uint8), cv2.MORPH_OPEN, side) > 0)


def sheet_of(shape: tuple[int, ...], corners: Array) -> Mask:
    """(h, w) of a page seen small that is the sheet of (4, 2) px `corners`, a millimeter within its sides."""
    sheet = np.zeros(shape[:2], np.uint8)
    cv2.fillConvexPoly(sheet, np.rint(corners).astype(np.int32), 1)
    return np.asarray(cv2.erode(sheet, np.ones((2 * LIGHTER_CELLS + 1,) * 2, np.uint8), borderValue=0) > 0)
