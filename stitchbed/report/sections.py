"""I sort a record into the sections of a proof page.

In: the record (missing keys are fine), the shapes over the picture, pictures from before and after. Out: sections of
blocks, each with the meaning of what its words do not say plainly.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

from stitchbed.report import tables
from stitchbed.report.blocks import Block, Fact, Facts, Figure, Fold, PagePair, Section, Table, Words
from stitchbed.report.charts import Chart, bed_chart, gains_chart, residual_chart
from stitchbed.report.records import mapping, number, rows

STEPS = ("clean", "color", "rectify")
# What the page shows in places of its own; everything else of the record is listed at its end.
SHOWN = frozenset(
    {
        *("version", "command", "canvas", "inputs", "placements", "links", "residuals", "gains", "bed", "seams"),
        *("dust", "changes", "lift", "color", "grades", "steps", "warnings", "seconds", "started"),
    }
)
TERMS = {
    "rms": "root of the mean square: a mean in which large values weigh more",
    "L*": "lightness as the eye judges it, from 0, black, to 100, white",
    "Lab": "a color as the eye judges it: lightness 0 to 100, then green to red, then blue to yellow",
    "dE": "difference between two colors as the eye judges it (CIEDE2000): 1 is hardly seen",
    "sliver": "a region too small to be meant; it joins a neighbor",
    "sha256": "a file's fingerprint: the same letters mean the same file, byte for byte",
    "gain": "what a piece's light is multiplied by (red, green, blue), so that neighbors are equally bright",
    "offset": "what is added to a piece's light, of white",
    "shading": "how much a piece's light is evened from place to place",
    "p99": "99 of 100 are below this",
}


def sections(
    record: Mapping[str, Any], shapes: Mapping[str, Any], pairs: Sequence[PagePair] = ()
) -> tuple[Section, ...]:
    """Sections of what the record holds."""
    color = mapping(record.get("color"))
    of_step = record.get("command") in STEPS
    found: dict[tuple[str, str], Sequence[Block | None]] = {
        ("pairs", "Before and after"): pairs,
        ("links", "Links"): _links(record, shapes),
        ("exposure", "Exposure"): _exposure(record),
        ("bed", "Bed"): _bed(mapping(record.get("bed"))),
        ("residuals", "Residuals"): [
            _figure(residual_chart(record), "Distances left between pieces that show the same place.")
        ],
        ("lift", "Lift"): [tables.lift_table(record)],
        ("dust", "Dust"): _dust(mapping(record.get("dust")), number(mapping(record.get("canvas")).get("dpi"))),
        ("changes", "Changed between scans"): [tables.changes_table(record)],
        ("color", "Color"): [_facts_of(color), tables.color_table(color)],
        ("grades", "Grades"): [tables.grades_table(record)],
        ("pieces", "Files" if of_step else "Pieces"): [tables.pieces_table(record)],
        ("steps", "Steps and settings"): [tables.steps_table(record), *_rest(record)],
    }
    return tuple(_section(*names, blocks) for names, blocks in found.items() if any(blocks))


def _section(anchor: str, title: str, blocks: Sequence[Block | None]) -> Section:
    there = tuple(block for block in blocks if block is not None)
    text = " ".join(_text(block) for block in there)
    said = tuple((w, meaning) for w, meaning in TERMS.items() if re.search(rf"(?<!\w){re.escape(w)}(?!\w)", text))
    return Section(anchor, title, there, said)


def _text(block: Block) -> str:
    """The words of a block in which a term may stand."""
    match block:
        case Table():
            return " ".join([*block.head, *(cell for line in block.lines for cell in line if isinstance(cell, str))])
        case Words() | PagePair():
            return block.text if isinstance(block, Words) else block.words
        case Facts():
            return " ".join(f"{item.before} {item.after}" for item in block.items)
        case Fold():
            return _text(block.table) if block.table else str(block.values)
    return ""


def _figure(chart: Chart | None, caption: str) -> Figure | None:
    return None if chart is None else Figure(chart, caption)


def _links(record: Mapping[str, Any], shapes: Mapping[str, Any]) -> list[Block | None]:
    table = tables.links_table(record, shapes.get("links") or [])
    words = "The links in most trouble come first. A press on a pair shows its place in the picture."
    return [Words(words, quiet=True), table] if table else []


def _exposure(record: Mapping[str, Any]) -> list[Block | None]:
    words = "Circle red, square green, diamond blue; numbers as in the table."
    return [_figure(gains_chart(record), words), tables.gains_table(record)]


def _bed(bed: Mapping[str, Any]) -> list[Block | None]:
    words = "Dotted where no overlap could see the bed; there it is taken as true."
    beds = [bed, *rows(bed, "more")] if bed else []
    return [block for one in beds for block in (_bed_facts(one), _figure(bed_chart(one), words))]


def _bed_facts(bed: Mapping[str, Any]) -> Facts | None:
    """How far the bed is from square and even, in words."""
    rest = {key: value for key, value in bed.items() if key not in ("axis_ratio", "shear_rad")}
    known = []
    if "axis_ratio" in bed:
        known.append(
            Fact(f"{100 * abs(number(bed['axis_ratio'], 1.0) - 1):.3f} %", before="along and across differ by")
        )
    if "shear_rad" in bed:
        known.append(Fact(f"{abs(math.degrees(number(bed['shear_rad']))):.3f}", "degrees", "off square by"))
    more = _facts_of(rest)
    items = (*known, *(more.items if more else ()))
    return Facts(items) if items else None


def _dust(dust: Mapping[str, Any], dpi: float) -> list[Block | None]:
    if not dust:
        return []
    words = f"{int(number(dust.get('replaced')))} specks were replaced from a piece that shows the place clean."
    if "mended" in dust:
        count = int(number(dust["mended"]))
        drawn = f" {len(rows(dust, 'spots'))} of them are drawn." if 2 * len(rows(dust, "spots")) < count else ""
        words = f"{count} specks were filled from around them.{drawn}"
    table = tables.dust_table(dust, dpi)
    found = [Words(words), _grains(rows(dust, "grains")), Fold("Where they are", table) if table else None]
    return [*found, *_in_doubt(dust)]


def _in_doubt(dust: Mapping[str, Any]) -> list[Block | None]:
    """Marks a clean-up left, and how to decide."""
    count, table = int(number(dust.get("doubtful"))), tables.doubt_table(dust)
    words = f"{count} more may be dust or drawn and were left: --dust eager takes them, --keep X,Y then leaves one."
    return [Words(words), Fold("Where those in doubt are", table) if table else None] if count else []


def _grains(grains: list[Mapping[str, Any]]) -> Words | None:
    """Where to wipe the glass."""
    at = "; ".join(f"{number(g.get('x_mm')):.0f}, {number(g.get('y_mm')):.0f}" for g in grains[:12])
    more = " and more" if len(grains) > 12 else ""
    words = (
        f"{len(grains)} of them keep their place on the glass from piece to piece: wipe it at {at}{more} "
        "(mm from the left and the top of a piece as it was scanned)."
    )
    return Words(words) if grains else None


def _facts_of(values: Mapping[str, Any]) -> Facts | None:
    """The plain numbers and words of a part of the record, as one line."""
    plain = {key: value for key, value in values.items() if isinstance(value, int | float | str)}
    items = tuple(Fact(str(value), before=key) for key, value in mapping(tables.listed(plain)).items())
    return Facts(items) if items else None


def _rest(record: Mapping[str, Any]) -> list[Fold]:
    """Settings, versions and whatever else the record holds."""
    rest = {str(key): value for key, value in record.items() if key not in SHOWN}
    return [Fold(key, values=tables.listed(value)) for key, value in sorted(rest.items())]
