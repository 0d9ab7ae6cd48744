"""I gather a job's record into one page of pictures and numbers that opens offline, by mouse, finger or keys.

In: the record (missing keys are fine), the picture's tiles, the shapes over it. Out: one HTML text, written by
`templates/`; every word of the record is escaped, and a strict content policy allows only what the page brings with it.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from itertools import pairwise
from typing import Any

from stitchbed.core.quantities import MM_PER_INCH, two_digits
from stitchbed.report.blocks import Fact, PagePair
from stitchbed.report.overlays import HEAT_STEPS, MOST_ARROWS
from stitchbed.report.records import mapping, number, rows
from stitchbed.report.sections import sections
from stitchbed.report.tables import pixel_kind

HEADINGS = {
    "join": "Proof of a join",
    "clean": "Proof of a clean-up",
    "color": "Proof of color",
    "rectify": "Proof of shape and size",
}
OVERLAYS = {
    "pieces": "Pieces",
    "seams": "Seams",
    "arrows": "Residuals",
    "heat": "Heat of residuals",
    "dust": "Dust",
    "changes": "Changes",
    "lift": "Lift",
}


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


@dataclass(frozen=True)
class Switch:
    """A button that lays something over the picture; empty : there is nothing of it."""

    name: str
    words: str
    empty: bool


def page_html(
    record: Mapping[str, Any], tiles: PageTiles, shapes: Mapping[str, Any], pairs: Sequence[PagePair] = ()
) -> str:
    """The whole page."""
    style, script = bundled("viewer/overlays.css") + bundled("viewer/proof.css"), page_script()
    canvas = mapping(record.get("canvas"))
    name = str(canvas.get("path") or "canvas").replace("\\", "/").rsplit("/", 1)[-1]
    warned = record.get("warnings")
    return rendered(
        "page.html",
        title=f"{HEADINGS.get(str(record.get('command')), 'Proof')}: {name}",
        policy=content_policy(style, script),
        style=style,
        script=script,
        about=_about(record, tiles),
        warnings=[str(line) for line in warned] if isinstance(warned, list | tuple) else [],
        sections=sections(record, shapes, pairs),
        switches=_switches(shapes),
        arrows=len(shapes.get("arrows") or ()),
        shades=_shades(),
        most_arrows=MOST_ARROWS,
        data={**vars(tiles), "dpi": number(canvas.get("dpi")), "steps": HEAT_STEPS, **shapes},
        version=str(record.get("version") or ""),
    )


def rendered(template: str, **values: Any) -> str:
    """A template of `templates/` with values, escaped; a value that is missing is an error."""
    from jinja2 import Environment, PackageLoader, StrictUndefined  # only where a page is written

    loader = PackageLoader("stitchbed.report")
    rooms = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    rooms.policies["json.dumps_kwargs"] = {"ensure_ascii": False, "separators": (",", ":"), "allow_nan": False}
    return rooms.get_template(template).render(values) + "\n"


def page_script() -> str:
    """Viewer, overlays and what the page does with them as one module: a page of one file has nothing to import."""
    modules = [bundled(f"viewer/{name}.js") for name in ("viewer", "overlays", "proof")]
    return re.sub(r'^import .* from "\./\w+\.js";$', "", "".join(modules), flags=re.MULTILINE)


def content_policy(style: str, script: str) -> str:
    """Only this style sheet and this script, by hash; pictures from beside or inside the page; nothing else.

    Reference: W3C Content Security Policy Level 3.
    """
    return (
        f"default-src 'none'; script-src {_hash_source(script)}; style-src {_hash_source(style)}; "
        "img-src 'self' data:; base-uri 'none'; form-action 'none'"
    )


def bundled(name: str) -> str:
    """A text file that comes with this room."""
    return (resources.files("stitchbed.report") / name).read_text(encoding="utf-8")


def _hash_source(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def _about(record: Mapping[str, Any], tiles: PageTiles) -> list[Fact]:
    """Size, resolution, pixels, pieces and how well they agree."""
    canvas = mapping(record.get("canvas"))
    dpi = number(canvas.get("dpi"))
    facts = [Fact(f"{tiles.width} x {tiles.height}", "px")]
    if dpi > 0:
        width, height = (side / dpi * MM_PER_INCH for side in (tiles.width, tiles.height))
        facts += [Fact(f"{width:.1f} x {height:.1f}", "mm"), Fact(f"{dpi:g}", "dpi")]
    bits = re.fullmatch(r"uint(\d+)", str(canvas.get("dtype")))
    if bits:
        channels = number(canvas.get("channels"), 3)
        facts.append(Fact(pixel_kind(channels, float(bits[1])) + (", alpha" if canvas.get("alpha") is True else "")))
    count = sum("width" in item for item in rows(record, "inputs"))
    if count:
        facts.append(Fact(str(count), "pieces" if count > 1 else "piece"))
    used = [link for link in rows(record, "links") if not link.get("dropped")]
    if used:
        points = sum(number(link.get("points")) for link in used)
        square = sum(number(link.get("points")) * number(link.get("rms_px")) ** 2 for link in used)
        worst = max(number(link.get("worst_px")) for link in used)
        mean = f"{(square / max(points, 1)) ** 0.5:.2f} px"
        facts.append(Fact(mean, f"on average, {worst:.2f} px at worst", "pieces agree to"))
    told = mapping(record.get("accuracy"))
    error, surely = number(told.get("error_px")), told.get("placed_surely", True)
    if error:
        only = "" if surely else ", if no piece lies wrongly"
        facts.append(Fact(f"{two_digits(error)} px", f"at 95 % of its places, by estimate{only}", "true to"))
    return facts


def _switches(shapes: Mapping[str, Any]) -> list[Switch]:
    """All of a join's overlays; of one step only those it has, as most cannot be."""
    filled = {**shapes, "heat": mapping(shapes.get("heat")).get("cells")}
    switches = [Switch(name, words, not filled.get(name)) for name, words in OVERLAYS.items()]
    return switches if filled.get("pieces") else [switch for switch in switches if not switch.empty]


def _shades() -> list[str]:
    """Names of the shades of residuals."""
    edges = ["0", *(f"{step:g}" for step in HEAT_STEPS)]
    return [f"{low}–{high}" for low, high in pairwise(edges)] + [f"{edges[-1]} and more"]
