"""I draw shapes given in mm as a page to print (PDF, exact shapes) and as pixels (an array of the same page).

In: shapes in mm from the page's top left corner. Out: PDF bytes; (h, w, 3) uint8 sRGB.

Colors are sRGB 0..255. Black (0, 0, 0) goes to the PDF as pure black ink; other colors carry the sRGB profile.
Reference: ISO 32000-1:2008 (PDF 1.7) for the page description.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence

import numpy as np

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.drawing.shapes import CardPage, Grid, Polygon, Rect, Rgb

POINT_MM = MM_PER_INCH / 72


def pdf_of(pages: Sequence[CardPage], title: str, icc: bytes) -> bytes:
    """The pages as one PDF that asks the viewer to print without scaling. icc : profile of the colors."""
    kids = " ".join(f"{6 + 2 * i} 0 R" for i in range(len(pages)))
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>",
        f"<< /Type /Pages /Kids [{kids}] /Count {len(pages)} >>".encode(),
        _stream(icc, "/N 3"),
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


def _operators(page: CardPage) -> str:
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
            # one path and one fill: viewers that smooth edges leave hairlines between fills of their own
            cells = [f"{x:.4f} {page.height - y - h:.4f} {w:.4f} {h:.4f} re" for x, y, w, h in _rectangles(shape)]
            lines.append(" ".join([*cells, "f"]))
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
