"""I say before the work how to cut the sheet into captures, and what each resolution costs.

In: the sheet, the bed, the use. Out: a record, a text to read, and a drawing to print.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Any

from stitchbed.core import quantities as sizes
from stitchbed.core.errors import BadSettings
from stitchbed.core.progress import Cancel, Progress, never, silent, watched
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.core.record import plain
from stitchbed.core.settings import Setting, check
from stitchbed.drawing.svg import write_drawing
from stitchbed.pipelines.contract.claims import claim_outputs
from stitchbed.pipelines.contract.inputs import Inputs, paths_of
from stitchbed.pipelines.contract.records import PlanRecord
from stitchbed.pipelines.texts import plan as planning_words
from stitchbed.planning import costs
from stitchbed.planning.captures import (
    MOST_CAPTURES,
    SIDES,
    CapturePlan,
    best_layout,
    captures_needed,
    grid_layout,
    mark_places,
)
from stitchbed.planning.drawing import PlanSheet, plan_page

PRINT_DPI = 300  # the least for print at the printed size; common practice, and FADGI 2016's floor for oversize items
STEPS = (300, 400, 600, 800, 1200)  # dpi most beds offer; common practice, no source
MOST_DPI = 1200  # beyond this a flatbed adds pixels, not detail: Simcoe, ASP Conf. Ser. 410, 2009


@dataclass(frozen=True)
class PlanSettings:
    """What the user says.

    art, bed : sizes in words. dpi : None asks for advice. use : see `sizes.enlargement`.
    overlap : least, a length or a share of the bed's short side; 20 % because 20 to 30 % is usual (common practice, no
    source) and the outer 10 mm may be lifted. closed : sides of the scan the sheet cannot pass; "top" because lids are
    hinged there on many beds. timed : "38s@300" or None. depth : of the pieces; 16 bits leave room for toning.
    """

    art: Annotated[str, Setting("The sheet: 420x594mm, 18x24in, A2, letter ...")]
    bed: Annotated[str, Setting("What the scanner sees: 216x297mm, as the scan stands.")]
    dpi: Annotated[float | None, Setting("Resolution; without it one is advised.", unit="dpi", low=30, high=20_000)] = (
        None
    )
    use: Annotated[str, Setting('print-same-size, "enlarge 2x" or web.')] = "print-same-size"
    overlap: Annotated[str, Setting("Least overlap: a length or a share of the bed.")] = "20%"
    closed: Annotated[
        tuple[str, ...],
        Setting(
            "Side of the scan where the sheet cannot hang over the bed (the lid's hinge); may be given again.",
            choices=(*SIDES, "none"),
            many=True,
        ),
    ] = ("top",)
    timed: Annotated[str | None, Setting("One capture you timed, such as 38s@300.", option="timing")] = None
    depth: costs.Depth = field(default_factory=costs.Depth)
    replace: bool = False


def plan(
    inputs: Inputs,
    output: Inputs | None,
    settings: PlanSettings,
    *,
    progress: Progress = silent,
    cancel: Cancel = never,
) -> PlanRecord:
    """The whole plan; each path of `output` (.svg or .png) receives the page to print. inputs : none.

    Raises
    ------
    BadSettings : words that are no size, use or timing; 1 bit in color; too many captures.
    CannotWrite : a drawing could not be written.
    """
    check(settings)
    drawings, progress = paths_of(output), watched(progress, cancel)
    if paths_of(inputs):
        raise BadSettings("pictures given to `plan`", expected="sizes only", attempt="--art 420x594mm --bed A4")
    progress("planning", 0, 1)
    if settings.depth.bits == 1 and settings.depth.channels != 1:
        raise BadSettings(
            "1 bit per channel in color",
            expected="1 bit in gray, or 8 or 16 bits in color",
            attempt="--bits 1 --gray",
        )
    art = sizes.size_mm(settings.art, option="--art")
    bed = sizes.size_mm(settings.bed, option="--bed")
    closed = tuple(side for side in settings.closed if side != "none")
    overlap = sizes.length_mm(settings.overlap, option="--overlap", whole_mm=min(bed))
    layout = best_layout(art, bed, overlap_mm=overlap, closed=closed)
    advice = advised_dpi(settings.use, settings.dpi)
    record = {
        "command": "plan",
        "art_mm": art,
        "bed_mm": bed,
        "closed_sides": list(closed),
        "advice": advice,
        "layout": _layout_record(layout, art),
        "costs": cost_record(art, bed, layout, float(advice["dpi"]), settings),
        "others": _other_layouts(art, bed, closed, overlap),
        "dpi_table": [cost_line(art, bed, dpi, settings.depth) for dpi in sorted({*STEPS, round(advice["dpi"])})],
        "cautions": planning_words.cautions(art, bed, layout, advice),
        "handling": list(planning_words.HANDLING),
    }
    claim_outputs(drawings, [], settings)
    sheet = PlanSheet(art, bed, layout, mark_places(layout, art), planning_words.heading(record), closed)
    for path in drawings:
        write_drawing(path, plan_page(sheet))
    record["drawings"] = [str(path) for path in drawings]
    told: PlanRecord = plain(record)
    return told


def advised_dpi(use: str, chosen: float | None) -> dict[str, Any]:
    """The dpi to scan with and why; a chosen dpi is kept and judged.

    References: FADGI 2016 (drawings 400 ppi three star, 600 four star); Simcoe 2009.
    """
    factor = sizes.enlargement(use)
    if factor is None:
        least, advised = 150, PRINT_DPI
        why = f"a screen copy needs less, but {PRINT_DPI} dpi is the least that can still be printed at the same size"
    else:
        least = round(PRINT_DPI * factor)
        wanted = max(600, least)
        advised = next((step for step in STEPS if step >= wanted), MOST_DPI)
        why = (
            f"print needs {PRINT_DPI} dpi at the printed size, {least} dpi on the sheet; {advised} dpi leaves room for "
            "turning, trimming and thin lines, and is what drawings are digitized with at the highest grade "
            "(FADGI 2016: 600 ppi)"
        )
    return {
        "dpi": chosen or advised,
        "advised": advised,
        "least": least,
        "why": why,
        "use": use,
        "cautions": _dpi_cautions(chosen or advised, least),
    }


def cost_line(art: tuple[float, float], bed: tuple[float, float], dpi: float, depth: costs.Depth) -> dict[str, Any]:
    """Pixels and bytes of one piece and of the master at one dpi, and what a thin line measures."""
    piece = costs.pixels(bed[0], dpi), costs.pixels(bed[1], dpi)
    master = costs.pixels(art[0], dpi), costs.pixels(art[1], dpi)
    return {
        "dpi": dpi,
        "piece_px": piece,
        "piece_bytes": costs.picture_bytes(*piece, depth),
        "master_px": master,
        "master_bytes": costs.picture_bytes(*master, depth),
        "micrometers_per_px": round(1000 * MM_PER_INCH / dpi, 1),
        "line_0_1_mm_px": round(dpi / MM_PER_INCH / 10, 2),
    }


def cost_record(
    art: tuple[float, float], bed: tuple[float, float], layout: CapturePlan, dpi: float, settings: PlanSettings
) -> dict[str, Any]:
    """Bytes, time, disk, memory and formats of the whole job."""
    line = cost_line(art, bed, dpi, settings.depth)
    count = len(layout.captures)
    width, height = line["master_px"]
    timed = sizes.timing(settings.timed) if settings.timed else None
    span = costs.scan_seconds(timed, dpi) if timed else None
    return {
        **line,
        "channels": settings.depth.channels,
        "bits": settings.depth.bits,
        "pieces_bytes": line["piece_bytes"] * count,
        "bigtiff": line["master_bytes"] * costs.VIEWS_SHARE >= 2**32,
        "formats": costs.formats_for(width, height, settings.depth),
        "disk_bytes": costs.disk_bytes(line["piece_bytes"], count, line["master_bytes"]),
        "memory_bytes": costs.WORK_BYTES,
        "capture_seconds": span,
        "session_seconds": [count * (end + costs.SECONDS_TO_LAY) for end in span] if span else None,
    }


def _dpi_cautions(dpi: float, least: int) -> list[str]:
    found = []
    if dpi < least:
        found.append(f"{dpi:g} dpi is below the {least} dpi this use needs")
    if dpi < PRINT_DPI:
        found.append(f"{PRINT_DPI} dpi is the least for print; a sheet is rarely laid out twice")
    if max(dpi, least) > MOST_DPI:
        found.append(
            f"beyond {MOST_DPI} dpi a flatbed seldom shows more (Simcoe 2009: the technology ends at 600 to 1200 dpi); "
            "capture one piece at two resolutions and let `compare` say where detail ends"
        )
    return found


def _layout_record(layout: CapturePlan, art: tuple[float, float]) -> dict[str, Any]:
    return {
        "captures": [plain(capture) for capture in layout.captures],
        "columns": layout.columns,
        "rows": layout.rows,
        "bed_turned": layout.bed_turned,
        "overlap_mm": layout.overlap_mm,
        "unreachable": list(layout.unreachable),
        "marks_mm": mark_places(layout, art),
    }


def _other_layouts(
    art: tuple[float, float], bed: tuple[float, float], closed: tuple[str, ...], chosen: float
) -> list[dict[str, Any]]:
    """Counts at other overlaps and both ways to lay the bed, so that the user sees what a choice costs."""
    found = []
    for overlap in sorted({25.0, 50.0, round(chosen, 1)}):
        for turned in (False, True):
            if overlap < min(bed) and captures_needed(art, bed, overlap_mm=overlap, bed_turned=turned) <= MOST_CAPTURES:
                grid = grid_layout(art, bed, overlap_mm=overlap, closed=closed, bed_turned=turned)
                found.append(
                    {
                        "overlap_mm": overlap,
                        "bed_turned": turned,
                        "captures": len(grid.captures),
                        "unreachable": len(grid.unreachable),
                    }
                )
    return found
