"""I gather a job's record into one page of pictures and numbers that opens offline, by mouse, finger or keys.

In: the record (missing keys are fine), the picture's tiles, the shapes over it. Out: one HTML text; every word of the
record is escaped, and a strict content policy allows nothing but what the page brings with it.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from importlib import resources
from typing import Any

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.report import charts as proof_charts
from stitchbed.report import tables as proof_tables
from stitchbed.report.overlays import HEAT_STEPS, number, rows
from stitchbed.report.pictures import PagePair, pairs_section, picture_bench

HEADINGS = {
    "join": "Proof of a join",
    "clean": "Proof of a clean-up",
    "color": "Proof of color",
    "rectify": "Proof of shape and size",
}
STEPS = ("clean", "color", "rectify")
# What the page shows in places of its own; everything else of the record is listed at its end.
SHOWN = frozenset(
    {
        *("version", "command", "canvas", "inputs", "placements", "links", "residuals", "gains", "bed", "seams"),
        *("dust", "lift", "color", "grades", "steps", "warnings", "versions"),
    }
)


@dataclass(frozen=True)
class PageTiles:
    """Where the page finds its tiles.

    width, height, tile px; halvings of the smallest view; folder beside the page, or inside: name -> data URI.
    """

    width: int
    height: int
    tile: int
    halvings: int
    folder: str
    inside: Mapping[str, str] | None = None


def page_html(
    record: Mapping[str, Any], tiles: PageTiles, shapes: Mapping[str, Any], pairs: Sequence[PagePair] = ()
) -> str:
    """The whole page."""
    style = _bundled("proof.css")
    script = page_script()
    sections = _sections(record, shapes, pairs)
    title = f"{HEADINGS.get(str(record.get('command')), 'Proof')}: {_name(record)}"
    return "\n".join(
        [
            '<!DOCTYPE html>\n<html lang="en" data-mat="middle"><head><meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{content_policy(style, script)}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            '<meta name="referrer" content="no-referrer">',
            f"<title>{escape(title)}</title>",
            f"<style>{style}</style></head><body>",
            '<a class="skip" href="#numbers">Past the picture to the numbers</a>',
            _head(record, tiles, title, sections),
            picture_bench(shapes),
            f'<main id="numbers" tabindex="-1">{"".join(sections.values())}</main>',
            _foot(record),
            f'<script type="application/json" id="shapes">{_data(record, tiles, shapes)}</script>',
            f'<script type="module">{script}</script>',
            "</body></html>\n",
        ]
    )


def page_script() -> str:
    """The viewer and what the page does with it as one module: a page of one file has nowhere to import from."""
    viewer, proof = (_bundled(name) for name in ("viewer.js", "proof.js"))
    return viewer + re.sub(r'^import .* from "\./viewer\.js";$', "", proof, count=1, flags=re.MULTILINE)


def content_policy(style: str, script: str) -> str:
    """Only this style sheet and this script, by hash; pictures from beside or inside the page; nothing else.

    Reference: W3C Content Security Policy Level 3.
    """
    return (
        f"default-src 'none'; script-src {_hash_source(script)}; style-src {_hash_source(style)}; "
        "img-src 'self' data:; base-uri 'none'; form-action 'none'"
    )


def _hash_source(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def _bundled(name: str) -> str:
    return (resources.files("stitchbed.report") / "viewer" / name).read_text(encoding="utf-8")


def _name(record: Mapping[str, Any]) -> str:
    return str(_mapping(record.get("canvas")).get("path") or "canvas").replace("\\", "/").rsplit("/", 1)[-1]


def _data(record: Mapping[str, Any], tiles: PageTiles, shapes: Mapping[str, Any]) -> str:
    """JSON for the script; < is escaped so that no name can end the element."""
    inside = dict(tiles.inside) if tiles.inside is not None else None
    content = {
        **{key: getattr(tiles, key) for key in ("width", "height", "tile", "halvings", "folder")},
        "inside": inside,
        "dpi": number(_mapping(record.get("canvas")).get("dpi")),
        "steps": list(HEAT_STEPS),
        **shapes,
    }
    return json.dumps(content, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c")


def _head(record: Mapping[str, Any], tiles: PageTiles, title: str, sections: Mapping[str, str]) -> str:
    items = "".join(f'<li><a href="#{anchor}">{_title(anchor, record)}</a></li>' for anchor in sections)
    facts = " · ".join(f"<span>{fact}</span>" for fact in _facts(record, tiles))
    return (
        f'<header class="head"><h1>{escape(title)}</h1><p class="facts">{facts}</p>{_notes(record)}'
        f'<nav aria-label="Contents"><ul class="contents">{items}</ul></nav></header>'
    )


def _facts(record: Mapping[str, Any], tiles: PageTiles) -> list[str]:
    canvas = _mapping(record.get("canvas"))
    dpi = number(canvas.get("dpi"))
    facts = [f"<b>{tiles.width} x {tiles.height}</b> px"]
    if dpi > 0:
        width, height = (side / dpi * MM_PER_INCH for side in (tiles.width, tiles.height))
        facts += [f"<b>{width:.1f} x {height:.1f}</b> mm", f"<b>{dpi:g}</b> dpi"]
    if canvas.get("dtype"):
        facts.append(escape(f"{int(number(canvas.get('channels'), 3))} x {canvas['dtype']}"))
    count = sum("width" in item for item in rows(record, "inputs"))
    if count:
        facts.append(f"<b>{count}</b> piece{'s' if count > 1 else ''}")
    used = [link for link in rows(record, "links") if not link.get("dropped")]
    if used:
        points = sum(number(link.get("points")) for link in used)
        square = sum(number(link.get("points")) * number(link.get("rms_px")) ** 2 for link in used)
        worst = max(number(link.get("worst_px")) for link in used)
        facts.append(f"pieces agree to <b>{(square / max(points, 1)) ** 0.5:.2f} px</b> rms, {worst:.2f} px at worst")
    return facts


def _notes(record: Mapping[str, Any]) -> str:
    warned = record.get("warnings")
    lines = [f"<li>{escape(str(line))}</li>" for line in warned] if isinstance(warned, list | tuple) else []
    if not lines:
        return ""
    return (
        f'<div class="notes" role="note" tabindex="0"><strong>Look here first</strong><ul>{"".join(lines)}</ul></div>'
    )


TITLES = {
    "pairs": "Before and after",
    "links": "Links",
    "exposure": "Exposure",
    "bed": "Bed",
    "residuals": "Residuals",
    "lift": "Lift",
    "dust": "Dust",
    "color": "Color",
    "grades": "Grades",
    "pieces": "Pieces",
    "steps": "Steps and settings",
}


def _sections(record: Mapping[str, Any], shapes: Mapping[str, Any], pairs: Sequence[PagePair]) -> dict[str, str]:
    """Anchor -> section, for what the record holds."""
    dust, color = _mapping(record.get("dust")), _mapping(record.get("color"))
    bodies = {
        "pairs": pairs_section(pairs),
        "links": _said(
            proof_tables.links_table(record, shapes.get("links") or []),
            "The links in most trouble come first. A press on a pair shows its place in the picture.",
        ),
        "exposure": _figure(
            proof_charts.gains_chart(record), "Circle red, square green, diamond blue; numbers as in the table."
        )
        + proof_tables.gains_table(record),
        "bed": _bed(record),
        "residuals": _figure(
            proof_charts.residual_chart(record), "Distances left between pieces that show the same place."
        ),
        "lift": proof_tables.lift_table(record),
        "dust": _dust(dust, number(_mapping(record.get("canvas")).get("dpi"))),
        "color": _facts_of(color) + proof_tables.color_table(color),
        "grades": proof_tables.grades_table(record),
        "pieces": proof_tables.pieces_table(record),
        "steps": proof_tables.steps_table(record) + _rest(record),
    }
    return {
        anchor: f'<section id="{anchor}"><h2>{_title(anchor, record)}</h2>{body}</section>'
        for anchor, body in bodies.items()
        if body
    }


def _title(anchor: str, record: Mapping[str, Any]) -> str:
    """A step has files, a join has pieces."""
    return "Files" if anchor == "pieces" and record.get("command") in STEPS else TITLES[anchor]


def _said(body: str, words: str) -> str:
    return f'<p class="quiet">{words}</p>{body}' if body else ""


def _figure(chart: str, caption: str) -> str:
    return f"<figure>{chart}<figcaption>{caption}</figcaption></figure>" if chart else ""


def _bed(record: Mapping[str, Any]) -> str:
    bed = _mapping(record.get("bed"))
    more = rows(bed, "more")
    words = "Dotted where no overlap could see the bed; there it is taken as true."
    parts = [_facts_of(one) + _figure(proof_charts.bed_chart(one), words) for one in (bed, *more)]
    return "".join(parts) if bed else ""


def _dust(dust: Mapping[str, Any], dpi: float) -> str:
    if not dust:
        return ""
    listed = proof_tables.dust_table(dust, dpi)
    words = f"<p>{int(number(dust.get('replaced')))} specks were replaced from a piece that shows the place clean.</p>"
    if "mended" in dust:
        count = int(number(dust["mended"]))
        drawn = f" {len(rows(dust, 'spots'))} of them are drawn." if 2 * len(rows(dust, "spots")) < count else ""
        words = f"<p>{count} specks were filled from around them.{drawn}</p>"
    words += _grains(rows(dust, "grains"))
    return words + (f"<details><summary>Where they are</summary>{listed}</details>" if listed else "")


def _grains(grains: list[Mapping[str, Any]]) -> str:
    """Where to wipe the glass."""
    if not grains:
        return ""
    at = "; ".join(f"{number(g.get('x_mm')):.0f}, {number(g.get('y_mm')):.0f}" for g in grains[:12])
    more = " and more" if len(grains) > 12 else ""
    return (
        f"<p>{len(grains)} of them keep their place on the glass from piece to piece: wipe it at {at}{more} "
        "(mm from the left and the top of a piece as it was scanned).</p>"
    )


def _facts_of(values: Mapping[str, Any]) -> str:
    """The plain numbers and words of a part of the record, as one line."""
    plain = [(key, value) for key, value in values.items() if isinstance(value, int | float | str)]
    words = " · ".join(
        f"{escape(str(key).replace('_', ' '))} <b>{value if isinstance(value, int) else _short(value)}</b>"
        for key, value in plain
    )
    return f'<p class="facts">{words}</p>' if words else ""


def _short(value: float | str) -> str:
    return f"{value:.6g}" if isinstance(value, float) else escape(value)


def _rest(record: Mapping[str, Any]) -> str:
    """Settings, versions and whatever else the record holds."""
    rest = {key: value for key, value in record.items() if key not in SHOWN or key == "versions"}
    blocks = [
        f'<details><summary>{escape(str(key))}</summary><pre tabindex="0">{proof_tables.pretty(value)}</pre></details>'
        for key, value in sorted(rest.items(), key=lambda item: str(item[0]))
    ]
    return "".join(blocks)


def _foot(record: Mapping[str, Any]) -> str:
    version = escape(str(record.get("version") or ""))
    return (
        f'<footer class="foot"><p>Written by stitchbed {version}. Colors are shown as sRGB; the file itself keeps its '
        "profile. Keys on the picture: arrows move, + and - zoom, 0 shows all, 1 to 6 switch overlays.</p></footer>"
    )


def _mapping(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}
