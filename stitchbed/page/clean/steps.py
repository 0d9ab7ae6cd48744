"""I do the steps of cleaning one by one: each adds its part to the plan and its numbers to a record.

In: a desk (the page and what was seen of it) and a plan. Out: the plan with one step more.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from stitchbed.core.arrays import Floats, Mask
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.core.record import Record
from stitchbed.imaging.box import Box, clipped
from stitchbed.imaging.reduce import reduction_to
from stitchbed.page.clean.pictures import Album, show_border, show_paper, show_step, write_mask
from stitchbed.page.clean.plan import CleanPlan, clean_light, repaired
from stitchbed.page.clean.repair_places import RepairSettings, places_of
from stitchbed.page.dust.candidates import Scale
from stitchbed.page.dust.classify import DustSettings, asked, judged
from stitchbed.page.dust.finds import Finds
from stitchbed.page.dust.seen_twice import pieces_of, seen_twice
from stitchbed.page.dust.sweep import LOOK_DPI, dust_map, ink_of, sampled, sweep, weighed
from stitchbed.page.page import Page, luminance, overview
from stitchbed.page.sheet.border import BorderSettings, find_sheet, frame_of, skew
from stitchbed.page.sheet.frame import Framing, corners_on_page, source_box
from stitchbed.page.sheet.tone import ToneSettings, cut, jaggedness, lightness, points
from stitchbed.page.sheet.white import PaperSettings, survey, unevenness

VIEW_DPI, VIEW_PX = 75.0, 1200  # of the page seen small, for pictures and to find where ink is
COARSE_DPI = 200.0  # a speck of .1 mm is then .8 px
KINDS = ("alone", "on_strokes", "in_ink")


@dataclass(frozen=True)
class CleanContext:
    """page, its file, where pictures go, threads; view : (h, w, c) light of the page reduced by `factor`;
    area : the part of the page under the frame; boxes : samples that show its ink.
    """

    page: Page
    source: Path
    album: Album
    workers: int
    view: Floats
    factor: int
    area: Box
    boxes: tuple[Box, ...] = ()

    def on(self, frame: Framing, settings: PaperSettings) -> tuple[CleanContext, CleanPlan]:
        """The desk with the frame's area and samples, and the plan that only frames."""
        area = clipped(source_box(frame, frame.box, 0), self.page.box)
        white = survey(self.page, area, settings, workers=self.workers)
        boxes = tuple(sampled(self.page, white, area, _darkness(self.view, self.factor, area, white.mean)))
        traits = ink_of(self.page, white, list(boxes), 1)
        return replace(self, area=area, boxes=boxes), CleanPlan(frame, white, False, traits)


def desk_of(page: Page, source: Path, album: Album, workers: int) -> CleanContext:
    """A desk with the page seen small."""
    factor = max(reduction_to(page.dpi, VIEW_DPI), -(-max(page.height, page.width) // VIEW_PX))
    return CleanContext(page, source, album, workers, overview(page, factor, workers=workers)[0], factor, page.box)


def framed_desk(desk: CleanContext, settings: BorderSettings, record: Record) -> Framing:
    """The border step: find the sheet, say what is cropped and how it is turned."""
    page = desk.page
    sides = find_sheet(page) if settings.crop or settings.straighten else ()
    frame = frame_of(page, sides, settings)
    mm = MM_PER_INCH / page.dpi
    seen = [{"side": s.name, "found": s.found or None, "spread_mm": s.spread * mm, "share": s.share} for s in sides]
    missing = [s.name for s in sides if not s.found]
    askew = float(np.degrees(skew(sides)))
    record.numbers = {
        "sides": seen,
        "skew_deg": askew,
        "resampled": frame.resampled,
        "corners_px": corners_on_page(frame),
        "width_mm": frame.width * mm,
        "height_mm": frame.height * mm,
        "words": f"sheet {frame.width * mm:.1f} x {frame.height * mm:.1f} mm, askew by {askew:.2f} degrees",
    }
    if missing and settings.crop:
        record.warnings.append(f"no edge of the sheet was found on: {', '.join(missing)}; nothing is cut off there")
    ended = [s.name for s in sides if s.found == "end"]
    if ended and settings.crop:
        record.warnings.append(
            f"the scans do not reach beyond the sheet's edge on: {', '.join(ended)}; it is cut where they end"
        )
    show_border(desk.album, desk.view, desk.factor, frame)
    return frame


def repair(desk: CleanContext, plan: CleanPlan, settings: RepairSettings, record: Record) -> CleanPlan:
    """Fill given places from what surrounds them."""
    places = places_of(desk.page, settings)
    after = replace(plan, patches=repaired(desk.page, plan.white, places))
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
    record.numbers = {
        "paper_linear_rgb": white.mean,
        "paper_lightness": lightness(float(luminance(white.mean[None, None])[0, 0])),
        "cells_of_paper": float(white.paper.mean()),
        "unevenness_before": before,
        "unevenness_after": now,
        "words": f"white varied by {before:.1%}, now by {now:.1%}",
    }
    if not white.paper.any():
        record.warnings.append("no bare paper was found; light was left as it is")
    show_paper(desk.album, desk.view, desk.factor, plan)
    return replace(plan, even=bool(white.paper.any()))


def dust(desk: CleanContext, plan: CleanPlan, settings: DustSettings, record: Record) -> CleanPlan:
    """Find dust and mend it."""
    page = desk.page
    factor = reduction_to(page.dpi, LOOK_DPI)
    scale = Scale(page.dpi / factor / MM_PER_INCH, settings.largest)
    traits = ink_of(page, plan.white, list(desk.boxes), factor)
    finds = sweep(page, plan.white, desk.area, traits, scale, workers=desk.workers)
    asking = asked(finds, scale, settings)
    finds = weighed(page, plan.white, finds, asking, traits, scale, workers=desk.workers)
    twice = _twice(desk, finds, factor)
    judge = judged(finds, traits, scale, settings, twice=twice)
    found = dust_map(page, finds, judge, in_ink=settings.in_ink)
    after = replace(plan, dust=found if found.count else None)
    kinds = np.bincount(finds.kind[judge], minlength=3)
    record.numbers = {
        "candidates": len(finds.kind),
        "dust": found.count,
        **{f"dust_{name}": int(count) for name, count in zip(KINDS, kinds, strict=True)},
        "seen_by_two_pieces": int(twice.sum()) if twice is not None else None,
        "dust_per_cm2": found.count
        / max(desk.area.height * desk.area.width * (MM_PER_INCH / page.dpi) ** 2 / 100, 1e-9),
        "median_size_mm": float(np.median(finds.size[judge])) if judge.any() else None,
        "changed_share": float(judge[finds.owner].sum() * factor**2 / (desk.area.height * desk.area.width)),
        "blur_px": plan.traits.blur,
        "words": f"{found.count} of {len(finds.kind)} marks looked at were dust",
    }
    if not traits.found:
        record.warnings.append("no solid ink was found, so only specks far from everything drawn were taken for dust")
    if page.dpi < COARSE_DPI:
        record.warnings.append(
            f"at {page.dpi:.0f} dpi most dust is no larger than a pixel and cannot be told from dots"
        )
    if found.count:
        x, y = _thickest(finds, judge, factor)
        show_step(desk.album, "dust", page, (plan, after), (x, y))
        write_mask(desk.album, page, found, plan.frame, workers=desk.workers)
    return after


def tone(desk: CleanContext, plan: CleanPlan, settings: ToneSettings, record: Record) -> CleanPlan:
    """Set black and white point, cut edges if asked."""
    white = float(luminance(plan.white.mean[None, None])[0, 0])
    at = points(settings, plan.traits, white)
    after = replace(plan, tone=at)
    black_star, white_star = lightness(max(0.0, at.black * white)), lightness(min(1.0, at.white * white))
    record.numbers = {
        "white_point_lightness": white_star,
        "black_point_lightness": black_star,
        "ink_found": plan.traits.found,
        "ink_lightness": lightness(plan.traits.black * white) if plan.traits.found else None,
        "grain_share": plan.traits.grain,
        **_jagged(desk, after),
        "words": f"black at L* {black_star:.1f}, white at L* {white_star:.1f}",
    }
    if settings.black == "found" and not plan.traits.found:
        record.warnings.append("no solid ink was found; black was left where it is")
    if desk.boxes:
        box = desk.boxes[0]
        show_step(desk.album, "tone", desk.page, (plan, after), (box.col + box.width / 2, box.row + box.height / 2))
    return after


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


def _darkness(view: Floats, factor: int, area: Box, mean: Floats) -> Floats:
    """(h, w) 1 where the small view of `area` shows ink."""
    part = view[area.row // factor : max(1, area.bottom // factor), area.col // factor : max(1, area.right // factor)]
    return np.asarray(luminance(part) < 0.5 * luminance(mean[None, None])[0, 0], np.float32)


def _twice(desk: CleanContext, finds: Finds, factor: int) -> Mask | None:
    pieces = pieces_of(desk.source)
    if not pieces:
        return None
    x, y = ((places + 0.5) * factor - 0.5 for places in (finds.col.astype(float), finds.row.astype(float)))
    return seen_twice(pieces, x, y, desk.page.dpi)


def _thickest(finds: Finds, judge: Mask, factor: int) -> tuple[float, float]:
    """(x, y) px of the page where most dust lies within a few mm."""
    rows, cols = finds.row[judge] * factor, finds.col[judge] * factor
    near = np.hypot(rows[:, None] - rows[None, :100], cols[:, None] - cols[None, :100]) < 100 * factor
    best = int(near.sum(axis=0).argmax())
    return float(cols[best]), float(rows[best])
