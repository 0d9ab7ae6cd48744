"""I do the steps of cleaning one by one: each adds its part to the plan and its numbers to a record.

In: a desk (the page and what was seen of it) and a plan. Out: the plan with one step more.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Floats
from stitchbed.core.progress import counted
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.core.record import Record
from stitchbed.imaging.box import Box, clipped
from stitchbed.imaging.gray import mean_of
from stitchbed.page.clean.context import CleanContext
from stitchbed.page.clean.paper_doubts import LEAST_CUT, margin_words, night_words, pencil_words, white_of
from stitchbed.page.clean.pictures import LOOK_MM, show_border, show_paper, show_step, to_look_at
from stitchbed.page.clean.plan import CleanPlan, clean_light, ground_of, repaired
from stitchbed.page.clean.repair_places import RepairSettings, places_of
from stitchbed.page.page import luminance, luminance_at
from stitchbed.page.sheet.border import SIDES, BorderSettings, find_sheet, frame_of, skew
from stitchbed.page.sheet.frame import Framing, corners_on_page, cut_off
from stitchbed.page.sheet.paper_color import tint_of
from stitchbed.page.sheet.tone import TonePoints, ToneSettings, cut, jaggedness, lightness, points, toned
from stitchbed.page.sheet.white import PaperSettings, White, paper_small, unevenness
from stitchbed.page.underneath.found import DropSettings, Told, busiest, drop_warnings
from stitchbed.page.underneath.pencil import HUES
from stitchbed.report.before_after import as_codes


def framed_desk(desk: CleanContext, settings: BorderSettings, record: Record) -> Framing:
    """The border step: find the sheet, say what is cropped and how it is turned."""
    page = desk.page
    sides = (
        find_sheet(page, workers=desk.workers, progress=desk.progress) if settings.crop or settings.straighten else ()
    )
    frame = frame_of(page, sides, settings)
    mm = MM_PER_INCH / page.dpi
    seen = [{"side": s.name, "found": s.found or None, "spread_mm": s.spread * mm, "share": s.share} for s in sides]
    missing = [s.name for s in sides if not s.found]
    askew = float(np.degrees(skew(sides)))
    beyond = cut_off(frame, page.box) * mm
    record.numbers = {
        "sides": seen,
        "skew_deg": askew,
        "resampled": frame.resampled,
        "corners_px": corners_on_page(frame),
        "width_mm": frame.width * mm,
        "height_mm": frame.height * mm,
        "cut_mm": dict(zip(SIDES, beyond.tolist(), strict=True)),
        "words": f"sheet {frame.width * mm:.1f} x {frame.height * mm:.1f} mm, askew by {askew:.2f} degrees"
        + _cut_words(beyond),
    }
    if missing and settings.crop:
        record.warnings.append(f"no edge of the sheet was found on: {', '.join(missing)}; nothing is cut off there")
    ended = [s.name for s in sides if s.found == "end"]
    if ended and settings.crop:
        record.warnings.append(
            f"the scans do not reach beyond the sheet's edge on: {', '.join(ended)}; it is cut where they end"
        )
    for album in counted([desk.album], "drawing what is cut off", 1, desk.progress):
        show_border(album, desk.view, desk.factor, frame)
    return frame


def _cut_words(beyond: Array) -> str:
    wide = [f"{side} {mm:.0f}" for side, mm in zip(SIDES, beyond, strict=True) if mm >= LEAST_CUT]
    return f"; mm cut off: {', '.join(wide)}" if wide else ""


def repair(desk: CleanContext, plan: CleanPlan, settings: RepairSettings, record: Record) -> CleanPlan:
    """Fill given places from what surrounds them."""
    places = places_of(desk.page, plan.frame, settings)
    after = replace(plan, patches=repaired(ground_of(desk.page, plan), places))
    filled = sum(int(mask.sum()) for _, mask in places)
    record.numbers = {"places": len(places), "pixels": filled, "words": f"{len(places)} places, {filled} px filled"}
    if places:
        box = places[0][0]
        show_step(desk.album, "repair", desk.page, (plan, after), (box.col + box.width / 2, box.row + box.height / 2))
    return after


def paper(desk: CleanContext, plan: CleanPlan, settings: PaperSettings, record: Record) -> CleanPlan:
    """Even out the paper's white."""
    white = plan.white
    before, now = unevenness(white), unevenness(white, evened=True)
    found = bool(white.paper.any())
    evens = found and now < before
    record.numbers = {
        "paper_linear_rgb": white.mean,
        "paper_lightness": lightness(luminance_at(white.mean)),
        "cells_of_paper": float(white.paper.mean()),
        "unevenness_before": before,
        "unevenness_after": now if evens else before,
        "words": _paper_words(white.mean, before, now if evens else None) if found else _none_words(white),
    }
    if not found:
        record.warnings.append(_no_paper_words(white, plan.medium.name))
    record.warnings += night_words(desk, plan) + margin_words(desk, plan) + pencil_words(desk, plan)
    show_paper(desk.album, desk.view, desk.factor, plan)
    return replace(plan, even=evens)


def _none_words(white: White) -> str:
    return "none found" if white.doubted is None else "none that goes all round"


def _no_paper_words(white: White, medium: str) -> str:
    """What to say where nothing is known to be paper: why, and what evens its light all the same."""
    seen = "no bare paper was found"
    if white.doubted is not None:
        share = f"{white.doubted.mean():.0%} of the page"
        seen = f"what looks like bare paper, {share}, does not go all round and may be paint"
    way = "" if medium == "ink" else ": --medium ink evens it where it is ink on paper"
    return f"{seen}, so light was not evened{way}"


def _paper_words(mean: Floats, before: float, now: float | None) -> str:
    return f"{tint_of(mean)}; its light varied by {before:.1%}, " + (
        "left as it is" if now is None else f"now by {now:.1%}"
    )


def drop(desk: CleanContext, plan: CleanPlan, settings: DropSettings, record: Record) -> CleanPlan:
    """Tell what was taken off below the ink: it was found with the paper, since every other step looks without it."""
    told, under = desk.dropped, plan.under
    if told is None or under is None:
        return plan
    record.numbers = {
        "pencils": [{"hue_deg": p.hue, "linear_rgb": p.color, "rough": p.rough} for p in told.pencils],
        "pencil_share": told.pencil_share,
        "stain_share": told.stain_share,
        "strongest_stain": told.strongest_stain,
        "words": "; ".join(_drop_words(settings, told)),
    }
    record.warnings += drop_warnings(settings, told, under, plan.medium.name)
    place = busiest(under)
    if place is not None:
        show_step(desk.album, "drop", desk.page, (replace(plan, under=None), plan), place)
    return plan


def _drop_words(settings: DropSettings, told: Told) -> list[str]:
    said = []
    if settings.color and told.pencils:
        named = settings.color if settings.color in HUES else "the color named"
        said.append(f"{named} taken off {told.pencil_share:.0%} of the page")
    elif settings.color:
        said.append("no such pencil found")
    if settings.stains:
        said.append(
            f"stains evened on {told.stain_share:.0%} of the page, the strongest {told.strongest_stain:.0%} dark"
        )
    return said


def tone(desk: CleanContext, plan: CleanPlan, settings: ToneSettings, record: Record) -> CleanPlan:
    """Set black and white point, cut edges if asked."""
    white = luminance_at(plan.white.mean)
    if settings.white == "found":
        wish, told = white_of(desk, plan)
        settings = replace(settings, white=wish)
        record.warnings += told
    at = points(settings, plan.traits, white, medium=plan.medium.name)
    if settings.white == "keep":
        at = replace(at, tint=tuple((plan.white.mean / max(white, 1e-6)).tolist()))
    after = replace(plan, tone=at)
    black_star, white_star = lightness(max(0.0, at.black * white)), lightness(min(1.0, at.white * white))
    record.numbers = {
        "white_point_lightness": white_star,
        "black_point_lightness": black_star,
        "ink_found": plan.traits.found,
        "ink_lightness": lightness(plan.traits.black * white) if plan.traits.found else None,
        "grain_share": plan.traits.grain,
        **_jagged(desk, after),
        "words": f"black at {black_star:.1f}, white at {white_star:.1f} of 100 in lightness",
    }
    if settings.black == "found" and not plan.traits.found and plan.medium.name == "ink":
        record.warnings.append("no solid ink was found; black was left where it is")
    show_step(desk.album, "tone", desk.page, (plan, after), parted_most(desk, plan, at))
    return after


def parted_most(desk: CleanContext, plan: CleanPlan, at: TonePoints) -> tuple[float, float]:
    """(x, y) px of the page where tones are drawn apart most: bare paper and solid black alone show no change of tone.

    The page seen small is asked: where, in a place as large as is shown, the change differs most from pixel to pixel.
    """
    area, (view, factor) = desk.area, to_look_at(desk.view, desk.factor)
    relative = view / paper_small(plan.white, factor, view.shape)
    before, after = (as_codes(np.asarray(m, np.float32)) for m in (relative * plan.white.mean, toned(relative, at)))
    change = mean_of(after.astype(np.float32) - before)
    side = max(3, round(LOOK_MM / MM_PER_INCH * desk.page.dpi / factor) | 1)
    mean, square = (cv2.blur(m, (side, side), borderType=cv2.BORDER_REPLICATE) for m in (change, change * change))
    rows, cols = (slice(start // factor, max(start // factor + 1, end // factor))
                  for start, end in ((area.row, area.bottom), (area.col, area.right)))  # fmt: skip
    spread = (square - mean * mean)[rows, cols]
    row, col = np.unravel_index(int(np.argmax(spread)), spread.shape)
    return (float(col + cols.start) + 0.5) * factor, (float(row + rows.start) + 0.5) * factor


def _jagged(desk: CleanContext, plan: CleanPlan) -> dict[str, float]:
    """Jaggedness px of the edges as chosen, and of a plain threshold for comparison, on the sample with most ink."""
    if not desk.boxes or plan.tone is None:
        return {}
    x, y, _ = np.linalg.inv(plan.frame.page_from_out) @ (desk.boxes[0].col, desk.boxes[0].row, 1.0)
    box = clipped(Box(round(y), round(x), 512, 512), plan.frame.box)
    if box.empty:
        return {}
    soft = clean_light(desk.page, replace(plan, tone=replace(plan.tone, edges="soft")), box)
    ink = np.asarray(1 - luminance(soft), np.float32)
    made = {edges: cut(soft, edges, desk.page.dpi) for edges in (plan.tone.edges, "hard")}
    return {
        f"jaggedness_{edges}_px": jaggedness(ink, np.asarray(1 - luminance(m), np.float32)) for edges, m in made.items()
    }
