"""I draw shapes given in mm as a page to print (PDF, exact shapes) and as pixels (an array of the same page).

In: shapes in mm from the page's top left corner. Out: PDF bytes; (h, w, 3) uint8 sRGB.

Colors are sRGB 0..255. Black (0, 0, 0) goes to the PDF as pure black ink; other colors carry the sRGB profile.
Reference: ISO 32000-1:2008 (PDF 1.7) for the page description.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms, ImageDraw, ImageFont

from stitchbed.core.quantities import MM_PER_INCH

Rgb = tuple[int, int, int]

POINT_MM = MM_PER_INCH / 72
FINER = 8  # slanted shapes are drawn this much finer and averaged; 1/64 of a pixel's area is the smallest step
TEXT_GRAY: Rgb = (0, 0, 0)


@dataclass(frozen=True)
class Rect:
    """Axis-parallel rectangle, mm."""

    x: float
    y: float
    width: float
    height: float
    color: Rgb


@dataclass(frozen=True)
class Polygon:
    """Convex polygon, corners in mm."""

    corners: tuple[tuple[float, float], ...]
    color: Rgb


@dataclass(frozen=True)
class Text:
    """One line, starting at x with its baseline at y. size : mm of the font. bold : heavier."""

    x: float
    y: float
    size: float
    words: str
    bold: bool = False
    color: Rgb = TEXT_GRAY


@dataclass(frozen=True)
class Grid:
    """Square cells of `cell` mm, black where `dark` (rows, columns) is True, nothing elsewhere."""

    x: float
    y: float
    cell: float
    dark: NDArray[np.bool_]
    color: Rgb = (0, 0, 0)


Shape = Rect | Polygon | Text | Grid


@dataclass(frozen=True)
class Page:
    """width, height : mm. shapes : in drawing order."""

    width: float
    height: float
    shapes: tuple[Shape, ...]


def pixels_of(page: Page, dpi: float) -> NDArray[np.uint8]:
    """The page as (h, w, 3) uint8 sRGB. Edges fall between pixels where the mm say so: pixels mix by covered area."""
    scale = dpi / MM_PER_INCH
    canvas = np.full((round(page.height * scale), round(page.width * scale), 3), 255, np.uint8)
    for shape in page.shapes:
        if isinstance(shape, Rect):
            _fill_rect(canvas, shape, scale)
        elif isinstance(shape, Polygon):
            _fill_polygon(canvas, shape, scale)
        elif isinstance(shape, Grid):
            _fill_grid(canvas, shape, scale)
        else:
            _write_text(canvas, shape, scale)
    return canvas


def pdf_of(pages: Sequence[Page], title: str) -> bytes:
    """The pages as one PDF that asks the viewer to print without scaling."""
    kids = " ".join(f"{6 + 2 * i} 0 R" for i in range(len(pages)))
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>",
        f"<< /Type /Pages /Kids [{kids}] /Count {len(pages)} >>".encode(),
        _stream(profile, "/N 3"),
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica /Encoding /WinAnsiEncoding >>",
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica-Bold /Encoding /WinAnsiEncoding >>",
    ]
    resources = "<< /ColorSpace << /S [/ICCBased 3 0 R] >> /Font << /F 4 0 R /B 5 0 R >> >>"
    for index, page in enumerate(pages):
        box = f"[0 0 {page.width / POINT_MM:.4f} {page.height / POINT_MM:.4f}]"
        contents = f"/Contents {7 + 2 * index} 0 R /Resources {resources}"
        objects.append(f"<< /Type /Page /Parent 2 0 R /MediaBox {box} {contents} >>".encode())
        objects.append(_stream(_operators(page).encode("cp1252"), ""))
    objects.append(f"<< /Title ({_escaped(title)}) /Creator (stitchbed) >>".encode("cp1252"))
    return _assembled(objects)


def _fill_rect(canvas: NDArray[np.uint8], rect: Rect, scale: float) -> None:
    rows, row_cover = _covered(rect.y * scale, (rect.y + rect.height) * scale, canvas.shape[0])
    columns, column_cover = _covered(rect.x * scale, (rect.x + rect.width) * scale, canvas.shape[1])
    _mix(canvas[rows, columns], np.outer(row_cover, column_cover), rect.color)


def _covered(start: float, end: float, length: int) -> tuple[slice, NDArray[np.float64]]:
    """Pixels that an interval touches (edges between pixels at whole numbers), and the share it covers of each."""
    first, last = max(0, int(np.floor(start))), min(length, int(np.ceil(end - 1e-9)))
    edges = np.arange(first, max(first, last) + 1)
    inside = np.clip(edges, start, end)
    return slice(first, max(first, last)), np.diff(inside)


def _fill_grid(canvas: NDArray[np.uint8], grid: Grid, scale: float) -> None:
    """Neighboring dark cells leave no seam: the covered shares of all cells are summed before they are mixed in."""
    rows, row_cover = _covered_by_cells(grid.y, grid.dark.shape[0], grid.cell, scale)
    columns, column_cover = _covered_by_cells(grid.x, grid.dark.shape[1], grid.cell, scale)
    cover = row_cover @ grid.dark.astype(np.float64) @ column_cover.T
    _mix(canvas[rows, columns], cover, grid.color)


def _covered_by_cells(start: float, count: int, cell: float, scale: float) -> tuple[slice, NDArray[np.float64]]:
    """Pixels that a row of cells touches, and (pixels, count) the share that each cell covers of each."""
    bounds = (start + cell * np.arange(count + 1)) * scale
    first, last = int(np.floor(bounds[0])), int(np.ceil(bounds[-1] - 1e-9))
    edges = np.arange(first, last + 1)[:, None]
    inside = np.clip(edges, bounds[None, :-1], bounds[None, 1:])
    return slice(first, last), np.diff(inside, axis=0)


def _fill_polygon(canvas: NDArray[np.uint8], polygon: Polygon, scale: float) -> None:
    corners = np.array(polygon.corners) * scale
    x0, y0 = np.floor(corners.min(0)).astype(int)
    x1, y1 = np.ceil(corners.max(0)).astype(int)
    y, x = (np.mgrid[: (y1 - y0) * FINER, : (x1 - x0) * FINER] + 0.5) / FINER
    ends = np.roll(corners, -1, axis=0)
    sides = [(b - a)[0] * (y + y0 - a[1]) - (b - a)[1] * (x + x0 - a[0]) for a, b in zip(corners, ends, strict=True)]
    inside = np.all(np.stack(sides) >= 0, axis=0) | np.all(np.stack(sides) <= 0, axis=0)
    cover = inside.reshape(y1 - y0, FINER, x1 - x0, FINER).mean(axis=(1, 3))
    _mix(canvas[y0:y1, x0:x1], cover, polygon.color)


def _write_text(canvas: NDArray[np.uint8], text: Text, scale: float) -> None:
    font = ImageFont.load_default(text.size * scale)
    left, top, right, bottom = font.getbbox(text.words, anchor="ls")
    x0, y0 = int(text.x * scale + left) - 3, int(text.y * scale + top) - 3
    glyphs = Image.new("L", (int(right - left) + 8, int(bottom - top) + 8))
    place = (text.x * scale - x0, text.y * scale - y0)
    stroke = text.size * scale / 55 if text.bold else 0
    ImageDraw.Draw(glyphs).text(place, text.words, fill=255, font=font, anchor="ls", stroke_width=stroke)
    part = canvas[max(0, y0) : y0 + glyphs.height, max(0, x0) : x0 + glyphs.width]
    cover = np.asarray(glyphs, np.float64)[: part.shape[0], : part.shape[1]] / 255
    _mix(part, cover, text.color)


def _mix(part: NDArray[np.uint8], cover: NDArray[np.float64], color: Rgb) -> None:
    share = cover[..., None]
    part[...] = np.rint(part * (1 - share) + np.array(color) * share).astype(np.uint8)


def _operators(page: Page) -> str:
    """The page's drawing operators, in mm with y up from the page's foot."""
    lines = [f"{1 / POINT_MM:.8f} 0 0 {1 / POINT_MM:.8f} 0 0 cm"]
    for shape in page.shapes:
        lines.append("0 g" if shape.color == (0, 0, 0) else _color(shape.color))
        if isinstance(shape, Rect):
            lines.append(f"{shape.x:.4f} {page.height - shape.y - shape.height:.4f} {shape.width} {shape.height} re f")
        elif isinstance(shape, Polygon):
            points = [f"{x:.4f} {page.height - y:.4f} {'l' if i else 'm'}" for i, (x, y) in enumerate(shape.corners)]
            lines.append(" ".join([*points, "h f"]))
        elif isinstance(shape, Grid):
            lines += [f"{x:.4f} {page.height - y - h:.4f} {w:.4f} {h:.4f} re f" for x, y, w, h in _rectangles(shape)]
        else:
            font = "B" if shape.bold else "F"
            place = f"{shape.x:.4f} {page.height - shape.y:.4f} Td"
            lines.append(f"BT /{font} {shape.size * 0.94:.3f} Tf {place} ({_escaped(shape.words)}) Tj ET")
    return "\n".join(lines)


def _rectangles(grid: Grid) -> list[tuple[float, float, float, float]]:
    """The dark cells as few rectangles (x, y, width, height mm): equal runs in rows that follow are joined."""
    open_runs: dict[tuple[int, int], int] = {}
    done = []
    for row in range(len(grid.dark) + 1):
        cells = grid.dark[row] if row < len(grid.dark) else np.zeros(grid.dark.shape[1], bool)
        edges = np.flatnonzero(np.diff(np.concatenate([[False], cells, [False]]).astype(int))).reshape(-1, 2)
        runs = {(int(a), int(b)) for a, b in edges}
        for run in [r for r in open_runs if r not in runs]:
            done.append((run[0], open_runs.pop(run), run[1] - run[0], row))
        for run in runs:
            open_runs.setdefault(run, row)
    unit = grid.cell
    return [(grid.x + c * unit, grid.y + top * unit, w * unit, (row - top) * unit) for c, top, w, row in sorted(done)]


def _color(color: Rgb) -> str:
    r, g, b = (value / 255 for value in color)
    return f"/S cs {r:.5f} {g:.5f} {b:.5f} sc"


def _escaped(words: str) -> str:
    return words.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)")


def _stream(content: bytes, extra: str) -> bytes:
    packed = zlib.compress(content, 9)
    head = f"<< /Length {len(packed)} /Filter /FlateDecode {extra} >>\nstream\n".encode()
    return head + packed + b"\nendstream"


def _assembled(objects: Sequence[bytes]) -> bytes:
    """Header, numbered objects, cross-reference table, trailer; the last object is the information dictionary."""
    body = b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n"
    offsets = []
    for number, content in enumerate(objects, start=1):
        offsets.append(len(body))
        body += f"{number} 0 obj\n".encode() + content + b"\nendobj\n"
    table = f"xref\n0 {len(objects) + 1}\n0000000000 65535 f \n" + "".join(f"{at:010d} 00000 n \n" for at in offsets)
    trailer = f"trailer\n<< /Size {len(objects) + 1} /Root 1 0 R /Info {len(objects)} 0 R >>\n"
    return body + table.encode() + trailer.encode() + f"startxref\n{len(body)}\n%%EOF\n".encode()
