"""I put a plan into words: what to do, in which order, and what to be careful with.

In: the plan's record. Out: plain text.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from stitchbed.planning.captures import CapturePlan
from stitchbed.planning.costs import in_words, time_in_words

HANDLING = (
    "Wet, pastel, charcoal, flaking or valuable work does not go face down on glass: photograph it; ask a conservator.",
    "Stay within the load the maker of your scanner allows on the glass; press with the lid or a flat board.",
    "Thick paint, foil, collage and embossing look otherwise lit from another side: lay all captures of such work the "
    "same way up, as far as the scanner lets you.",
    "Clean the glass before the first capture and look at it again after every fourth.",
    "Scan once for nothing: a cold lamp makes the first capture about 1 % denser than the next ones.",
    "Let every setting stay as it is for all captures: no automatic exposure, sharpening, descreening or dust removal.",
    "Keep the pieces as TIFF or PNG; a lossy JPEG is no master.",
    "Scan only what is yours to copy, or with the consent of whoever holds the rights.",
)
MARKS = (
    "Marks help where an overlap shows bare paper only: small light pencil crosses, or low-tack slips, on the sheet's "
    "bare margin at the places given, so that both captures see them. They must move with the sheet, so never on the "
    "glass; never on the picture itself, nor on paper that does not stand it."
)
TOLERANCE_MM = 3.0  # ISO 216 lets a long side differ by up to 3 mm (from memory)


def heading(record: Mapping[str, Any]) -> str:
    """One line for the top of text and drawing."""
    art, bed = record["art_mm"], record["bed_mm"]
    count = len(record["layout"]["captures"])
    captures = "1 capture" if count == 1 else f"{count} captures"
    return f"{captures}: sheet {art[0]:g} x {art[1]:g} mm on a bed of {bed[0]:g} x {bed[1]:g} mm"


def cautions(
    art: tuple[float, float], bed: tuple[float, float], layout: CapturePlan, advice: dict[str, Any]
) -> list[str]:
    """What could go wrong with this very plan."""
    found = list(advice["cautions"])
    if layout.unreachable:
        found.append(_ways_out(layout, art, bed))
    both = (min(bed), min(bed))  # laid both ways, a single row or column is one that fits either way
    seen = {True: (bed[1], bed[0]), False: bed, None: both}[layout.bed_turned]
    for name, length, side, count in zip(("width", "height"), art, seen, (layout.columns, layout.rows), strict=True):
        if count == 1 and side - length < TOLERANCE_MM:
            found.append(
                f"the sheet's {name} ({length:g} mm) just fits the bed ({side:g} mm): measure the sheet itself"
            )
    return found


def _ways_out(layout: CapturePlan, art: tuple[float, float], bed: tuple[float, float]) -> str:
    """Which captures cannot be laid, and what then."""
    numbers = ", ".join(str(number) for number in layout.unreachable)
    count, total = len(layout.unreachable), len(layout.captures)
    return (
        f"{count} of {total} captures are out of reach ({numbers}): the sheet would have to pass a closed side of the "
        "bed, and no rows or columns, laid one way or both, leave fewer. Ways out: take the lid off its "
        "hinge and plan again with "
        "--closed none; lay the sheet over a support as high as the glass all around, so that it passes the frame "
        f"flat; use a bed larger than {bed[0]:g} x {bed[1]:g} mm; or photograph the sheet of {art[0]:g} x {art[1]:g} "
        "mm with cards beside it (rectify)"
    )


def summary(record: Mapping[str, Any], output: Path | None = None) -> str:
    """The whole plan as text."""
    parts = [
        heading(record),
        "",
        *_layout_lines(record),
        "",
        *_capture_lines(record["layout"]["captures"], record["closed_sides"]),
        "",
        *_cost_lines(record["costs"], record["advice"]),
        "",
        *_table_lines(record["dpi_table"]),
    ]
    if record["layout"]["marks_mm"]:
        places = "; ".join(f"{x:g}, {y:g}" for x, y in record["layout"]["marks_mm"])
        parts += ["", MARKS, f"Places (mm from the sheet's left, top): {places}"]
    if record["cautions"]:
        parts += ["", "Careful:", *(f"  - {line}" for line in record["cautions"])]
    return "\n".join([*parts, "", "Handling:", *(f"  - {line}" for line in record["handling"])])


def _layout_lines(record: Mapping[str, Any]) -> list[str]:
    layout = record["layout"]
    ways = {True: "the sheet lies across the bed (turned by a quarter)", False: "the sheet lies upright"}
    way = ways.get(layout["bed_turned"], "the sheet lies upright in some and across the bed in others, as told at each")
    overlaps = [
        f"{mm:.0f} mm between {names}"
        for mm, names in zip(layout["overlap_mm"], ("columns", "rows"), strict=True)
        if mm is not None
    ]
    most = "at most " if layout["bed_turned"] is None else ""
    lines = [f"{most}{layout['columns']} across, {layout['rows']} down; {way}"]
    if overlaps:
        lines.append("overlap: " + ", ".join(overlaps))
    for other in record["others"]:
        way = "across" if other["bed_turned"] else "upright"
        lost = f", {other['unreachable']} out of reach" if other["unreachable"] else ""
        lines.append(f"  with {other['overlap_mm']:g} mm at least, {way}: {other['captures']}{lost}")
    return lines


def _capture_lines(captures: list[dict[str, Any]], closed: list[str]) -> list[str]:
    lines = ["Captures in order (sides of the bed as they come out in the scan):"]
    for one in captures:
        sides = " and ".join(f"the sheet's {one['sheet_side_at'][side]} toward the bed's {side}" for side in closed)
        hangs = ", ".join(one["hangs_over"]) or "nowhere"
        lines.append(
            f"  {one['number']:2d}. row {one['row'] + 1}, column {one['col'] + 1}: from {max(one['x_mm'], 0):.0f}, "
            f"{max(one['y_mm'], 0):.0f} mm; turned {one['turn_deg']} deg"
            + (f" ({sides})" if sides else "")
            + f"; hangs over: {hangs}"
            + ("" if one["reachable"] else "  OUT OF REACH")
        )
    return lines


def _cost_lines(cost: dict[str, Any], advice: dict[str, Any]) -> list[str]:
    kind = f"{cost['channels']} x {cost['bits']} bit"
    lines = [
        f"Resolution: {advice['dpi']:g} dpi (advised {advice['advised']}). Why: {advice['why']}.",
        f"Each piece: {cost['piece_px'][0]} x {cost['piece_px'][1]} px, {in_words(cost['piece_bytes'])} ({kind})",
        f"Master: {cost['master_px'][0]} x {cost['master_px'][1]} px, {in_words(cost['master_bytes'])}"
        + (", written as BigTIFF" if cost["bigtiff"] else ""),
        f"Needs: {in_words(cost['disk_bytes'])} of disk, {in_words(cost['memory_bytes'])} of memory",
        "Formats for the master: " + "; ".join(f"{name} {verdict}" for name, verdict in cost["formats"].items()),
    ]
    if cost["capture_seconds"]:
        least, most = (time_in_words(seconds) for seconds in cost["capture_seconds"])
        total = " to ".join(time_in_words(seconds) for seconds in cost["session_seconds"])
        lines.append(f"Time: {least} to {most} a capture, {total} in all with a minute to lay each")
    return lines


def _table_lines(table: list[dict[str, Any]]) -> list[str]:
    lines = ["  dpi   piece px        piece      master px       master     um/px  0.1 mm line"]
    for row in table:
        piece, master = (f"{row[key][0]} x {row[key][1]}" for key in ("piece_px", "master_px"))
        lines.append(
            f"  {row['dpi']:<5g} {piece:<15} {in_words(row['piece_bytes']):<10} {master:<15} "
            f"{in_words(row['master_bytes']):<10} {row['micrometers_per_px']:<6} {row['line_0_1_mm_px']} px"
        )
    return lines
