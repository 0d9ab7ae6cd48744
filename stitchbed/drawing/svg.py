"""I draw flat shapes on a page in mm and write the page as SVG or as PNG, both from the same shapes.

In: a `SvgPage` of shapes. Out: a file that prints at its true size.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from pathlib import Path

from PIL import Image, ImageColor, ImageDraw, ImageFont

from stitchbed.core.errors import BadSettings
from stitchbed.core.files import claimed
from stitchbed.core.quantities import MM_PER_INCH

Point = tuple[float, float]

PNG_DPI = 150  # sharp enough on an office printer; an A4 page stays under 200 kB
NO_XML = re.compile(r"[^\t\n\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")  # characters no XML may hold
FINER = 2  # drawn larger, then averaged, for smooth edges


@dataclass(frozen=True)
class Polygon:
    """Closed when `closed`. points, width, dash mm; colors "#rrggbb" or None; opacity of the fill 0..1."""

    points: tuple[Point, ...]
    fill: str | None = None
    stroke: str | None = None
    width: float = 0.3
    opacity: float = 1.0
    closed: bool = True
    dash: float | None = None


@dataclass(frozen=True)
class Words:
    """One line of text. x, y mm: y is the middle of small letters; size mm; anchor start, middle or end."""

    x: float
    y: float
    text: str
    size: float = 3.5
    color: str = "#23272e"
    anchor: str = "start"


@dataclass(frozen=True)
class SvgPage:
    """width, height mm; shapes in painting order."""

    width: float
    height: float
    shapes: tuple[Polygon | Words, ...]
    title: str = ""
    background: str = "#ffffff"


def box(x: float, y: float, width: float, height: float) -> tuple[Point, ...]:
    """Corners of a rectangle, clockwise from the top left."""
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))


def line(*points: Point, stroke: str, width: float = 0.3, dash: float | None = None) -> Polygon:
    """An open polyline."""
    return Polygon(points, None, stroke, width, closed=False, dash=dash)


def write_drawing(path: Path, page: SvgPage) -> None:
    """Write the page by its suffix: .svg or .png.

    Raises
    ------
    BadSettings : another suffix. CannotWrite : the file could not be written.
    """
    writers = {".svg": _write_svg, ".png": _write_png}
    if path.suffix.lower() not in writers:
        raise BadSettings(f"a drawing named {path.name}", expected="a name ending in .svg or .png", attempt="plan.svg")
    with claimed(path) as partial:
        writers[path.suffix.lower()](partial, page)


def svg(page: SvgPage) -> str:
    """The page as an SVG document, sized in mm."""
    parts = [_svg_shape(shape) for shape in page.shapes]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{page.width:g}mm" height="{page.height:g}mm" '
        f'viewBox="0 0 {page.width:g} {page.height:g}" role="img" font-family="sans-serif">'
        f"<title>{_plain(page.title)}</title>"
        f'<rect width="100%" height="100%" fill="{page.background}"/>' + "\n".join(parts) + "</svg>\n"
    )


def picture(page: SvgPage, dpi: float = PNG_DPI) -> Image.Image:
    """The page as an RGB picture at `dpi`."""
    scale = dpi / MM_PER_INCH * FINER
    size = round(page.width * scale), round(page.height * scale)
    image = Image.new("RGB", size, page.background)
    draw = ImageDraw.Draw(image, "RGBA")
    for shape in page.shapes:
        if isinstance(shape, Words):
            _draw_words(draw, shape, scale)
        else:
            _draw_polygon(draw, shape, scale)
    return image.resize((size[0] // FINER, size[1] // FINER), Image.Resampling.BOX)


def _write_svg(path: Path, page: SvgPage) -> None:
    path.write_text(svg(page), encoding="utf-8")


def _write_png(path: Path, page: SvgPage) -> None:
    picture(page).save(path, format="PNG", dpi=(PNG_DPI, PNG_DPI), optimize=True)


def _svg_shape(shape: Polygon | Words) -> str:
    if isinstance(shape, Words):
        return (
            f'<text x="{shape.x:.2f}" y="{shape.y:.2f}" font-size="{shape.size:g}" fill="{shape.color}" '
            f'text-anchor="{shape.anchor}" dominant-baseline="central">{_plain(shape.text)}</text>'
        )
    points = " ".join(f"{x:.2f},{y:.2f}" for x, y in shape.points)
    dash = f' stroke-dasharray="{shape.dash:g}"' if shape.dash else ""
    return (
        f'<{"polygon" if shape.closed else "polyline"} points="{points}" fill="{shape.fill or "none"}" '
        f'fill-opacity="{shape.opacity:g}" stroke="{shape.stroke or "none"}" stroke-width="{shape.width:g}" '
        f'stroke-linejoin="round"{dash}/>'
    )


def _draw_polygon(draw: ImageDraw.ImageDraw, shape: Polygon, scale: float) -> None:
    points = [(x * scale, y * scale) for x, y in shape.points]
    if shape.fill and shape.closed:
        draw.polygon(points, fill=(*ImageColor.getrgb(shape.fill)[:3], round(255 * shape.opacity)))
    if shape.stroke:
        path = [*points, points[0]] if shape.closed else points
        pieces = _dashes(path, shape.dash * scale) if shape.dash else [path]
        for piece in pieces:
            draw.line(piece, fill=shape.stroke, width=max(1, round(shape.width * scale)), joint="curve")


def _dashes(path: list[Point], length: float) -> list[list[Point]]:
    """Every other stretch of `length` px along the path."""
    pieces = []
    for (x0, y0), (x1, y1) in pairwise(path):
        steps = max(1, round(((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5 / length))
        for step in range(0, steps, 2):
            a, b = step / steps, min(1.0, (step + 1) / steps)
            pieces.append([(x0 + (x1 - x0) * a, y0 + (y1 - y0) * a), (x0 + (x1 - x0) * b, y0 + (y1 - y0) * b)])
    return pieces


def _draw_words(draw: ImageDraw.ImageDraw, words: Words, scale: float) -> None:
    font = ImageFont.load_default(size=max(1.0, words.size * scale))
    anchor = {"start": "lm", "middle": "mm", "end": "rm"}[words.anchor]
    draw.text((words.x * scale, words.y * scale), words.text, fill=words.color, font=font, anchor=anchor)


def _plain(text: str) -> str:
    """Text as XML takes it: marks escaped, what no XML may hold replaced. Reference: XML 1.0, 2.2 (Char)."""
    return escape(NO_XML.sub("\ufffd", text), quote=False)
