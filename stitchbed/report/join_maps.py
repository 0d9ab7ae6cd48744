"""I draw where pieces of a join disagree: how much, which way, and which pieces.

In: the record of a join and a small view of its canvas. Out: a picture that can be read without its colors, since size
says the same as shade.

Each circle stands for one cell of an overlap. Its radius is the root mean square of what was left there between two
pieces, its stick their mean: a stick as long as the radius is a shift, a short one is scatter.
"""

from __future__ import annotations

import colorsys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.reading.base.faults import shown
from stitchbed.report.overlays import HEAT_CELLS, HEAT_STEPS, heat_step, piece_outlines
from stitchbed.report.records import number, rows

LONGEST_SIDE = 1400  # px of the map itself, without margin and legend
LEAST_SIDE = 900  # px; a small canvas is drawn larger, so that words beside it can be read
MARGIN, LINE = 36, 26  # px
INK, SOFT, GROUND = (32, 34, 38), (118, 120, 124), (252, 251, 248)
# One for each step, calm to bad, each darker than the one before, so that they can be told apart in gray.
SHADES = ((190, 218, 232), (160, 196, 168), (198, 160, 76), (190, 108, 44), (150, 50, 34), (78, 10, 28))
ROUND = (0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)  # px of disagreement a scale may stand for
MOST_LISTED = 8


@dataclass(frozen=True)
class Cell:
    """What was left between two pieces in one cell. x, y : mean place, canvas px. rms, dx, dy : px. count : points."""

    a: str
    b: str
    x: float
    y: float
    rms: float
    dx: float
    dy: float
    count: int


def residual_cells(record: Mapping[str, Any], size: tuple[int, int]) -> list[Cell]:
    """One `Cell` per pair of pieces and cell of the canvas, the largest first; size : (width, height) px."""
    side = max(1.0, max(size) / HEAT_CELLS)
    points: dict[tuple[str, str, int, int], list[list[float]]] = {}
    for item in rows(record, "residuals"):
        place = [number(item.get(key)) for key in ("x", "y", "dx", "dy")]
        key = (str(item.get("a")), str(item.get("b")), int(place[0] // side), int(place[1] // side))
        points.setdefault(key, []).append(place)
    found = []
    for (a, b, _, _), listed in points.items():
        table = np.array(listed)
        x, y, dx, dy = (float(v) for v in table.mean(axis=0))
        rms = float(np.sqrt((table[:, 2:] ** 2).sum(axis=1).mean()))
        found.append(Cell(a, b, x, y, rms, dx, dy, len(listed)))
    return sorted(found, key=lambda cell: (-cell.rms, cell.x, cell.y))


def map_scale(cells: list[Cell], room: float) -> tuple[float, float]:
    """(px of disagreement, px of the picture they are drawn as): a round number near the 95th percentile as `room`."""
    usual = float(np.percentile([cell.rms for cell in cells], 95)) if cells else 0.0
    stands_for = next((value for value in ROUND if value >= usual), ROUND[-1])
    return stands_for, room


def residual_map(record: Mapping[str, Any], size: tuple[int, int], under: NDArray[np.uint8]) -> Image.Image:
    """The picture. size : (width, height) px of the canvas. under : (h, w) gray view of it, any size."""
    width, height = size
    factor = min(max(LONGEST_SIDE / max(size), 1e-6), max(1.0, LEAST_SIDE / max(size)))
    across, down = max(1, round(width * factor)), max(1, round(height * factor))
    cells = residual_cells(record, size)
    names = [str(row.get("tile")) for row in rows(record, "placements")]
    legend = _legend(record, cells, names)
    page = (max(across, LEAST_SIDE) + 2 * MARGIN, down + 2 * MARGIN + LINE * (len(legend) + 5))
    sheet = Image.new("RGB", page, GROUND)
    faint = Image.fromarray(np.asarray(255 - (255 - under.astype(np.float32)) * 0.3, np.uint8))
    sheet.paste(faint.resize((across, down), Image.Resampling.BOX), (MARGIN, MARGIN))
    draw = ImageDraw.Draw(sheet)
    scale = map_scale(cells, max(6.0, 0.46 * max(across, down) / HEAT_CELLS))
    for cell in reversed(cells):
        place = (MARGIN + cell.x * factor, MARGIN + cell.y * factor)
        _mark(draw, place, (cell.rms, cell.dx, cell.dy), scale)
    _outlines(draw, record, factor)
    _key(draw, MARGIN, down + 2 * MARGIN, scale)
    for line, words in enumerate(legend):
        draw.text((MARGIN, down + 2 * MARGIN + LINE * (line + 4)), words, fill=INK, font=_font(17))
    return sheet.quantize(255, dither=Image.Dither.NONE)


def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size=size)


def _outlines(draw: ImageDraw.ImageDraw, record: Mapping[str, Any], factor: float) -> None:
    """Every piece as a thin frame with its number in the middle."""
    for index, piece in enumerate(piece_outlines(record), start=1):
        corners = [(MARGIN + x * factor, MARGIN + y * factor) for x, y in piece["corners"]]
        draw.line([*corners, corners[0]], fill=SOFT, width=1)
        at = tuple(MARGIN + value * factor for value in piece["middle"])
        draw.text(at, str(index), fill=INK, font=_font(26), anchor="mm", stroke_width=3, stroke_fill=GROUND)


def _mark(
    draw: ImageDraw.ImageDraw,
    place: tuple[float, float],
    value: tuple[float, float, float],
    scale: tuple[float, float],
) -> None:
    """One circle and its stick; value : rms, dx, dy px. Very large ones stop at three times the scale."""
    rms, dx, dy = value
    stretch = scale[1] / scale[0]
    radius = max(1.5, min(rms * stretch, 3 * scale[1]))
    x, y = place
    draw.ellipse((x - radius, y - radius, x + radius, y + radius), fill=SHADES[heat_step(rms)], outline=INK, width=1)
    length = float(np.hypot(dx, dy)) * stretch
    if length > 2:
        short = min(1.0, 3 * scale[1] / length)
        end = (x + dx * stretch * short, y + dy * stretch * short)
        draw.line([place, end], fill=GROUND if heat_step(rms) > 3 else INK, width=2)


def _key(draw: ImageDraw.ImageDraw, left: int, top: int, scale: tuple[float, float]) -> None:
    """What size and shade mean."""
    words = "Radius: what is left between two pieces, px rms. Stick: the mean of it and its way. Numbers: pieces."
    draw.text((left, top), words, fill=INK, font=_font(17))
    x, y = left + scale[1], top + 2.0 * LINE
    for share in (0.25, 0.5, 1.0):
        _mark(draw, (x, y), (share * scale[0], 0.0, 0.0), scale)
        draw.text((x + scale[1] + 6, y), f"{share * scale[0]:g} px", fill=INK, font=_font(17), anchor="lm")
        x += 3 * scale[1] + 70
    for step, shade in enumerate(SHADES):
        low = f"{HEAT_STEPS[step - 1]:g}" if step else "0"
        high = f" to {HEAT_STEPS[step]:g}" if step < len(HEAT_STEPS) else " and more"
        draw.rectangle((x, y - 9, x + 18, y + 9), fill=shade, outline=INK)
        draw.text((x + 23, y), low + high, fill=INK, font=_font(14), anchor="lm")
        x += 93


def _legend(record: Mapping[str, Any], cells: list[Cell], names: list[str]) -> list[str]:
    """Lines of words: how much in all, the worst places, which number is which piece."""
    if not cells:
        return ["No overlap was measured.", *_pieces(names)]
    points = sum(cell.count for cell in cells)
    rms = float(np.sqrt(sum(cell.count * cell.rms**2 for cell in cells) / points))
    first = f"{points} points in {len(cells)} cells of overlaps, {rms:.2f} px rms. The largest:"
    worst = [
        f"   {cell.rms:.2f} px between {_number(names, cell.a)} and {_number(names, cell.b)}{_place(record, cell)}"
        for cell in cells[:3]
    ]
    return [first, *worst, *_pieces(names)]


def _place(record: Mapping[str, Any], cell: Cell) -> str:
    canvas = record.get("canvas")
    dpi = number(canvas.get("dpi")) if isinstance(canvas, Mapping) else 0.0
    px = f" at x {cell.x:.0f}, y {cell.y:.0f} px"
    return f"{px} ({cell.x / dpi * MM_PER_INCH:.0f}, {cell.y / dpi * MM_PER_INCH:.0f} mm)" if dpi > 0 else px


def _number(names: list[str], name: str) -> str:
    return str(names.index(name) + 1) if name in names else shown(Path(name))


def _pieces(names: list[str]) -> list[str]:
    if len(names) > MOST_LISTED:
        return [f"Pieces 1 to {len(names)} as listed under placements in the record."]
    return [f"{index}  {_short(shown(Path(name)))}" for index, name in enumerate(names, start=1)]


def _short(name: str) -> str:
    return name if len(name) <= 70 else f"{name[:40]}...{name[-27:]}"


Labels = NDArray[np.uint16]

MOST_CELLS = 2000  # cells; a sheet of two meters at one millimeter
NOBODY = 65535  # in the labels; the palette's last entry, white, in the picture
# Lightness of neighbors differs by a step at least, so that borders show in gray too; hues help where colors do.
LIGHT = (0.78, 0.46, 0.62, 0.30, 0.70, 0.38, 0.54)


def seam_picture(labels: Labels, cell: int) -> tuple[Image.Image, int]:
    """(picture, px of the canvas per px of it). labels : (h, w) index of the piece per cell of `cell` px, or NOBODY."""
    step = max(1, -(-max(labels.shape) // MOST_CELLS))
    small = np.ascontiguousarray(labels[step // 2 :: step, step // 2 :: step] if min(labels.shape) > step else labels)
    seen = small[small != NOBODY]
    if seen.size and int(seen.max()) > 254:
        return Image.fromarray(small), cell * step
    picture = Image.fromarray(np.where(small == NOBODY, 255, small).astype(np.uint8)).convert("P")
    picture.putpalette(_palette(small))
    return picture, cell * step


def neighbors_of(labels: Labels) -> dict[int, set[int]]:
    """Which pieces touch which, sideways or below."""
    found: dict[int, set[int]] = {int(label): set() for label in np.unique(labels) if label != NOBODY}
    for one, other in ((labels[:, 1:], labels[:, :-1]), (labels[1:], labels[:-1])):
        border = (one != other) & (one != NOBODY) & (other != NOBODY)
        for a, b in np.unique(np.stack([one[border], other[border]], axis=1), axis=0).tolist():
            found[a].add(b)
            found[b].add(a)
    return found


def _palette(labels: Labels) -> list[int]:
    """768 values. Greedy coloring: each piece takes the first lightness that no neighbor before it has."""
    taken: dict[int, int] = {}
    for label, beside in sorted(neighbors_of(labels).items()):
        used = {taken[other] for other in beside if other in taken}
        taken[label] = next(level for level in range(256) if level not in used)
    colors = [(255, 255, 255)] * 256
    for label, level in taken.items():
        hue = (0.58 + 0.381966 * label) % 1  # the golden angle spreads hues however many there are
        light = LIGHT[level % len(LIGHT)]
        red, green, blue = colorsys.hls_to_rgb(hue, light, 0.25)
        gray = 0.2126 * red + 0.7152 * green + 0.0722 * blue
        r, g, b = (min(255, max(0, round(255 * (v + light - gray)))) for v in (red, green, blue))
        colors[label] = (r, g, b)
    return [value for color in colors for value in color]
