"""I put the record's lists into tables of the proof page.

In: the record. Out: HTML with every word of the record escaped.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.report.overlays import number, rows

# ICC PCS (D50) to linear sRGB: Bradford-adapted primaries, inverse of the sRGB colorants of IEC 61966-2-1.
SRGB_FROM_D50 = np.linalg.inv(
    np.array([[0.43604, 0.38511, 0.14305], [0.22248, 0.71690, 0.06061], [0.01392, 0.09707, 0.71391]])
)
D50 = np.array([0.9642, 1.0, 0.8249])
MOST_TEXT = 40_000  # letters of one block
SHORT_HASH = 12  # letters of a hash shown in a table; the whole one is beside it for copying


@dataclass(frozen=True)
class Markup:
    """HTML that is safe as it is; every other cell is escaped."""

    html: str


Cell = str | float | int | Markup


def cell(value: Cell, kind: str = "td") -> str:
    """One table cell; numbers to the right."""
    if isinstance(value, Markup):
        return f"<{kind}>{value.html}</{kind}>"
    if isinstance(value, str):
        return f"<{kind}>{escape(value)}</{kind}>"
    return (
        f'<{kind} class="n">{value:.4g}</{kind}>' if isinstance(value, float) else f'<{kind} class="n">{value}</{kind}>'
    )


def table(name: str, head: Sequence[str], lines: Sequence[Sequence[Cell]]) -> str:
    """A table in a frame that scrolls by keys on a narrow screen."""
    first = "".join(f'<th scope="col">{escape(text)}</th>' for text in head)
    body = "".join("<tr>" + "".join(cell(value) for value in line) + "</tr>" for line in lines)
    return (
        f'<div class="scroll" role="region" tabindex="0" aria-label="{escape(name)}">'
        f"<table><thead><tr>{first}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def links_table(record: Mapping[str, Any], places: Sequence[Mapping[str, Any]]) -> str:
    """Links, the ones in trouble first, each with a button that shows its place."""
    where = {(place["a"], place["b"]): index for index, place in enumerate(places)}
    lines: list[list[Cell]] = []
    for item in sorted(rows(record, "links"), key=_trouble, reverse=True):
        a, b = str(item.get("a")), str(item.get("b"))
        index = where.get((a, b))
        label = escape(f"{a} – {b}", quote=True)
        names = Markup(f'<button data-link="{index}">{label}</button>') if index is not None else Markup(label)
        figures = [int(number(item.get("points"))), number(item.get("rms_px")), number(item.get("worst_px"))]
        lines.append([names, _state(item), *figures])
    return table("Links", ["pieces", "state", "points", "rms, px", "worst, px"], lines) if lines else ""


def pieces_table(record: Mapping[str, Any]) -> str:
    """Originals, where they went, and their hashes."""
    placed = {item.get("tile"): item for item in rows(record, "placements")}
    lines: list[list[Cell]] = []
    if not any("width" in item for item in rows(record, "inputs")):
        lines = [[str(item.get("name")), _hash(item.get("sha256"))] for item in rows(record, "inputs")]
        return table("Files", ["file", "sha256"], lines) if lines else ""
    for item in rows(record, "inputs"):
        place = placed.get(item.get("name"), {})
        size = f"{int(number(item.get('width')))} x {int(number(item.get('height')))}"
        kind = f"{int(number(item.get('channels'), 3))} x {int(number(item.get('bits'), 8))} bit"
        figures: list[Cell] = [_figure(place, "rotation_deg"), _figure(place, "scale"), _figure(place, "sigma_px")]
        lines.append([str(item.get("name")), size, _dpi(item.get("dpi")), kind, *figures, _hash(item.get("sha256"))])
    head = ["piece", "px", "dpi", "kind", "turned, deg", "scale", "sigma, px", "sha256"]
    return table("Pieces", head, lines) if lines else ""


def gains_table(record: Mapping[str, Any]) -> str:
    """Gains, offsets and shading per piece."""
    lines: list[list[Cell]] = []
    for index, item in enumerate(rows(record, "gains"), start=1):
        triples = [_series(item.get(key)) for key in ("gain", "offset", "shading_range")]
        lines.append([index, str(item.get("tile")), *triples])
    return table("Gains", ["no.", "piece", "gain", "offset", "shading, least and most"], lines) if lines else ""


def color_table(color: Mapping[str, Any]) -> str:
    """Patches of a card: wanted and found colors beside each other, before and after."""
    lines: list[list[Cell]] = []
    for patch in rows(color, "patches"):
        pairs = [_swatches(patch.get("lab"), patch.get(key)) for key in ("before", "after")]
        errors: list[Cell] = [_figure(patch, "de00_before"), _figure(patch, "de00_after")]
        lines.append([str(patch.get("name")), pairs[0], errors[0], pairs[1], errors[1]])
    head = ["patch", "wanted | before", "dE00 before", "wanted | after", "dE00 after"]
    return table("Color patches", head, lines) if lines else ""


def grades_table(record: Mapping[str, Any]) -> str:
    """Grades reached against published limits."""
    keys = ("quantity", "value", "unit", "limit", "grade", "source")
    lines = [[_plain(item.get(key)) for key in keys] for item in rows(record, "grades")]
    return table("Grades", list(keys), lines) if lines else ""


def steps_table(record: Mapping[str, Any]) -> str:
    """What each step took and said."""
    lines: list[list[Cell]] = []
    for item in rows(record, "steps"):
        warned = item.get("warnings")
        words = "; ".join(str(line) for line in warned) if isinstance(warned, list) else ""
        told = item.get("numbers")
        numbers = told if isinstance(told, Mapping) else {}
        found = str(numbers["words"]) if "words" in numbers else _short_json(numbers)
        lines.append([str(item.get("step")), number(item.get("seconds")), found, words])
    return table("Steps", ["step", "seconds", "numbers", "warnings"], lines) if lines else ""


def lift_table(record: Mapping[str, Any]) -> str:
    """Pieces that were off the glass somewhere, the worst first."""
    worst: dict[str, float] = {}
    for item in rows(record, "lift"):
        name = str(item.get("tile"))
        worst[name] = max(worst.get(name, 0.0), number(item.get("depth")))
    ordered = sorted(worst.items(), key=lambda pair: (-pair[1], pair[0]))
    lines: list[list[Cell]] = [[name, round(100 * loss, 1)] for name, loss in ordered]
    return table("Lift", ["piece", "light lost at worst, %"], lines) if lines else ""


def dust_table(dust: Mapping[str, Any], dpi: float) -> str:
    """Replaced specks, the largest first."""
    spots = sorted(rows(dust, "spots"), key=lambda spot: -number(spot.get("radius_px")))
    mm = MM_PER_INCH / dpi if dpi > 0 else float("nan")
    lines: list[list[Cell]] = [
        [
            *(round(number(spot.get(key)) * mm, 1) for key in ("x", "y")),
            number(spot.get("radius_px")),
            _plain(spot.get("from")),
        ]
        for spot in spots[:200]
    ]
    head = ["x, mm", "y, mm", "radius, px", "taken from"]
    if not any(spot.get("from") for spot in spots):
        head, lines = head[:3], [line[:3] for line in lines]
    return table("Dust", head, lines) if lines else ""


def lab_to_css(lab: Sequence[float]) -> str:
    """CIELAB D50 to "#rrggbb" sRGB, clipped. References: ICC.1:2022 annex A; IEC 61966-2-1:1999."""
    fy = (lab[0] + 16) / 116
    f = np.array([fy + lab[1] / 500, fy, fy - lab[2] / 200])
    xyz = D50 * np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29))
    linear = np.clip(SRGB_FROM_D50 @ xyz, 0, 1)
    encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return "#" + "".join(f"{round(255 * float(value)):02x}" for value in encoded)


def pretty(value: object) -> str:
    """JSON, indented and escaped, for a block of text; very long ones are cut, as the record has them whole."""
    text = json.dumps(value, indent=1, ensure_ascii=False, default=str)
    return escape(text if len(text) <= MOST_TEXT else text[:MOST_TEXT] + "\n... (the rest is in the record)")


def _trouble(item: Mapping[str, Any]) -> tuple[bool, bool, float]:
    return bool(item.get("dropped")), bool(item.get("weak")), number(item.get("rms_px"))


def _state(item: Mapping[str, Any]) -> Cell:
    reason = escape(str(item.get("reason") or ""))
    if item.get("dropped"):
        return Markup(f'<span class="bad">dropped</span> {reason}')
    if item.get("weak"):
        return Markup(f'<span class="bad">weak</span> {reason}')
    return Markup(f'<span class="fine">used</span> {reason}')


def _figure(item: Mapping[str, Any], key: str) -> Cell:
    value = item.get(key)
    return round(number(value), 5) if isinstance(value, int | float) else ""


def _dpi(value: object) -> str:
    if isinstance(value, list | tuple):
        return " x ".join(f"{number(item):g}" for item in dict.fromkeys(value))
    return f"{number(value):g}" if isinstance(value, int | float) else "not said"


def _hash(value: object) -> Cell:
    text = escape(str(value or ""))
    return (
        Markup(f"<details><summary><code>{text[:SHORT_HASH]}</code></summary><code>{text}</code></details>")
        if text
        else ""
    )


def _series(value: object) -> str:
    if isinstance(value, list | tuple):
        return ", ".join(f"{number(item):.4g}" for item in value)
    return "" if value is None else str(value)


def _plain(value: object) -> Cell:
    if isinstance(value, bool) or value is None:
        return "" if value is None else str(value)
    return value if isinstance(value, int | float | str) else _short_json(value)


def _short_json(value: object) -> str:
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 300 else text[:297] + "..."


def _swatches(wanted: object, found: object) -> Cell:
    """Both colors touching, as one looks for a border between them."""
    colors = [_lab(wanted), _lab(found)]
    parts = [
        f'<rect x="{27 * index}" width="27" height="17" fill="{lab_to_css(lab)}"/>'
        for index, lab in enumerate(colors)
        if lab is not None
    ]
    words = " | ".join("none" if lab is None else ", ".join(f"{value:.1f}" for value in lab) for lab in colors)
    return Markup(
        f'<span class="pair"><svg viewBox="0 0 54 17" role="img" aria-label="Lab {escape(words)}" '
        f'preserveAspectRatio="none">{"".join(parts)}</svg></span> <span class="quiet">{escape(words)}</span>'
    )


def _lab(value: object) -> list[float] | None:
    if isinstance(value, list | tuple) and len(value) == 3:
        return [number(item) for item in value]
    return None
