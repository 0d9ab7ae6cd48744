"""I doubt the paper: whether it is paper that goes round, whether all that is lighter or was cut off is not drawn.

In: a desk and its plan. Out: what is taken for white, and words on what may be otherwise.
"""

from __future__ import annotations

import cv2
import numpy as np

from stitchbed.core.arrays import Mask
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.page.clean.context import CleanContext
from stitchbed.page.clean.plan import CleanPlan
from stitchbed.page.page import luminance, luminance_at
from stitchbed.page.sheet.frame import corners_on_page, cut_off
from stitchbed.page.sheet.paper_color import color_of, lighter_places, lighter_share, sheet_of
from stitchbed.page.sheet.tone import lightness
from stitchbed.page.sheet.white import White, paper_small
from stitchbed.page.underneath.pencil import HUES, apart, hue_of

LEAST_CUT = 2.0  # mm; less is no margin
LIGHT_BESIDE = 60.0  # L*; margins and painted frames that could be a lid are lighter, black lids are not
LEAST_LIGHTER = 0.001  # of a page; a few highlights in chalk take more
TONED = 80.0  # L* of paper; on lighter one what is lighter still in an ink drawing is mending white, not drawn
BROAD_MM, MOST_BROAD = 2.0, 0.2  # of a colored area, no stroke; share of what is colored
ONE_HUE, LEAST_COLORED = 0.9, 0.1  # of what is colored; of what is drawn
CLEAR_CHROMA, MARKED = 0.1, 0.9  # of density, of a page seen small: more than bluish graphite has; of the paper's light
NEAR_LIGHT_MM = 0.8  # chalk goes on more thinly, past where it shows as lighter in a page seen small
MOST_DARK = 0.7  # share of a page; ink that covers more is less likely than dark paper


def white_of(desk: CleanContext, plan: CleanPlan) -> tuple[str, list[str]]:
    """What "found" means for a page's white, and what is to be told of it."""
    mean = plan.white.mean
    if not plan.white.paper.any():
        return "keep", [_no_white_words(plan.white)]
    name, star = color_of(mean), lightness(luminance_at(mean))
    small = paper_small(plan.white, desk.factor, desk.view.shape)
    share = lighter_share(desk.view, small, corners_on_page(plan.frame) / desk.factor)
    if share < LEAST_LIGHTER:
        made = f"the paper, or what is painted all round, is {name} and was made white: --white keep keeps its color"
        return "found", [made] if name else []
    lighter = f"{share:.1%} of the page is lighter than its paper, as chalk and white paint are"
    if not name or (plan.medium.name == "ink" and star > TONED):
        return "found", [f"{lighter}; both were made white: --white keep keeps them apart"]
    return "keep", [f"{lighter}, so the paper kept its color: --white {star:.0f} makes both white"]


def lighter_near(desk: CleanContext, plan: CleanPlan) -> Mask:
    """(h, w) of the page seen small: on chalk or white paint, or within NEAR_LIGHT_MM of it; nowhere on a page that
    shows none."""
    sheet = sheet_of(desk.view.shape[:2], corners_on_page(plan.frame) / desk.factor)
    lighter = lighter_places(desk.view, paper_small(plan.white, desk.factor, desk.view.shape), sheet)
    if lighter.sum() < LEAST_LIGHTER * sheet.sum():
        return np.zeros_like(lighter)
    side = 2 * round(NEAR_LIGHT_MM * desk.page.dpi / desk.factor / MM_PER_INCH) + 1
    return np.asarray(cv2.dilate(lighter.astype(np.uint8), np.ones((side, side), np.uint8)) > 0)


def _no_white_words(white: White) -> str:
    """What makes paper white where none is known."""
    way = "--white 92 makes a lightness of 92 white"
    if white.doubted is not None:
        color = np.median(white.cells[white.doubted], axis=0)
        way = f"--white {int(lightness(luminance_at(color)))} lifts what may be paper to white"
    return f"nothing was taken for white: {way}"


def night_words(desk: CleanContext, plan: CleanPlan) -> list[str]:
    """What to say of an ink page that is mostly dark: light strokes on dark paper look like solid ink."""
    paper = luminance(paper_small(plan.white, desk.factor, desk.view.shape))
    dark = float((luminance(desk.view) < paper / 2).mean())
    if plan.medium.name != "ink" or plan.medium.asked or not plan.white.paper.any() or dark <= MOST_DARK:
        return []
    return [
        f"{dark:.0%} of the page is dark, and was taken for black ink on white paper: "
        "--medium paint keeps the colors of light strokes on dark paper"
    ]


def pencil_words(desk: CleanContext, plan: CleanPlan) -> list[str]:
    """What to say of a page with strokes of blue or red alone beside its black: an under-drawing counts as paint."""
    if plan.under is not None or plan.medium.name == "ink" or plan.medium.asked or desk.page.channels == 1:
        return []
    relative = desk.view / paper_small(plan.white, desk.factor, desk.view.shape)
    hue, chroma = hue_of(relative)
    sheet = sheet_of(desk.view.shape[:2], corners_on_page(plan.frame) / desk.factor)
    colored, marked = (chroma > CLEAR_CHROMA) & sheet, (luminance(relative) < MARKED) & sheet
    side = max(3, round(BROAD_MM / MM_PER_INCH * desk.page.dpi / desk.factor))
    broad = cv2.morphologyEx(colored.astype(np.uint8), cv2.MORPH_OPEN, np.ones((side, side), np.uint8))
    if colored.sum() <= LEAST_COLORED * marked.sum() or broad.sum() > MOST_BROAD * colored.sum():
        return []
    for name, (low, high) in HUES.items():
        if (apart(hue[colored], (low + high) / 2) <= (high - low) / 2).mean() >= ONE_HUE:
            return [
                f"its only color is {name}, in strokes: if that is a pencil under ink, --drop {name} takes it off, and "
                "the page is cleaned as ink"
            ]
    return []


def margin_words(desk: CleanContext, plan: CleanPlan) -> list[str]:
    """What to say where what was cut off is light and what is left is no white paper: a margin or frame of a painting,
    a colored sheet on a lid, both look so."""
    cut = cut_off(plan.frame, desk.page.box) * MM_PER_INCH / desk.page.dpi
    if not (cut >= LEAST_CUT).any() or (plan.white.paper.any() and not color_of(plan.white.mean)):
        return []
    corners = np.rint(corners_on_page(plan.frame) / desk.factor).astype(np.int32)
    beside = cv2.fillConvexPoly(np.ones(desk.view.shape[:2], np.uint8), corners, 0) > 0
    if not beside.any() or lightness(float(np.median(luminance(desk.view)[beside]))) < LIGHT_BESIDE:
        return []
    return [
        "what was cut off is light, and what is left does not lie on white paper: if that was the sheet's own margin, "
        "or painted, --steps paper,dust,tone cuts nothing off"
    ]
